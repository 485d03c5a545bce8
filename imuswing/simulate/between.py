"""What happens between swings: walking, placing a ball, waggles, false starts, gestures, knocks, taps.

None of these is a swing; each is written down with its times, so that a bench can tell what was taken for one.
Speeds and sizes are assumptions, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import Event
from imuswing.simulate.golfer import Golfer, resting_pose
from imuswing.simulate.score import Score, Shock
from imuswing.simulate.swing import SwingPlan, swing_passage
from imuswing.simulate.timeline import STEP_S, smooth_step
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, TAP

if TYPE_CHECKING:
    from collections.abc import Iterator

KNOCK_SIZE: Final = (15.0, 120.0)
TAP_SIZE: Final = (25.0, 60.0)
STEP_SIZE: Final = (2.0, 5.0)
"""Peaks of what a sensor feels, m/s² (assumptions)."""

STEPS_A_SECOND: Final = 1.8
"""Steps of walking a second (from memory)."""


def _envelope(count: int, ramp_s: float) -> FloatArray:
    """1 within, smoothly 0 at both ends."""
    ramp = max(min(round(ramp_s / STEP_S), count // 2), 1)
    time = np.arange(count)
    return smooth_step(time / ramp) * smooth_step((count - 1 - time) / ramp)


def stand_around(score: Score, golfer: Golfer, rng: np.random.Generator, *, duration: float) -> None:
    """Stand at ease with the club for about `duration` s."""
    pose = resting_pose(golfer)
    score.timeline.move(pose | {"pronation": pose["pronation"] + rng.normal(0.0, 0.1)}, min(1.2, max(duration, 0.6)))
    score.timeline.hold(max(duration - 1.2, 0.0))


def gesture(score: Score, golfer: Golfer, rng: np.random.Generator, *, count: int) -> None:
    """Stand and chat: the arm goes from one place to another, the chest turns a little."""
    start, rest = score.timeline.now, resting_pose(golfer)
    for _ in range(count):
        pose = rest | {
            "chest_turn": np.radians(rng.normal(0.0, 10.0)),
            "chest_bend": np.radians(rng.uniform(0.0, 10.0)),
            "shoulder_flexion": np.radians(rng.uniform(0.0, 70.0)),
            "shoulder_across": np.radians(rng.uniform(-30.0, 30.0)),
            "elbow_bend": np.radians(rng.uniform(15.0, 110.0)),
            "pronation": np.radians(rng.uniform(0.0, 80.0)),
            "wrist_flexion": np.radians(rng.uniform(-35.0, 25.0)),
            "wrist_ulnar": np.radians(rng.uniform(-15.0, 20.0)),
        }
        score.timeline.move(pose, float(rng.uniform(0.6, 1.3)))
        score.timeline.hold(float(rng.uniform(0.0, 0.6)))
    score.timeline.move(rest, 1.0)
    score.others.append(("gesture", start, score.timeline.now))


def walk(score: Score, golfer: Golfer, rng: np.random.Generator, *, duration: float) -> None:
    """Turn, walk, turn back to the target: steps bounce the body, pelvis and chest counter-turn, the arm swings."""
    line = score.timeline
    start = line.now
    heading = line.pose["heading"]
    away = heading + float(rng.uniform(-1.5, 1.5))
    line.move(resting_pose(golfer) | {"heading": away}, 1.0)
    walking = line.now
    count = round(duration / STEP_S)
    time, envelope = np.arange(count) * STEP_S, _envelope(count, 0.8)
    pace = STEPS_A_SECOND * rng.normal(1.0, 0.05)
    step, stride = 2.0 * np.pi * pace * time, np.pi * pace * time
    distance = 0.7 * pace * np.cumsum(envelope) * STEP_S
    pose = line.pose
    bounce = 0.018 * np.cos(step) + 0.006 * np.cos(2.0 * step + 0.8) + 0.002 * np.cos(3.0 * step)
    line.passage(
        {
            "forward": pose["forward"] + np.cos(away) * distance,
            "right": pose["right"] - np.sin(away) * distance + 0.015 * envelope * np.sin(stride),
            "up": pose["up"] + envelope * bounce,
            "pelvis_turn": pose["pelvis_turn"] + np.radians(5.0) * envelope * np.sin(stride),
            "chest_turn": pose["chest_turn"] - np.radians(4.0) * envelope * np.sin(stride),
            "chest_side": pose["chest_side"] + np.radians(1.5) * envelope * np.sin(stride + 0.5),
            "chest_bend": pose["chest_bend"] + np.radians(1.0) * envelope * np.sin(step),
            "shoulder_flexion": pose["shoulder_flexion"] - np.radians(14.0) * envelope * np.sin(stride),
            "elbow_bend": pose["elbow_bend"] + np.radians(8.0) * envelope * (1.0 - np.sin(stride)),
        }
    )
    line.move(resting_pose(golfer) | {"heading": heading + float(np.radians(rng.normal(0.0, 2.0)))}, 1.0)
    for number in range(int(duration * pace)):
        when = walking + (number + 0.1) / pace
        size, frequency = float(rng.uniform(*STEP_SIZE)), float(rng.uniform(15.0, 25.0))
        score.shocks.append(Shock(time=when, size=size, frequency=frequency, decay_s=0.03, at="foot"))
    score.others.append(("walk", start, line.now))


def place_ball(score: Score, golfer: Golfer, rng: np.random.Generator) -> None:
    """Bend down, put a ball on the grass, come up again."""
    line, start = score.timeline, score.timeline.now
    rest = resting_pose(golfer)
    down = rest | {
        "up": rest["up"] - 0.25,
        "pelvis_bend": np.radians(55.0),
        "chest_bend": np.radians(rng.normal(75.0, 6.0)),
        "chest_side": np.radians(rng.normal(0.0, 6.0)),
        "chest_turn": np.radians(rng.normal(5.0, 8.0)),
        "shoulder_flexion": np.radians(rng.normal(70.0, 10.0)),
        "elbow_bend": np.radians(rng.uniform(5.0, 40.0)),
    }
    line.move(down, float(rng.uniform(0.9, 1.4)))
    line.hold(float(rng.uniform(0.2, 0.9)))
    line.move(rest, float(rng.uniform(0.9, 1.4)))
    score.others.append(("place_ball", start, line.now))


def waggle(score: Score, rng: np.random.Generator, address: dict[str, float], *, count: int) -> None:
    """From the address pose, let the wrists and arms swing to and fro a little, and come back."""
    line, start = score.timeline, score.timeline.now
    samples = round(float(rng.uniform(0.6, 1.0)) * count / STEP_S)
    phase = np.linspace(0.0, 2.0 * np.pi * count, samples)
    swing = _envelope(samples, 0.25) * 0.5 * (1.0 - np.cos(phase))
    pose = address
    cock, arm = np.radians(rng.uniform(8.0, 22.0)), np.radians(rng.uniform(2.0, 9.0))
    line.passage(
        {
            "wrist_ulnar": pose["wrist_ulnar"] - cock * swing,
            "wrist_flexion": pose["wrist_flexion"] - 0.4 * cock * swing,
            "shoulder_across": pose["shoulder_across"] + arm * swing,
            "chest_turn": pose["chest_turn"] - 0.3 * arm * swing,
        }
    )
    line.move(address, 0.3)
    score.others.append(("waggle", start, line.now))


def false_start(score: Score, rng: np.random.Generator, plan: SwingPlan) -> None:
    """Begin a backswing, stop part-way and come back slowly to address."""
    line, start = score.timeline, score.timeline.now
    whole = swing_passage(plan)
    backswing = round(plan.backswing_s / STEP_S)
    extent = rng.uniform(0.25, 0.6)
    samples = round(backswing * rng.uniform(0.7, 1.0))
    there = np.arange(1, samples + 1) / samples
    back = np.arange(1, round(1.3 * samples) + 1) / round(1.3 * samples)
    share = extent * np.concatenate((smooth_step(there), 1.0 - smooth_step(back)))
    place = share * (backswing - 1)
    whole["right"] = whole["right"] + line.pose["right"]
    line.passage({name: np.interp(place, np.arange(backswing), values[:backswing]) for name, values in whole.items()})
    score.others.append(("false_start", start, line.now))


def knock(score: Score, rng: np.random.Generator) -> None:
    """Something hits one sensor while the golfer stands."""
    point = str(rng.choice([CHEST, LEAD_FOREARM, LEAD_HAND]))
    time = score.timeline.now + float(rng.uniform(0.1, 0.5))
    score.shocks.append(
        Shock(
            time=time,
            size=float(rng.uniform(*KNOCK_SIZE)),
            frequency=float(rng.uniform(50.0, 100.0)),
            decay_s=0.015,
            at=point,
        )
    )
    score.timeline.hold(0.8)
    score.others.append(("knock", time, time + 0.2))


def tap(score: Score, golfer: Golfer, rng: np.random.Generator, *, note_error_s: float) -> None:
    """The lead hand knocks three times on the chest sensor: all sensors feel the same knocks."""
    line, start = score.timeline, score.timeline.now
    rest = resting_pose(golfer)
    line.move(
        rest
        | {
            "shoulder_flexion": np.radians(35.0),
            "shoulder_across": np.radians(25.0),
            "elbow_bend": np.radians(125.0),
            "pronation": np.radians(70.0),
        },
        1.0,
    )
    line.hold(0.4)
    first = line.now
    for time in _taps(first, rng):
        score.shocks.append(
            Shock(
                time=time,
                size=float(rng.uniform(*TAP_SIZE)),
                frequency=float(rng.uniform(60.0, 100.0)),
                decay_s=0.012,
                at="all",
            )
        )
        last = time
    line.hold(last - first + 0.6)
    onset = first + note_error_s * float(np.clip(rng.normal(), -2.0, 2.0))
    score.events.append(Event(onset=max(onset, 0.0), duration=round(last - first, 1) + 0.5, trial_type=TAP))
    line.move(rest, 1.0)
    score.others.append(("tap", start, line.now))


def _taps(first: float, rng: np.random.Generator) -> Iterator[float]:
    time = first + 0.2
    for _ in range(3):
        yield time
        time += float(rng.uniform(0.4, 0.8))
