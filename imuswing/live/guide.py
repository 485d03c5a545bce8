"""What the sensors see just now: how lively each is, whether samples are lost, and how a step of the routine goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from imuswing.body.steps import read_still, read_turning
from imuswing.errors import RecordingError
from imuswing.live.buffer import Tail
from imuswing.live.learn import recording_of
from imuswing.live.messages import Level, Levels, Message, Notice, SensorState, Sign, Step
from imuswing.live.model import TIME_COLUMN, SensorHead, SystemHead
from imuswing.live.settings import LiveSettings
from imuswing.live.state import State
from imuswing.live.steady import SILENT_S, Steady
from imuswing.recording.model import Event, FloatArray
from imuswing.sensors.bridge import clip_masks
from imuswing.sensors.clean import LEAST_GYR_RANGE
from imuswing.sensors.motion import Motion
from imuswing.sensors.prepare import prepare
from imuswing.vocabulary import (
    BOW,
    CHEST,
    CLUB,
    CLUB_HANG,
    FOREARM_ROLL,
    LEAD_FOREARM,
    LEAD_HAND,
    STAND,
    TABLE,
    WRIST_BEND,
)

EVERY_S = 0.2
"""Levels are told so often, s."""
SIGN_EVERY_S = 0.5
"""How a step goes is looked at so often, s."""
TRACE_STEP_S = 0.04
"""Spacing of a level's trace, s."""
SHARE_S = 2.0
"""Lost samples are counted over so long, s."""
LOST_FROM, BACK_UNDER = 0.5, 0.1
"""A sensor is `lost` from this share of lost samples on, and back under that (common practice, no source)."""
TOO_FAST_DPS = 300.0
"""Steps that ask for slow movements should stay under this, °/s (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a step asks for. points: the sensors that show it, the first that is worn counts.

    still_s: stillness, s.  halves: half-movements; there and back is two.
    """

    points: tuple[str, ...]
    still_s: float | None = None
    halves: int | None = None


ASKED: Mapping[str, Asked] = {
    STAND: Asked(points=(CHEST, LEAD_FOREARM, LEAD_HAND), still_s=3.0),
    BOW: Asked(points=(CHEST,), halves=6),
    TABLE: Asked(points=(LEAD_FOREARM, LEAD_HAND), still_s=3.0),
    WRIST_BEND: Asked(points=(LEAD_HAND,), halves=10),
    CLUB_HANG: Asked(points=(CLUB,), still_s=3.0),
    FOREARM_ROLL: Asked(points=(LEAD_FOREARM, LEAD_HAND), halves=10),
}
"""As the calibration routine has it: three seconds, three bows, five bends, five rolls."""


def watch_over(state: State, settings: LiveSettings) -> tuple[State, list[Message]]:
    """Levels and, while a step is done, its sign; both only when they are due."""
    messages: list[Message] = []
    # By this computer's clock: the samples' time stands still when no sensor sends any.
    if state.arrived >= state.next_levels:
        state, messages = _levels(state)
    if state.doing is not None and state.now >= state.next_sign:
        messages.append(sign_of(state, settings))
        state = replace(state, next_sign=state.now + SIGN_EVERY_S)
    return state, messages


def _levels(state: State) -> tuple[State, list[Message]]:
    told, notices = [], []
    lost, at_limit = set(state.lost), dict(state.at_limit)
    for name, tail in state.tails.items():
        rows = tail.since((tail.last or 0.0) - SHARE_S)
        for sensor in tail.head.sensors:
            point = sensor.tracked_point
            clock = state.clocks[name]
            level = _level(point, tail, rows, clock, point in lost)
            if clock.silent:
                since = state.began if clock.arrival is None else clock.arrival
                level = replace(level, silent_s=round(state.arrived - (since or 0.0), 1))
            told.append(level)
            if level.state == "lost" and point not in lost:
                lost.add(point)
                notices.append(notice(point, "samples_lost", state.now, "loses most of its samples: look at it."))
            elif level.state == "ok" and point in lost:
                lost.discard(point)
                notices.append(notice(point, "came_back", state.now, "gives its samples again."))
            if state.now - at_limit.get(point, -np.inf) > LIMIT_AGAIN_S and _at_limit(tail.head, sensor, rows):
                at_limit[point] = state.now
                notices.append(notice(point, "at_limit", state.now, "reached the end of its gyroscope's range."))
    levels = Levels(time=round(state.now, 3), sensors=tuple(told))
    state = replace(state, lost=frozenset(lost), at_limit=at_limit, next_levels=state.arrived + EVERY_S)
    return state, [*notices, levels]


LIMIT_AGAIN_S = 60.0
"""A gyroscope that is at its limit in every swing is told of so often only, s (common practice, no source)."""


def _at_limit(head: SystemHead, sensor: SensorHead, rows: FloatArray) -> bool:
    """Whether its gyroscope was at its limit in rows (n, columns): as the offline analysis finds it."""
    first = head.place(sensor.tracked_point)
    averaged = sensor.sample_meaning == "mean"
    gyr = rows[:, first + 3 : first + 6]
    return bool(clip_masks(gyr, limit=sensor.gyr_range, least=LEAST_GYR_RANGE, averaged=averaged)[0].any())


def notice(point: str, kind: str, now: float, text: str) -> Notice:
    """What is said of a sensor at once."""
    name = point.replace("_", " ")
    return Notice(point=point, kind=kind, time=now, text=f"The {name} sensor {text}")  # type: ignore[arg-type]


def _level(point: str, tail: Tail, rows: FloatArray, clock: Steady, was_lost: bool) -> Level:
    if not len(rows):
        return Level(point=point, state="silent" if clock.silent else "waiting")
    first = tail.head.place(point)
    time, gyr = rows[:, TIME_COLUMN], rows[:, first + 3 : first + 6]
    known = np.asarray(np.isfinite(rows[:, first : first + 6]).all(axis=1))
    # A drop-out is told as such: what counts here came after it.
    after = int(np.max(np.flatnonzero(np.diff(time) > SILENT_S), initial=-1)) + 1
    expected = (float(time[-1] - time[after]) * tail.head.rate) + 1.0
    share = float(np.clip(1.0 - known[after:].sum() / expected, 0.0, 1.0))
    state: SensorState = "ok"
    if clock.silent:
        state = "silent"
    elif share > (BACK_UNDER if was_lost else LOST_FROM):
        state = "lost"
    speed = np.degrees(np.linalg.norm(np.nan_to_num(gyr), axis=1))
    newest = speed[time > time[-1] - EVERY_S]
    parts = np.array_split(newest, max(min(round(EVERY_S / TRACE_STEP_S), len(newest)), 1))
    return Level(
        point=point,
        state=state,
        turning_dps=round(float(newest.max()), 1),
        trace_dps=tuple(round(float(part.max()), 1) for part in parts if len(part)),
        rate_hz=round((len(time) - 1) / max(float(time[-1] - time[0]), 1e-9), 1) if len(time) > 1 else None,
        lost_share=round(share, 3),
    )


def sign_of(state: State, settings: LiveSettings) -> Step:
    """How the step goes that is being done, from its start until now, as the calibration will read it."""
    assert state.doing is not None
    step, asked = state.doing, ASKED[state.doing]
    motion = _motion(state, asked, settings)
    if motion is None:
        return Step(step=step, state="doing", needed=asked.halves)
    fast = bool(np.quantile(np.linalg.norm(motion.gyr, axis=1), 0.9) > np.radians(TOO_FAST_DPS))
    if asked.still_s is not None:
        still = read_still(motion, state.doing_since, state.now)
        seconds = 0.0 if still is None else still.end - still.start
        share = min(seconds / asked.still_s, 1.0)
        lately = motion.still[motion.time > state.now - SIGN_EVERY_S]
        sign: Sign = "enough" if share >= 1.0 else "still" if len(lately) and lately.mean() > 0.5 else "moving"
        return Step(step=step, state="doing", sign=sign, share=round(share, 2), seconds=round(seconds, 1))
    assert asked.halves is not None
    turning = read_turning(motion, state.doing_since, state.now)
    halves = 0 if turning is None or turning.sweep < LEAST_SWEEP else turning.repetitions
    share = min(halves / asked.halves, 1.0)
    sign = "too_fast" if fast else "enough" if share >= 1.0 else "turning" if halves else "waiting"
    return Step(step=step, state="doing", sign=sign, share=round(share, 2), repetitions=halves, needed=asked.halves)


def _motion(state: State, asked: Asked, settings: LiveSettings) -> Motion | None:
    """The motion of the sensor that shows a step, from a little before its start."""
    window = recording_of(state.session, state.tails, state.known, since=state.doing_since - 1.0)
    if window is None or state.now - state.doing_since < LEAST_S:
        return None
    worn = [point for point in asked.points if point in window.sensors]
    if not worn:
        return None
    one = replace(window, sensors={worn[0]: window.sensors[worn[0]]})
    try:
        return prepare(one, settings=settings.analysis.sensors, clocks=state.known.clocks).motions[worn[0]]
    except RecordingError:
        return None


LEAST_S = 0.5
"""Before so much of a step has been seen nothing is said about it."""

GOOD_SHARE = 0.6
"""A step of which this share was seen is good enough: marks come late and end early (common practice, no source)."""


def lacking(motions: Mapping[str, Motion], event: Event) -> str | None:
    """Why a step that was marked is to be done again, by what was asked of it: `not_still`, `too_few`; None if not."""
    asked = ASKED[event.trial_type]
    worn = [point for point in asked.points if point in motions]
    if not worn:
        return None
    motion = motions[worn[0]]
    if asked.still_s is not None:
        still = read_still(motion, event.onset, event.end)
        seconds = 0.0 if still is None else still.end - still.start
        return "not_still" if seconds < GOOD_SHARE * asked.still_s else None
    assert asked.halves is not None
    turning = read_turning(motion, event.onset, event.end)
    halves = 0 if turning is None or turning.sweep < LEAST_SWEEP else turning.repetitions
    return "too_few" if halves < GOOD_SHARE * asked.halves else None


LEAST_SWEEP = float(np.radians(10.0))
"""Sway while standing turns less than any half-movement of a step, rad (common practice, no source)."""
