"""A lesson as a score of movements: the routine, then shots in blocks with all that happens between them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

import numpy as np

from imuswing.recording.model import Event
from imuswing.simulate import between
from imuswing.simulate.anatomy import COORDINATES
from imuswing.simulate.golfer import Golfer, Task, address_pose, resting_pose
from imuswing.simulate.plan import draw_plan
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.routine import draw_care, play_routine
from imuswing.simulate.score import Score
from imuswing.simulate.strike import brush, strike
from imuswing.simulate.sway import add_sway
from imuswing.simulate.swing import swing_passage
from imuswing.simulate.timeline import Timeline
from imuswing.simulate.truth import Mark
from imuswing.vocabulary import BLOCK, KIND_PRACTICE, KIND_SHOT

BLOCKS: Final = (("baseline", None, 0.0), ("drill", "chest keeps turning", 0.25), ("transfer", None, 0.15))
"""Name, intent, and how far the block moves the golfer's continuity (an assumption)."""

LEAD_IN_S, LEAD_OUT_S = 6.0, 5.0
"""Stillness before and after, so that every sensor starts late and stops early enough, s."""


@dataclass(frozen=True, kw_only=True)
class Habits:
    """Shares and spreads of what happens around shots (assumptions, no source)."""

    practice: float = 0.35
    place_ball: float = 0.65
    walk: float = 0.35
    gesture: float = 0.4
    waggles: float = 0.6
    false_start: float = 0.08
    quick: float = 0.15
    knock: float = 0.05
    still_s: tuple[float, float] = (0.7, 2.0)


HABITS: Final = Habits()


def write_lesson(
    golfer: Golfer,
    task: Task | None,
    *,
    shots: int,
    sizes: ErrorSizes,
    rng: np.random.Generator,
    routine: bool = True,
    club: bool = False,
) -> Score:
    """The whole lesson of one recording, sway and tremor included; without shots it needs no task."""
    score = Score(timeline=Timeline(dict.fromkeys(COORDINATES, 0.0) | resting_pose(golfer)))
    line = score.timeline
    line.hold(LEAD_IN_S)
    between.tap(score, golfer, rng, note_error_s=sizes.tap_note_s)
    care = draw_care(sizes, rng)
    if routine:
        score.care = asdict(care)
        play_routine(score, golfer, care, rng, club=club)
    for (name, intent, change), count in zip(BLOCKS, _share(shots), strict=True):
        if count == 0 or task is None:
            continue
        between.stand_around(score, golfer, rng, duration=2.0)
        start, first = line.now, len(score.marks)
        for _ in range(count):
            _one_shot(score, golfer, task, rng, sizes=sizes, block=(name, intent, change))
        end = max(line.now, score.events[-1].onset + 0.5) if len(score.marks) > first else line.now
        between.stand_around(score, golfer, rng, duration=4.0)
        score.events.append(Event(onset=start, duration=end - start, trial_type=BLOCK, block=name, intent=intent))
    between.tap(score, golfer, rng, note_error_s=sizes.tap_note_s)
    line.hold(LEAD_OUT_S)
    add_sway(score, rng, factor=sizes.stillness)
    return score


def _share(shots: int) -> tuple[int, int, int]:
    """Shots of the three blocks: baseline gets the most."""
    drill, transfer = shots // 3, shots // 3 if shots >= 6 else 0
    drill = drill if shots >= 3 else 0
    return shots - drill - transfer, drill, transfer


def _one_shot(
    score: Score,
    golfer: Golfer,
    task: Task,
    rng: np.random.Generator,
    *,
    sizes: ErrorSizes,
    block: tuple[str, str | None, float],
) -> None:
    """A shot with what comes before and after it."""
    chance = rng.random(8)
    if chance[0] > HABITS.quick:
        if chance[1] < HABITS.walk:
            between.walk(score, golfer, rng, duration=float(rng.uniform(2.0, 6.0)))
        if chance[2] < HABITS.gesture:
            between.gesture(score, golfer, rng, count=int(rng.integers(1, 5)))
        if chance[3] < HABITS.place_ball:
            between.place_ball(score, golfer, rng)
        if chance[4] < HABITS.knock:
            between.knock(score, rng)
        if chance[5] < HABITS.practice:
            _swing(score, golfer, task, rng, sizes=sizes, block=block, practice=True, waggles=False)
    false_start = bool(chance[6] < HABITS.false_start)
    waggles = bool(chance[7] < HABITS.waggles)
    _swing(score, golfer, task, rng, sizes=sizes, block=block, practice=False, waggles=waggles, false_start=false_start)


def _swing(
    score: Score,
    golfer: Golfer,
    task: Task,
    rng: np.random.Generator,
    *,
    sizes: ErrorSizes,
    block: tuple[str, str | None, float],
    practice: bool,
    waggles: bool,
    false_start: bool = False,
) -> None:
    """Address, a still moment, the swing, the finish, and back to standing."""
    line = score.timeline
    name, intent, change = block
    pose = address_pose(golfer, rng)
    plan = draw_plan(golfer, task, pose, rng, practice=practice, change=change)
    line.move(pose, float(rng.uniform(0.9, 1.4)))
    if false_start:
        line.hold(0.8)
        between.false_start(score, rng, plan)
    if waggles and golfer.waggles:
        line.hold(0.3)
        between.waggle(score, rng, pose, count=golfer.waggles)
    still = line.now + 0.15
    line.hold(float(rng.uniform(*HABITS.still_s)))
    start = line.now
    right = line.pose["right"]
    passage = swing_passage(plan)
    passage["right"] = passage["right"] + right  # planned from where the golfer stands
    line.passage(passage)
    line.hold(golfer.holds_finish_s)
    impact = start + plan.impact_s
    mark = Mark(
        still=still,
        start=start,
        impact=impact,
        end=line.now,
        kind=KIND_PRACTICE if practice else KIND_SHOT,
        block=name,
        intent=intent,
    )
    if practice:
        brush(score, golfer, rng, mark, sizes)
    else:
        mark = strike(score, golfer, task, rng, mark, sizes)
    score.marks.append(mark)
    line.move(resting_pose(golfer) | {"right": right}, float(rng.uniform(1.1, 1.8)))
