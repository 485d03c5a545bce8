"""One simulated recording in memory, with its truth: the entry for tests and for the bench."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.errors import require_one_of
from imuswing.recording.model import Recording
from imuswing.simulate.golfer import Golfer, draw_golfer, task_of
from imuswing.simulate.kinematics import Body
from imuswing.simulate.kit import FIRST_START_S, Kit, draw_kit, set_up
from imuswing.simulate.measured import Moments
from imuswing.simulate.presets import ErrorSizes, errors_of
from imuswing.simulate.score import Score
from imuswing.simulate.sensors import SensorSetup, record
from imuswing.simulate.session import write_lesson
from imuswing.simulate.truth import Mark, true_swing, truth_table
from imuswing.vocabulary import (
    CHEST,
    CLUB,
    LEAD_FOREARM,
    LEAD_HAND,
    LEAD_SIDES,
    TRACKED_POINTS,
    LeadSide,
    SampleMeaning,
)

if TYPE_CHECKING:
    import pandas as pd

WORN: Final = (CHEST, LEAD_FOREARM, LEAD_HAND)
STOP_BEFORE_END_S: Final = 0.5


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is true of a simulated recording.

    swings: one row a swing, the columns of a table of swings (times on the first tracking system's clock).
    body: the moving body; its time is `start` s ahead of the first tracking system's clock.
    setups: every sensor's true mount, soft tissue, clock and errors.  score: all that was played, on the body's time.
    marks, moments: each swing, on the body's time.
    """

    swings: pd.DataFrame
    body: Body
    start: float
    setups: dict[str, SensorSetup]
    score: Score
    marks: tuple[Mark, ...]
    moments: tuple[Moments, ...]


@dataclass(frozen=True, kw_only=True)
class Visit:
    """One golfer with the sensors of one visit; recordings are made from it by `play`."""

    seed: int
    index: int
    participant: str
    session: str
    golfer: Golfer
    kit: Kit


def stream(seed: int, index: int, purpose: int, number: int = 0) -> np.random.Generator:
    """Random numbers of one purpose for one golfer: they depend on nothing else that is drawn."""
    return np.random.default_rng([seed, index, purpose, number])


def draw_visit(
    *,
    seed: int,
    index: int,
    lead_side: LeadSide,
    rate: float,
    sizes: ErrorSizes,
    points: tuple[str, ...] = WORN,
    meaning: SampleMeaning | None = None,
) -> Visit:
    """Golfer number `index` (0, 1, …) of the seed, with sensors on the given points at about `rate` Hz."""
    require_one_of("lead_side", lead_side, LEAD_SIDES)
    for point in points:
        require_one_of("points", point, TRACKED_POINTS)
    return Visit(
        seed=seed,
        index=index,
        participant=f"S{index + 1:03d}",
        session="01",
        golfer=draw_golfer(stream(seed, index, 1), lead_side),
        kit=draw_kit(sizes, stream(seed, index, 2), points=points, rate=rate, meaning=meaning),
    )


def play(
    visit: Visit, *, task: str, shots: int, number: int = 0, routine: bool = True, acq: str | None = None
) -> tuple[Recording, Truth]:
    """Recording `number` of a visit, and its truth."""
    golfer, kit = visit.golfer, visit.kit
    score = write_lesson(
        golfer,
        task_of(task) if shots else None,
        shots=shots,
        sizes=kit.sizes,
        rng=stream(visit.seed, visit.index, 3, number),
        routine=routine,
        club=any(worn.point == CLUB for worn in kit.worn),
    )
    body = Body(motion=score.timeline.finish(), anatomy=golfer.anatomy, lead_side=golfer.lead_side)
    setups = set_up(kit, body, golfer.anatomy, score, stream(visit.seed, visit.index, 4, number))
    until = score.timeline.now - STOP_BEFORE_END_S
    sensors = {}
    by_clock: dict[str, np.random.SeedSequence] = {}
    for place, point in enumerate(TRACKED_POINTS):
        if point in setups:
            name = setups[point].clock.name
            times = by_clock.setdefault(
                name, np.random.SeedSequence([visit.seed, visit.index, 6, number, len(by_clock)])
            )
            noise = stream(visit.seed, visit.index, 5, 100 * number + place)
            sensors[point] = record(body, setups[point], until=until, rng=noise, clock_rng=np.random.default_rng(times))
    recording = Recording(
        participant=visit.participant,
        lead_side=golfer.lead_side,
        session=visit.session,
        task=task,
        acq=acq,
        sensors=sensors,
        events=tuple(
            replace(
                event,
                onset=max(round(float(event.onset) - FIRST_START_S, 3), 0.0),
                duration=round(float(event.duration), 3),
            )
            for event in score.events
        ),
        start_hints=_hints(kit),
    )
    return recording, _truth(body, setups, score, recording)


def _hints(kit: Kit) -> dict[str, float]:
    """Starts of the tracking systems after the first one: exact, or as differences of times told to the second."""
    starts = {clock.name: clock.start for clock in kit.clocks.values()}
    first = starts[min(starts)]
    if kit.exact_starts:
        return {name: round(start - first, 6) for name, start in starts.items()}
    return {name: float(np.floor(start) - np.floor(first)) for name, start in starts.items()}


def _truth(body: Body, setups: dict[str, SensorSetup], score: Score, recording: Recording) -> Truth:
    rows, moments = [], []
    for number, mark in enumerate(score.marks, start=1):
        when, row = true_swing(body, mark)
        row |= {name: getattr(recording, name) for name in ("participant", "session", "task", "acq", "run")}
        row["swing"] = number
        row |= {f"{name}_s": getattr(when, name) - FIRST_START_S for name in ("takeaway", "top", "impact", "finish")}
        rows.append(row)
        moments.append(when)
    return Truth(
        swings=truth_table(rows),
        body=body,
        start=FIRST_START_S,
        setups=setups,
        score=score,
        marks=tuple(score.marks),
        moments=tuple(moments),
    )


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
    meaning: SampleMeaning | None = None,
    routine: bool = True,
) -> tuple[Recording, Truth]:
    """A recording of one simulated golfer and its truth, the same for the same arguments.

    preset: `ideal`, `realistic` or `hard`; errors: sizes of all errors instead of a preset's.
    points: the tracked points that are worn.  meaning: of a sample; drawn if None (`instant` for `ideal`).
    """
    sizes = errors if errors is not None else errors_of(preset)
    visit = draw_visit(seed=seed, index=0, lead_side=lead_side, rate=rate, sizes=sizes, points=points, meaning=meaning)
    return play(visit, task=task, shots=shots, routine=routine)
