"""A lesson as a score of movements: the calibration routine, then shots in blocks with all that happens between them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from imuswing.recording.model import Event
from imuswing.simulate.golfer import Golfer, Task, address_pose, draw_plan
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.swing import swing_passage
from imuswing.simulate.timeline import Timeline
from imuswing.simulate.truth import Mark
from imuswing.vocabulary import BLOCK, KIND_PRACTICE, KIND_SHOT, SHOT


@dataclass(kw_only=True)
class Score:
    """A lesson while it is written: timeline, marks of swings, and events, all s on the timeline."""

    timeline: Timeline
    marks: list[Mark] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    others: list[tuple[str, float, float]] = field(default_factory=list)


def resting_pose(golfer: Golfer) -> dict[str, float]:
    """Standing upright with the club in the hand."""
    pose = address_pose(golfer)
    return pose | {
        "pelvis_bend": np.radians(4.0),
        "chest_bend": np.radians(3.0),
        "chest_side": 0.0,
        "shoulder_flexion": np.radians(12.0),
        "shoulder_across": np.radians(-8.0),
        "shoulder_roll": np.radians(20.0),
        "elbow_bend": np.radians(25.0),
        "up": 0.96,
    }


def play_swing(
    score: Score,
    golfer: Golfer,
    task: Task,
    rng: np.random.Generator,
    *,
    practice: bool,
    block: str | None,
    change: float = 0.0,
) -> None:
    """Address, a still moment, the swing and a held finish."""
    line = score.timeline
    line.move(address_pose(golfer), 1.2)
    still = line.now + 0.2
    line.hold(float(rng.uniform(0.9, 1.8)))
    start = line.now
    plan = draw_plan(golfer, task, rng, effort=0.85 if practice else 1.0, change=change)
    line.passage(swing_passage(plan))
    line.hold(golfer.holds_finish_s)
    score.marks.append(
        Mark(
            still=still,
            start=start,
            impact=start + plan.impact_s,
            end=line.now,
            kind=KIND_PRACTICE if practice else KIND_SHOT,
            block=block,
        )
    )
    if not practice:
        noted = start + plan.impact_s + float(rng.uniform(1.0, 4.0))
        score.events.append(Event(onset=noted, duration=0.0, trial_type=SHOT, outcome="pure"))
    line.move(resting_pose(golfer), 1.5)


def write_lesson(golfer: Golfer, task: Task, *, shots: int, sizes: ErrorSizes, rng: np.random.Generator) -> Score:
    """The whole lesson."""
    score = Score(timeline=Timeline(resting_pose(golfer)))
    score.timeline.hold(6.0)
    start = score.timeline.now
    for number in range(shots):
        if number % 3 == 0:
            play_swing(score, golfer, task, rng, practice=True, block="baseline")
        play_swing(score, golfer, task, rng, practice=False, block="baseline")
        score.timeline.hold(float(rng.uniform(1.0, 4.0)))
    score.events.append(Event(onset=start, duration=score.timeline.now - start, trial_type=BLOCK, block="baseline"))
    score.timeline.hold(5.0)
    return score
