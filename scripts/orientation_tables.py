"""Tables of `scripts/orientation_accuracy`: every figure printed is measured when it is run; nothing is asserted.

1. A closed-form arm that swings (orientation_chain): forward and offline filter, strapdown from the still address, the
   smoother alone and with the sensor's matrix learnt from the session, side by side, in several circumstances.
2. Simulated golfers with hard shocks, clipping and bursts of lost samples: the same and what a session teaches of the
   sensor, for every method (orientation_golfers).
3. Open recordings of one sensor with an optical reference (BROAD), scored as its authors score it.
4. Open recordings of a two-segment rig: relative orientation over a minute.
"""

from __future__ import annotations

import argparse
import os
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import orientation_chain as chain
from orientation_golfers import print_golfers

from imuswing.orientation import estimate_quaternions
from imuswing.orientation.joint import relative_orientation
from imuswing.orientation.quaternion import angle_between, from_matrix, inverse, log, multiply, rotate, slerp
from imuswing.orientation.relative import two_hinge_axes
from imuswing.orientation.sensor_correction import estimate_correction
from imuswing.orientation.smooth import SensorCorrection, SwingOrientation, smooth_swing, stretch_of
from imuswing.orientation.strapdown import integrate, tilt_from_up
from imuswing.recording.model import Recording, SensorStream
from imuswing.sensors.increments import instants_from_means
from imuswing.sensors.motion import Motion
from imuswing.sensors.prepare import prepare
from imuswing.vocabulary import LEAD_HAND

OPEN_DATA = Path(os.environ.get("IMUSWING_OPEN_DATA", Path(__file__).parents[2] / "shared" / "open_data"))
SWINGS = 8
BEFORE_S, AFTER_S, AFTER_WIDE_S = 2.5, 1.5, 9.0
METHODS = ("vqf", "vqf_offline", "strapdown", "smoother", "smoother, matrix learnt")


@dataclass(frozen=True, kw_only=True)
class Circumstance:
    """One row group of the first table."""

    name: str
    flaws: chain.Flaws
    rate: float = 200.0
    lost_s: float = 0.0
    hold_finish: bool = True


CIRCUMSTANCES = (
    Circumstance(name="next to ideal sensor", flaws=replace(chain.IDEAL, gyro_noise_dps=0.01, acc_noise_mps2=0.003)),
    Circumstance(name="usual flaws", flaws=chain.Flaws()),
    Circumstance(name="usual flaws, 100 Hz", flaws=chain.Flaws(), rate=100.0),
    Circumstance(name="usual flaws, 400 Hz", flaws=chain.Flaws(), rate=400.0),
    Circumstance(name="1 % scale and axes", flaws=chain.Flaws(gyro_scale=0.01, gyro_cross=0.01)),
    Circumstance(name="shock three times as hard", flaws=chain.Flaws(shock_mps2=900.0, shock_gyro_dps=450.0)),
    Circumstance(name="clipped at 800 °/s", flaws=chain.Flaws(gyro_range_dps=800.0)),
    Circumstance(name="two bursts of 25 ms lost", flaws=chain.Flaws(), lost_s=0.025),
    Circumstance(name="finish not held", flaws=chain.Flaws(), hold_finish=False),
)


def prepared(session: chain.Session, circumstance: Circumstance, seed: int) -> Motion:
    """The session's samples through the project's own sensor step: bias, bridges, stillness."""
    gyr, acc = session.gyr.copy(), session.acc.copy()
    rng = np.random.default_rng(seed)
    length = round(circumstance.lost_s * session.rate)
    if length:
        for impact, top in zip(session.impact, session.top, strict=True):
            for first in (int(rng.integers(top, impact)), int(impact) - length // 2):
                gyr[first : first + length] = acc[first : first + length] = np.nan
    limit = circumstance.flaws.gyro_range_dps
    stream = SensorStream(
        tracked_point=LEAD_HAND,
        tracking_system="hand",
        rate=session.rate,
        time=session.time,
        gyr=gyr,
        acc=acc,
        gyr_range=float(np.radians(limit)) if np.isfinite(limit) else None,
    )
    recording = Recording(participant="arm", lead_side="left", sensors={LEAD_HAND: stream})
    return prepare(recording).motions[LEAD_HAND]


def tilt(q: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Angle between the verticals, rad."""
    error = multiply(q, inverse(truth))
    return 2.0 * np.arccos(np.clip(np.hypot(error[..., 0], error[..., 3]), 0.0, 1.0))


def turn_error(q: np.ndarray, truth: np.ndarray, a: int, b: int) -> float:
    """Error of the rotation from sample a to sample b, rad."""
    return float(angle_between(multiply(inverse(q[a]), q[b]), multiply(inverse(truth[a]), truth[b])))


def errors_at_moments(q: np.ndarray, truth: np.ndarray, at: np.ndarray) -> list[float]:
    """Tilt at address, top, impact; turn from address to top and to impact; rad."""
    tilts = tilt(q[at[:3]], truth[at[:3]])
    return [*tilts, turn_error(q, truth, at[0], at[1]), turn_error(q, truth, at[0], at[2])]


def within_stated(got: SwingOrientation, truth: np.ndarray, at: np.ndarray) -> list[bool]:
    """Whether each component of tilt at address, top, impact and of the turn to impact lies within 1.96 errors."""
    q = got.q[at]
    heading = multiply(q[0], inverse(truth[at[0]]))
    about_up = np.array([heading[0], 0.0, 0.0, heading[3]]) / np.hypot(heading[0], heading[3])
    error = log(multiply(multiply(about_up, truth[at]), inverse(q)))
    jacobian = got.error_jacobian(at)
    jacobian, error = (
        np.concatenate((jacobian, jacobian[2:3] - jacobian[:1])),
        np.concatenate((error, error[2:3] - error[:1])),
    )
    se = np.sqrt(np.einsum("mip,pq,miq->mi", jacobian, got.covariance, jacobian))
    told = np.abs(error) <= 1.96 * se + 1e-9
    return [*told[:3, :2].ravel().tolist(), *told[-1].tolist()]


def swings_of(session: chain.Session) -> Iterator[tuple[int, int, int, np.ndarray]]:
    """First sample, last sample short and wide, and moments from the first sample on."""
    for swing in range(len(session.address)):
        moments = np.array([session.address[swing], session.top[swing], session.impact[swing], session.finish[swing]])
        first = int(moments[0] - BEFORE_S * session.rate)
        yield (
            first,
            int(moments[3] + AFTER_S * session.rate),
            min(int(moments[3] + AFTER_WIDE_S * session.rate), len(session.time)),
            moments - first,
        )


def chain_rows(circumstance: Circumstance, sessions: int) -> tuple[dict[str, list[list[float]]], list[bool], float]:
    """Errors by method, whether stated errors held, and seconds a smoothed swing."""
    errors: dict[str, list[list[float]]] = defaultdict(list)
    told: list[bool] = []
    spent, count = 0.0, 0
    for seed in range(sessions):
        session = chain.session(seed=seed, rate=circumstance.rate, swings=SWINGS, flaws=circumstance.flaws)
        truth = from_matrix(session.matrix)
        motion = prepared(session, circumstance, seed)
        if not circumstance.hold_finish:
            motion = without_finish(motion, session)
        gyr = motion.increments * motion.rate
        whole = {
            name: estimate_quaternions(gyr, motion.acc, rate=motion.rate, method=name)  # type: ignore[arg-type]
            for name in METHODS[:2]
        }
        wide = [stretch_of(motion, first, last) for first, _, last, _ in swings_of(session)]
        learnt = estimate_correction(wide)
        for first, last, _, at in swings_of(session):
            own = truth[first:last]
            for name, q in whole.items():
                errors[name].append(errors_at_moments(q[first:last], own, at))
            part = stretch_of(motion, first, last)
            bare = integrate(part.increments)
            rest = slice(int(at[0] - 0.5 * motion.rate), int(at[0]))
            up = rotate(bare[rest], part.acc[rest]).mean(axis=0)
            errors["strapdown"].append(errors_at_moments(multiply(tilt_from_up(up), bare), own, at))
            known: tuple[tuple[str, SensorCorrection | None], ...] = ((METHODS[3], None), (METHODS[4], learnt))
            for name, correction in known:
                begin = time.process_time()
                got = smooth_swing(part, reference=int(at[0]), correction=correction)
                spent, count = spent + time.process_time() - begin, count + 1
                errors[name].append(errors_at_moments(got.q, own, at))
            told += within_stated(got, own, at)
    return errors, told, spent / count


def without_finish(motion: Motion, session: chain.Session) -> Motion:
    """The same, as if nobody had stood still after the swing."""
    still = motion.still.copy()
    for address, finish in zip(session.address, session.finish, strict=True):
        still[address : finish + int(3.0 * session.rate)] = False
    return replace(motion, still=still)


def print_chain(sessions: int) -> None:
    print(f"\nA closed-form arm, {sessions} sensors of {SWINGS} swings each. Root mean square, degrees.")
    print(f"{'':26}{'tilt at':>24}{'turn from address to':>28}")
    print(f"{'':26}{'address':>8}{'top':>8}{'impact':>8}{'top':>14}{'impact':>14}")
    for circumstance in CIRCUMSTANCES:
        errors, told, seconds = chain_rows(circumstance, sessions)
        print(
            f"{circumstance.name}: stated errors held in {100 * np.mean(told):.0f} % (goal 95); "
            f"{1000 * seconds:.1f} ms a swing"
        )
        for name in METHODS:
            root = np.degrees(np.sqrt(np.mean(np.square(errors[name]), axis=0)))
            print(f"  {name:24}{root[0]:8.2f}{root[1]:8.2f}{root[2]:8.2f}{root[3]:14.2f}{root[4]:14.2f}")


def load(path: Path) -> dict[str, np.ndarray]:
    with np.load(path) as data:
        return {name: np.asarray(data[name], dtype=bool if name == "movement" else np.float64) for name in data}


def broad_rmse(q: np.ndarray, data: dict[str, np.ndarray], score: np.ndarray, *, ahead: float = 0.0) -> float:
    """Inclination error over `score`, degrees, of the estimate `ahead` samples later."""
    index = np.arange(len(q), dtype=np.float64)
    later = q if ahead == 0.0 else slerp(q, index, index + ahead)
    return float(np.degrees(np.sqrt(np.mean(tilt(later[score], data["q_ref"][score]) ** 2))))


def print_broad(slow: bool) -> None:
    trials = sorted(OPEN_DATA.glob("broad_*.npz"))
    if not trials:
        print(f"\nBROAD: no recordings in {OPEN_DATA}; left out.")
        return
    methods = ("vqf_offline", "vqf", *(("madgwick", "mahony", "ekf") if slow else ()))
    print("\nBROAD (Laidig et al. 2021), without magnetometer: inclination over the marked movement, RMSE in degrees.")
    print("In brackets the same with the estimate taken later by the time that fits the optical reference best (last")
    print("column), which is a matter of the set's clocks, not of the filter.")
    print(f"{'':52}" + "".join(f"{name:>18}" for name in methods) + "   later by, ms")
    table = []
    for path in trials:
        data = load(path)
        rate = float(data["rate"])
        score = data["movement"] & np.isfinite(data["q_ref"]).all(axis=1)
        later: float | None = None
        row = []
        for name in methods:
            q = estimate_quaternions(data["gyr"], data["acc"], rate=rate, method=name)  # type: ignore[arg-type]
            later = best_lead(q, data, score) if later is None else later
            row.append((broad_rmse(q, data, score), broad_rmse(q, data, score, ahead=later)))
        table.append(row)
        print(f"{path.stem:52}" + _pairs(row) + f"{1000.0 * (later or 0.0) / rate:15.1f}")
    values = np.array(table)
    for name, line in (("mean", values.mean(axis=0)), ("worst", values.max(axis=0))):
        print(f"{name:52}" + _pairs(line))
    print("Published, all 39 trials, 6-axis: VQF about 0.7 (Laidig & Seel 2023; from memory).")
    for path in trials:
        if "breaks" in path.stem:
            print_breaks(load(path), path.stem)


def _pairs(values: Iterable[Sequence[float]]) -> str:
    return "".join(f"{plain:10.2f} ({moved:.2f})" for plain, moved in values)


def best_lead(q: np.ndarray, data: dict[str, np.ndarray], score: np.ndarray) -> float:
    """By how many samples an estimate has to be taken later to fit the reference best."""
    leads = np.arange(-2.0, 3.05, 0.1)
    return float(leads[int(np.argmin([broad_rmse(q, data, score, ahead=float(lead)) for lead in leads]))])


def print_breaks(data: dict[str, np.ndarray], name: str) -> None:
    """The smoother where this set has rests before and after a movement; its movements last 18 to 31 s."""
    rate = float(data["rate"])
    stream = SensorStream(
        tracked_point=LEAD_HAND,
        tracking_system="hand",
        rate=rate,
        time=np.arange(len(data["gyr"])) / rate,
        gyr=data["gyr"],
        acc=data["acc"],
        sample_meaning="mean",
    )
    motion = prepare(Recording(participant="broad", lead_side="left", sensors={LEAD_HAND: stream})).motions[LEAD_HAND]
    offline = estimate_quaternions(data["gyr"], data["acc"], rate=rate)
    moving = np.flatnonzero(np.diff(np.concatenate(([0], data["movement"].astype(int), [0])))).reshape(-1, 2)
    spans = [(int(a - 2.5 * rate), int(b + 2.5 * rate)) for a, b in moving if b - a > 5 * rate]
    parts = [stretch_of(motion, a, b) for a, b in spans]
    scored = data["movement"] & np.isfinite(data["q_ref"]).all(axis=1)
    lead = best_lead(offline, data, scored)
    print(f"\n{name}: each movement between rests, taken later as above (in brackets its first 2 s alone)")
    rows: dict[str, list[np.ndarray]] = defaultdict(list)
    for index, ((first, last), part) in enumerate(zip(spans, parts, strict=True)):
        bare = integrate(part.increments)
        others = estimate_correction([other for k, other in enumerate(parts) if k != index])
        candidates = {
            "vqf_offline": offline[first:last],
            "strapdown": multiply(tilt_from_up(rotate(bare[:500], part.acc[:500]).mean(axis=0)), bare),
            "smoother": smooth_swing(part, reference=500).q,
            "smoother, matrix learnt": smooth_swing(part, reference=500, correction=others).q,
        }
        own = {"q_ref": data["q_ref"][first:last]}
        early = np.arange(len(bare)) < (2.5 + 2.0) * rate
        for method, q in candidates.items():
            score = scored[first:last]
            rows[method].append(
                np.array([broad_rmse(q, own, score, ahead=lead), broad_rmse(q, own, score & early, ahead=lead)])
            )
    for method, values in rows.items():
        print(f"  {method:24}" + "".join(f"{whole:8.2f} ({start:.2f})" for whole, start in values))


def print_rig() -> None:
    rigs = sorted(OPEN_DATA.glob("joint_rig_*.npz"))
    if not rigs:
        print(f"\nJoint rig: no recordings in {OPEN_DATA}; left out.")
        return
    print("\nTwo-segment rig (as carried by the repository dfjimu): relative orientation over its minute, RMSE in")
    print("degrees with the constant offset of frames removed (in brackets: left in), and what 95 % of samples stay")
    print("under; samples whose reference is turned over are left out.")
    print("Others' joints, for scale: elbow 2.7 and 3.8 (Müller 2017, second hand), wrist 1.5 to 2.2 (Chen 2023).")
    for path in rigs:
        data = load(path)
        arrays = [data[name] for name in ("gyr1", "acc1", "gyr2", "acc2")]
        rate = float(data["rate"])
        begin = time.perf_counter()
        plain = relative_orientation(*arrays, rate=rate, sample_meaning="mean")
        took = time.perf_counter() - begin
        truth = multiply(inverse(data["q1_ref"]), data["q2_ref"])
        line = f"{path.stem:18} joint centre {rig_scores(plain.q_1_from_2, truth)} ({took:.1f} s)"
        if "2D" in path.stem:
            gyr1, gyr2 = (instants_from_means(data[name]) for name in ("gyr1", "gyr2"))
            hinges = two_hinge_axes(gyr1, gyr2, plain.q_1_from_2)
            both = relative_orientation(*arrays, rate=rate, sample_meaning="mean", hinges=hinges)
            line += f"; with hinges {rig_scores(both.q_1_from_2, truth)}"
        print(line)


def rig_scores(q: np.ndarray, truth: np.ndarray) -> str:
    sound = angle_between(q, truth) < np.radians(30.0)
    difference = multiply(inverse(q), truth)[sound]
    offset = np.linalg.eigh(difference.T @ difference)[1][:, -1]
    error = np.degrees(angle_between(truth, multiply(q, offset))[sound])
    raw = np.degrees(angle_between(truth, q)[sound])
    root: Callable[[np.ndarray], float] = lambda values: float(np.sqrt(np.mean(values**2)))  # noqa: E731
    return f"{root(error):.2f} ({root(raw):.2f}), 95 %: {np.percentile(error, 95):.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=8, help="sensors of the closed-form arm (default: 8)")
    parser.add_argument("--golfers", type=int, default=9, help="simulated golfers in each circumstance (default: 9)")
    parser.add_argument("--slow", action="store_true", help="the pure-Python filters on BROAD as well (minutes)")
    options = parser.parse_args()
    print_chain(options.sessions)
    print_golfers(options.golfers)
    print_broad(options.slow)
    print_rig()


if __name__ == "__main__":
    main()
