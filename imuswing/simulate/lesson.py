"""One simulated recording in memory, with its truth: the entry for tests and for the bench."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from imuswing.errors import require_one_of
from imuswing.orientation.quaternion import normalise
from imuswing.recording.model import Event, Recording
from imuswing.simulate.golfer import draw_golfer, task_of
from imuswing.simulate.kinematics import Body
from imuswing.simulate.presets import ErrorSizes, errors_of
from imuswing.simulate.sensors import Clock, Flaws, SensorSetup, Strap, record
from imuswing.simulate.session import write_lesson
from imuswing.simulate.shocks import Ring
from imuswing.simulate.truth import Mark, Moments, true_swing, truth_table
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, LEAD_SIDES, LeadSide

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is true of a simulated recording.

    swings: one row a swing, the columns of a table of swings (times on the first tracking system's clock).
    body: the moving body; its time is `start` s ahead of the first tracking system's clock.
    setups: every sensor's true mount, clock and errors.  marks, moments: each swing on the body's time.
    others: movements that are no swings: what, from when, until when (s, body's time).
    """

    swings: pd.DataFrame
    body: Body
    start: float
    setups: dict[str, SensorSetup]
    marks: tuple[Mark, ...]
    moments: tuple[Moments, ...]
    others: tuple[tuple[str, float, float], ...]


WORN = (CHEST, LEAD_FOREARM, LEAD_HAND)
FIRST_START_S = 1.0
"""When the first tracking system starts, s of the body's time."""


def simulate_recording(
    *,
    seed: int,
    task: str = "chip",
    shots: int = 6,
    rate: float = 200.0,
    lead_side: LeadSide = "left",
    preset: str = "ideal",
    errors: ErrorSizes | None = None,
    points: tuple[str, ...] = WORN,
    participant: str = "S001",
) -> tuple[Recording, Truth]:
    """A recording of one simulated golfer and its truth, the same for the same arguments.

    preset: `ideal`, `realistic` or `hard`; errors: sizes of all errors instead of a preset's.
    points: the tracked points that are worn.
    """
    require_one_of("lead_side", lead_side, LEAD_SIDES)
    sizes = errors if errors is not None else errors_of(preset)
    streams = np.random.SeedSequence([seed, 1])
    habits, playing, strapping, *noise = (np.random.default_rng(s) for s in streams.spawn(3 + 6))
    golfer = draw_golfer(habits, lead_side)
    score = write_lesson(golfer, task_of(task), shots=shots, sizes=sizes, rng=playing)
    body = Body(motion=score.timeline.finish(), anatomy=golfer.anatomy, lead_side=lead_side)
    setups = {
        point: _setup(point, score.marks, golfer.anatomy.sensors[point], rate, sizes, strapping) for point in points
    }
    until = score.timeline.now - 1.0
    sensors = {
        point: record(body, setup, until=until, rng=rng)
        for (point, setup), rng in zip(setups.items(), noise, strict=False)
    }
    recording = Recording(
        participant=participant,
        lead_side=lead_side,
        session="01",
        task=task,
        sensors=sensors,
        events=tuple(_shifted(event, FIRST_START_S) for event in score.events),
    )
    return recording, _truth(body, setups, score.marks, score.others, recording)


def _shifted(event: Event, start: float) -> Event:
    return replace(event, onset=max(round(event.onset - start, 3), 0.0), duration=round(event.duration, 3))


def _setup(
    point: str, marks: list[Mark], offset: np.ndarray, rate: float, sizes: ErrorSizes, rng: np.random.Generator
) -> SensorSetup:
    mount = normalise(rng.standard_normal(4)) if sizes.mount_turned else np.array([1.0, 0.0, 0.0, 0.0])
    gain = {CHEST: 0.08, LEAD_FOREARM: 0.5, LEAD_HAND: 1.0}.get(point, 0.3)
    rings = []
    for mark in marks:
        direction = rng.standard_normal(3)
        if mark.kind == "shot":
            rings.append(
                Ring(time=mark.impact, frequency=80.0, decay_s=0.015, acc=80.0 * gain * direction / np.linalg.norm(direction),
                     gyr=np.radians(100.0) * gain * rng.standard_normal(3))
            )  # fmt: skip
    bandwidth = np.sqrt(0.5 * rate)
    flaws = Flaws(
        gyr_bias=np.radians(sizes.gyro_bias_dps) * rng.standard_normal(3),
        acc_bias=sizes.acc_bias * rng.standard_normal(3),
        gyr_noise=float(np.radians(sizes.gyro_noise) * bandwidth),
        acc_noise=float(sizes.acc_noise * bandwidth),
    )
    return SensorSetup(
        point=point,
        strap=Strap(q_segment_from_sensor=mount, offset=offset),
        clock=Clock(name="imu", rate=rate, start=FIRST_START_S),
        meaning="instant",
        flaws=flaws,
        rings=tuple(rings) if sizes.shock else (),
    )


def _truth(
    body: Body,
    setups: dict[str, SensorSetup],
    marks: list[Mark],
    others: list[tuple[str, float, float]],
    recording: Recording,
) -> Truth:
    rows, moments = [], []
    for number, mark in enumerate(marks, start=1):
        when, row = true_swing(body, mark)
        row |= {name: getattr(recording, name) for name in ("participant", "session", "task", "acq", "run")}
        row["swing"] = number
        for name in ("takeaway", "top", "impact", "finish"):
            row[f"{name}_s"] = getattr(when, name) - FIRST_START_S
        rows.append(row)
        moments.append(when)
    return Truth(
        swings=truth_table(rows),
        body=body,
        start=FIRST_START_S,
        setups=setups,
        marks=tuple(marks),
        moments=tuple(moments),
        others=tuple(others),
    )
