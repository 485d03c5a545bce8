"""One golfer's sensors for a visit: mounts, soft tissue, clocks and errors, the same in all recordings of the visit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import IDENTITY, FloatArray, normalise
from imuswing.simulate.anatomy import Anatomy
from imuswing.simulate.kinematics import Body
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.score import Score, Shock
from imuswing.simulate.sensors import Clock, Flaws, SensorSetup, Strap
from imuswing.simulate.shocks import Ring
from imuswing.simulate.softtissue import Wobble, draw_wobble, soft_motion
from imuswing.vocabulary import (
    CHEST,
    CLUB,
    LEAD_FOREARM,
    LEAD_HAND,
    LEAD_UPPER_ARM,
    PELVIS,
    STANDARD_GRAVITY,
    TRACKED_POINTS,
    SampleMeaning,
)

SHOCK_SHARE: Final[dict[str, float]] = {
    CLUB: 2.5,
    LEAD_HAND: 1.0,
    LEAD_FOREARM: 0.45,
    LEAD_UPPER_ARM: 0.15,
    CHEST: 0.06,
    PELVIS: 0.03,
}
"""How much of the hand's shock each sensor feels (an assumption)."""

STEP_SHARE: Final[dict[str, float]] = {
    PELVIS: 1.0,
    CHEST: 0.6,
    LEAD_UPPER_ARM: 0.4,
    LEAD_FOREARM: 0.3,
    LEAD_HAND: 0.25,
    CLUB: 0.25,
}
"""How much of a step's shock at the pelvis each sensor feels (an assumption)."""

SHOCK_TURN_DPS: Final = 1.0
"""Peak turn rate that comes with a shock, °/s per m/s² (an assumption)."""

FIRST_START_S: Final = 4.2
"""When the first tracking system starts, s on the body's time; the others start around then."""

ONE_CLOCK: Final = "imus"


@dataclass(frozen=True, kw_only=True)
class Worn:
    """One sensor of a kit."""

    point: str
    mount: FloatArray
    wobble: Wobble
    flaws: Flaws


@dataclass(frozen=True, kw_only=True)
class Kit:
    """The sensors of one visit: what is worn, the clocks by tracked point, and what a sample means."""

    worn: tuple[Worn, ...]
    clocks: dict[str, Clock]
    meaning: SampleMeaning
    exact_starts: bool
    sizes: ErrorSizes


def _matrix(scale: float, cross: float, rng: np.random.Generator) -> FloatArray:
    """Identity with errors of scale on the diagonal and cross-axis errors off it."""
    draws = rng.standard_normal((3, 3))
    return np.eye(3) + np.where(np.eye(3) > 0.0, scale, cross) * draws


def _flaws(sizes: ErrorSizes, rate: float, rng: np.random.Generator, *, halved: bool, drops_rows: bool) -> Flaws:
    bandwidth = np.sqrt(0.5 * rate)
    share = 0.5 if halved else 1.0
    return Flaws(
        gyr_matrix=_matrix(sizes.gyro_scale, sizes.gyro_cross, rng),
        acc_matrix=_matrix(sizes.acc_scale, sizes.acc_cross, rng),
        gyr_bias=np.radians(sizes.gyro_bias_dps) * rng.standard_normal(3),
        gyr_drift_s=np.radians(sizes.gyro_drift_dps) * rng.standard_normal(3) / 600.0,
        acc_bias=sizes.acc_bias * rng.standard_normal(3),
        gyr_noise=float(np.radians(sizes.gyro_noise) * bandwidth),
        acc_noise=float(sizes.acc_noise * bandwidth),
        gyr_range=share * float(np.radians(sizes.gyro_range_dps)),
        acc_range=share * sizes.acc_range_g * STANDARD_GRAVITY,
        lost_share=sizes.lost_share,
        bursts_per_s=sizes.bursts / 60.0,
        burst_s=sizes.burst_s,
        drops_rows=drops_rows,
    )


def _clock(name: str, rate: float, sizes: ErrorSizes, rng: np.random.Generator) -> Clock:
    return Clock(
        name=name,
        rate=rate,
        start=FIRST_START_S + sizes.clock_offset_s * float(rng.uniform(-1.0, 1.0)),
        drift=1e-6 * sizes.clock_drift_ppm * float(rng.uniform(-1.0, 1.0)),
        jitter_s=sizes.jitter_s,
    )


def _clocks(points: tuple[str, ...], rate: float, sizes: ErrorSizes, rng: np.random.Generator) -> dict[str, Clock]:
    """Clocks by tracked point: one for all, one each, or one for the trunk and one for the arm."""
    style = rng.choice(["one", "each", "two"], p=[0.4, 0.4, 0.2]) if sizes.clock_offset_s > 0.0 else "one"
    slower = rate / 2.0 if rate >= 200.0 and rng.random() < 0.3 else rate
    names = {}
    for point in points:
        trunk = point in (CHEST, PELVIS)
        names[point] = {"one": ONE_CLOCK, "each": point.replace("_", ""), "two": "trunk" if trunk else "arm"}[style]
    rates = dict.fromkeys(names.values(), rate)
    if style != "one":
        rates |= {names[point]: slower for point in points if point in (CHEST, PELVIS)}
    clocks = {name: _clock(name, rates[name], sizes, rng) for name in sorted(rates)}
    first = min(clocks)
    clocks[first] = replace(clocks[first], start=FIRST_START_S, drift=0.0)
    return {point: clocks[name] for point, name in names.items()}


def draw_kit(
    sizes: ErrorSizes, rng: np.random.Generator, *, points: tuple[str, ...], rate: float,
    meaning: SampleMeaning | None,
) -> Kit:  # fmt: skip
    """The sensors of one visit. Every point's errors are drawn whether it is worn or not, so that none depends on
    which others are worn."""
    drawn: SampleMeaning = "mean" if rng.random() < 0.5 and sizes.mount_turned else "instant"
    clocks = _clocks(points, rate, sizes, rng)
    halved = bool(rng.random() < sizes.low_range_share)
    drops = {clock.name: bool(rng.random() < 0.5) for clock in clocks.values()}
    exact = bool(rng.random() < 0.5)
    worn = []
    for point, child in zip(TRACKED_POINTS, rng.spawn(len(TRACKED_POINTS)), strict=True):
        if point not in points:
            continue
        mount = normalise(child.standard_normal(4))
        shared = [clock.name for clock in clocks.values()].count(clocks[point].name) > 1
        worn.append(
            Worn(
                point=point,
                mount=mount if sizes.mount_turned else IDENTITY,
                wobble=draw_wobble(sizes, child),
                flaws=_flaws(
                    sizes, clocks[point].rate, child, halved=halved,
                    drops_rows=drops[clocks[point].name] and not shared,
                ),
            )
        )  # fmt: skip
    return Kit(
        worn=tuple(worn),
        clocks=clocks,
        meaning=meaning if meaning is not None else drawn,
        exact_starts=exact,
        sizes=sizes,
    )


def _rings(shocks: list[Shock], point: str, rng: np.random.Generator) -> tuple[Ring, ...]:
    """What one sensor feels of all shocks, each in a direction of its own."""
    rings = []
    for shock in shocks:
        direction, turn = rng.standard_normal(3), rng.standard_normal(3)
        share = {"hand": SHOCK_SHARE[point], "foot": STEP_SHARE[point], "all": 1.0}.get(
            shock.at, float(shock.at == point)
        )
        if share == 0.0:
            continue
        size = shock.size * share
        rings.append(
            Ring(
                time=shock.time,
                frequency=shock.frequency,
                decay_s=shock.decay_s,
                acc=size * direction / np.linalg.norm(direction),
                gyr=size * np.radians(SHOCK_TURN_DPS) * turn / np.sqrt(3.0),
            )
        )
    return tuple(rings)


def _slip(score: Score, kit: Kit, rng: np.random.Generator) -> tuple[str, float, FloatArray] | None:
    """Which strap slips, when between two swings, and by which rotation vector, rad."""
    point = str(rng.choice([worn.point for worn in kit.worn]))
    turn = rng.standard_normal(3) * np.array([0.3, 1.0, 0.3])
    between = float(rng.uniform(0.35, 0.75))
    if kit.sizes.strap_slip_deg == 0.0 or len(score.marks) < 3:
        return None
    mark = score.marks[int(between * len(score.marks))]
    return point, mark.end + 1.0, np.radians(kit.sizes.strap_slip_deg) * turn


def set_up(kit: Kit, body: Body, anatomy: Anatomy, score: Score, rng: np.random.Generator) -> dict[str, SensorSetup]:
    """Every sensor of the kit in one recording."""
    slip = _slip(score, kit, rng)
    design = Body(motion=body.motion, anatomy=anatomy, lead_side="left")
    setups = {}
    for worn in kit.worn:
        offset = anatomy.sensors[worn.point]
        slipped = slip[1:] if slip is not None and slip[0] == worn.point else None
        soft = soft_motion(design, worn.point, offset, worn.wobble, kit.sizes, slip=slipped)
        setups[worn.point] = SensorSetup(
            point=worn.point,
            strap=Strap(q_segment_from_sensor=worn.mount, offset=offset, soft=soft),
            clock=kit.clocks[worn.point],
            meaning=kit.meaning,
            flaws=worn.flaws,
            rings=_rings(score.shocks if kit.sizes.shock else [], worn.point, rng),
        )
    return setups
