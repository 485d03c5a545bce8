"""A lesson as a score of movements: the routine, then shots in blocks with all that happens between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import Event
from imuswing.simulate import between
from imuswing.simulate.anatomy import COORDINATES
from imuswing.simulate.golfer import Golfer, Task, address_pose, resting_pose
from imuswing.simulate.plan import draw_plan
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.routine import draw_care, play_routine
from imuswing.simulate.score import Score, Shock
from imuswing.simulate.swing import swing_passage
from imuswing.simulate.timeline import STEP_S, Timeline
from imuswing.simulate.truth import Mark
from imuswing.vocabulary import BLOCK, KIND_PRACTICE, KIND_SHOT, SHOT

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
    brushes: float = 0.5
    still_s: tuple[float, float] = (0.7, 2.0)


HABITS: Final = Habits()


def write_lesson(
    golfer: Golfer,
    task: Task,
    *,
    shots: int,
    sizes: ErrorSizes,
    rng: np.random.Generator,
    routine: bool = True,
    club: bool = False,
) -> Score:
    """The whole lesson of one recording, sway and tremor included."""
    score = Score(timeline=Timeline(dict.fromkeys(COORDINATES, 0.0) | resting_pose(golfer)))
    line = score.timeline
    line.hold(LEAD_IN_S)
    between.tap(score, golfer, rng, note_error_s=sizes.tap_note_s)
    care = draw_care(sizes, rng)
    if routine:
        play_routine(score, golfer, care, rng, club=club)
    for (name, intent, change), count in zip(BLOCKS, _share(shots), strict=True):
        if count == 0:
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
    _sway(score, sizes, rng)
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
        if rng.random() < HABITS.brushes and sizes.shock:
            size = float(rng.uniform(0.5, 4.0)) * golfer.strength
            score.shocks.append(Shock(time=impact, size=size, frequency=float(rng.uniform(20.0, 40.0)), decay_s=0.03))
        score.marks.append(mark)
    else:
        score.marks.append(_struck(score, golfer, task, rng, mark, sizes))
    line.move(resting_pose(golfer) | {"right": right}, float(rng.uniform(1.1, 1.8)))


def _struck(score: Score, golfer: Golfer, task: Task, rng: np.random.Generator, mark: Mark, sizes: ErrorSizes) -> Mark:
    """The shock and the coach's note of a shot."""
    from dataclasses import replace

    outcome = str(
        rng.choice(["pure", "thin", "fat", "toe", "heel", "push", "pull"], p=[0.45, 0.15, 0.12, 0.08, 0.08, 0.06, 0.06])
    )
    size = task.shock * golfer.strength * float(rng.lognormal(0.0, 0.45)) * sizes.shock
    soft = rng.random() < 0.1
    size *= 0.15 if soft else 1.0
    frequency = float(rng.uniform(60.0, 120.0)) * (1.2 if outcome == "thin" else 1.0)
    early = float(rng.uniform(0.006, 0.025))
    if sizes.shock:
        if outcome == "fat":
            ground = size * float(rng.uniform(0.6, 1.2))
            score.shocks.append(
                Shock(time=mark.impact - early, size=ground, frequency=float(rng.uniform(25.0, 50.0)), decay_s=0.025)
            )
            size *= 0.4
        score.shocks.append(
            Shock(time=mark.impact, size=size, frequency=frequency, decay_s=float(rng.uniform(0.010, 0.020)))
        )
    told = outcome if rng.random() < 0.7 else None
    noted = mark.impact + float(rng.uniform(1.0, 4.0))
    score.events.append(Event(onset=noted, duration=0.0, trial_type=SHOT, outcome=told))
    return replace(mark, outcome=told, peak_shock=size)  # fmt: skip


SWAY: Final[dict[str, tuple[float, float, float]]] = {
    "forward": (0.002, 0.0, 0.0),
    "right": (0.002, 0.0, 0.0),
    "up": (0.0005, 0.0005, 0.0),
    "heading": (0.15, 0.0, 0.0),
    "pelvis_bend": (0.15, 0.05, 0.0),
    "pelvis_side": (0.10, 0.0, 0.0),
    "pelvis_turn": (0.15, 0.0, 0.0),
    "chest_bend": (0.15, 0.25, 0.0),
    "chest_side": (0.12, 0.0, 0.0),
    "chest_turn": (0.20, 0.0, 0.0),
    "shoulder_flexion": (0.20, 0.10, 0.008),
    "shoulder_across": (0.20, 0.05, 0.008),
    "shoulder_roll": (0.20, 0.0, 0.01),
    "elbow_bend": (0.15, 0.0, 0.01),
    "pronation": (0.25, 0.0, 0.015),
    "wrist_flexion": (0.25, 0.0, 0.02),
    "wrist_ulnar": (0.20, 0.0, 0.02),
}
"""Sway (0.1–0.8 Hz), breathing (0.25 Hz) and tremor (8–11 Hz) of a careful person: standard deviations, ° or m
(assumptions)."""


def _band(count: int, low: float, high: float, rng: np.random.Generator) -> FloatArray:
    """Noise (count,) of unit variance between two frequencies, Hz, without sharp band edges."""
    frequency = np.fft.rfftfreq(count, STEP_S)
    middle, width = np.sqrt(low * high), np.log(high / low) / 2.0
    with np.errstate(divide="ignore"):
        shape = np.exp(-0.5 * (np.log(frequency / middle) / width) ** 2)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * shape, count)
    return np.asarray(noise / np.std(noise))


def _sway(score: Score, sizes: ErrorSizes, rng: np.random.Generator) -> None:
    """Add sway, breathing and tremor to the whole lesson."""
    count = round(score.timeline.now / STEP_S)
    padded = 1 << int(np.ceil(np.log2(count)))
    breath = _band(padded, 0.22, 0.30, rng)[:count]
    for name, (slow, breathing, tremor) in SWAY.items():
        unit = 1.0 if name in ("forward", "right", "up") else np.radians(1.0)
        values = slow * _band(padded, 0.1, 0.8, rng)[:count] + breathing * breath
        if tremor:
            values = values + tremor * _band(padded, 8.0, 11.0, rng)[:count]
        score.timeline.add_layer(name, 0.0, sizes.stillness * unit * values)
