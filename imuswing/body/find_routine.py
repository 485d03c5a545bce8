"""The calibration routine looked for in the data, where nobody marked it.

Repeated movements have signatures that need no axes: turning to and fro about one axis that lies level, evenly, more
often than anything in a lesson does. A trunk that bows comes back to the same upright each time; a hand that bends at
the wrist does so over a quiet forearm; a forearm that rolls takes the hand with it. They then show where gravity must
lie in the two still postures: along the rolling axis while the arms hang, where the palm faces down on the table.
A posture that no movement vouches for is left out, since a wrong step costs more than a missing one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imuswing.body.calibrate import FOUND_IN_DATA
from imuswing.body.routine_settings import DEFAULT_SETTINGS, RoutineSettings, Shape
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray, Event, IntArray
from imuswing.sensors.columns import block_sums, runs
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import BOW, CHEST, FOREARM_ROLL, LEAD_FOREARM, LEAD_HAND, STAND, TABLE, WRIST_BEND

FINDABLE = frozenset({STAND, BOW, TABLE, WRIST_BEND, FOREARM_ROLL})
"""The steps that are looked for."""
RATE = 20.0
"""Hz of the averages that are looked at: the movements are slower than 1 Hz."""
HITCH_S = 0.4
"""A movement that hesitates for less goes on (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Repeated:
    """A movement to and fro. first, last: samples.  axis: (3,) in the sensor, along the first half-movement.

    up: (3,) gravity before it, in the sensor.  count: half-movements.  second: sample at which the second one begins.
    """

    first: int
    second: int
    last: int
    axis: FloatArray
    up: FloatArray
    count: int


@dataclass(frozen=True, kw_only=True)
class _Coarse:
    """Averages of all sensors on one even clock: angular velocity and gravity's direction (N, 3), by tracked point."""

    start: float
    gyr: Mapping[str, FloatArray]
    up: Mapping[str, FloatArray]
    good: Mapping[str, BoolArray]

    @property
    def points(self) -> tuple[str, ...]:
        """What is worn."""
        return tuple(self.gyr)


def find_routine(motions: Mapping[str, Motion], *, settings: RoutineSettings = DEFAULT_SETTINGS) -> tuple[Event, ...]:
    """The steps of the calibration routine that can be told for certain, as events on the common clock, in time order.

    Of steps done twice the one with most repetitions, or the longest, is given.
    """
    worn = {point: motion for point, motion in motions.items() if point in (CHEST, LEAD_FOREARM, LEAD_HAND)}
    if not worn:
        return ()
    coarse = _averages(worn)
    bow = _best(r for r in _repeated(coarse, CHEST, settings.bow, settings) if _is_bow(coarse, r, settings))
    rolls = (_from_the_middle(coarse, r, settings) for r in _repeated(coarse, LEAD_FOREARM, settings.roll, settings))
    roll = _best(r for r in rolls if _is_roll(coarse, r, settings))
    bend = _best(r for r in _repeated(coarse, LEAD_HAND, settings.bend, settings) if _is_bend(coarse, r, settings))
    if roll is not None and bend is not None and not _palm_is_level(coarse, roll, bend, settings):
        bend = None
    table = _table(coarse, roll, bend, settings)
    stand = _stand(coarse, bow, roll, bend, settings)
    if roll is None and table is None and stand is None:
        bend = None  # a hand that waves looks the same, and nothing vouches for the palm
    steps = {BOW: bow, FOREARM_ROLL: roll, WRIST_BEND: bend}
    spans = {name: (found.first, found.last) for name, found in steps.items() if found is not None}
    spans |= {name: span for name, span in ((TABLE, table), (STAND, stand)) if span is not None}
    events = [
        Event(
            onset=float(coarse.start + first / RATE),
            duration=float((last - first) / RATE),
            trial_type=name,
            note=FOUND_IN_DATA,
        )
        for name, (first, last) in spans.items()
    ]
    return tuple(sorted(events, key=lambda event: event.onset))


def _averages(motions: Mapping[str, Motion]) -> _Coarse:
    start = max(motion.time[0] for motion in motions.values())
    end = min(motion.time[-1] for motion in motions.values())
    count = max(int((end - start) * RATE), 0)
    gyr, up, good = {}, {}, {}
    for point, motion in motions.items():
        width = max(round(motion.rate / RATE), 1)
        blocks = len(motion.time) // width
        cut = blocks * width
        rows = np.concatenate((block_sums(motion.gyr, width), block_sums(motion.acc, width)), axis=1) / width
        middle = motion.time[:cut:width] + 0.5 * (width - 1) / motion.rate
        at = start + np.arange(count) / RATE
        columns = np.stack([np.interp(at, middle, rows[:, k]) for k in range(6)], axis=1)
        gyr[point] = columns[:, :3]
        up[point] = columns[:, 3:] / np.maximum(np.linalg.norm(columns[:, 3:], axis=1, keepdims=True), 1e-9)
        bad = motion.unusable[:cut].reshape(blocks, width).any(axis=1)
        good[point] = np.interp(at, middle, bad.astype(np.float64)) == 0.0
    return _Coarse(start=start, gyr=gyr, up=up, good=good)


def _best(found: Iterable[Repeated]) -> Repeated | None:
    return max(found, key=lambda r: r.count, default=None)


# --- Movements to and fro ---------------------------------------------------------------------------------------------


def _repeated(coarse: _Coarse, point: str, shape: Shape, settings: RoutineSettings) -> list[Repeated]:
    """Every stretch in which a sensor turns to and fro about one axis as the shape says."""
    if point not in coarse.points:
        return []
    gyr = np.where(coarse.good[point][:, None], coarse.gyr[point], 0.0)
    chest = coarse.gyr[CHEST] if CHEST in coarse.points and point != CHEST else np.zeros((len(gyr), 3))
    found = []
    for first, last in _alternating(gyr, chest, settings):
        run = _halves(gyr, first, last, shape, settings)
        if run is None:
            continue
        start, second, end, axis, count = run
        up = _unit(coarse.up[point][max(start - round(0.5 * RATE), 0) : start + 1].mean(axis=0))
        over = coarse.up[point][start:end].mean(axis=0)
        if abs(float(axis @ over)) < settings.level:
            found.append(Repeated(first=start, second=second, last=end, axis=axis, up=up, count=count))
    return found


def _alternating(gyr: FloatArray, chest: FloatArray, settings: RoutineSettings) -> list[tuple[int, int]]:
    """Spans (first, last) made of windows whose turning is about one axis, to and fro, while the chest is quiet."""
    width, hop = round(settings.window_s * RATE), round(settings.hop_s * RATE)
    starts = np.arange(0, len(gyr) - width, hop)
    if not len(starts):
        return []
    products = (gyr[:, :, None] * gyr[:, None, :]).reshape(-1, 9)
    power = (_sums(products, starts, width) / width).reshape(-1, 3, 3)
    values, vectors = np.linalg.eigh(power)
    axis = vectors[:, :, -1]
    turned = np.abs(np.sum(_sums(gyr, starts, width) * axis, axis=1))
    # A smooth movement to and fro of rate a·sin has mean |rate| 0.9 times its root mean square.
    passed = 0.9 * np.sqrt(values[:, -1]) * width
    good = (values[:, -1] > settings.share * values.sum(axis=1)) & (values[:, -1] > settings.least_rate**2)
    good &= turned < settings.net * passed
    good &= _sums(np.sum(chest**2, axis=1, keepdims=True), starts, width)[:, 0] / width < settings.chest_quiet**2
    spans = zip(*runs(good), strict=True)
    return [(int(starts[a]), int(starts[b - 1]) + width) for a, b in spans if b - a >= settings.windows]


def _sums(values: FloatArray, starts: IntArray, width: int) -> FloatArray:
    running = np.concatenate((np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)))
    return np.asarray(running[starts + width] - running[starts])


def _halves(
    gyr: FloatArray, first: int, last: int, shape: Shape, settings: RoutineSettings
) -> tuple[int, int, int, FloatArray, int] | None:
    """First sample, that of the second half, last sample, axis and number of half-movements of the longest even run in
    and around a span."""
    core = gyr[first:last]
    axis = np.linalg.eigh(core.T @ core)[1][:, -1]
    margin = round(settings.window_s * RATE / 2)
    offset = max(first - margin, 0)
    around = gyr[offset : last + margin]
    rate = around @ axis
    pieces, sweeps = _pieces(rate, shape, settings)
    if len(pieces) < shape.halves:
        return None
    most = settings.even[1] * float(np.median(np.abs(sweeps)))
    best: list[int] = []
    run: list[int] = []
    for k, (a, b) in enumerate(pieces):
        fits = abs(sweeps[k]) < most and (b - a) / RATE < shape.half_s[1]
        along = float(np.sum(rate[a:b] ** 2)) > settings.share * float(np.sum(around[a:b] ** 2))
        follows = bool(run) and sweeps[k] * sweeps[run[-1]] < 0.0 and a - pieces[run[-1]][1] < shape.pause_s * RATE
        run = [] if not (fits and along) else [*run, k] if follows else [k]
        best = run if len(run) > len(best) else best
    if len(best) < shape.halves:
        return None
    durations = np.array([(pieces[k][1] - pieces[k][0]) / RATE for k in best])
    size = float(np.median(np.abs(sweeps[best])))
    if not (shape.sweep[0] < size < shape.sweep[1] and shape.half_s[0] < float(np.median(durations))):
        return None
    start, second, end = (offset + at for at in (pieces[best[0]][0], pieces[best[1]][0], pieces[best[-1]][1]))
    return start, second, end, axis * np.sign(sweeps[best[0]]), len(best)


def _pieces(rate: FloatArray, shape: Shape, settings: RoutineSettings) -> tuple[list[tuple[int, int]], FloatArray]:
    """Stretches (first, last) that turn one way, without little hitches, and how far each turns, rad."""
    level = 0.15 * float(np.quantile(np.abs(rate), 0.95))
    sign = np.where(rate > level, 1, np.where(rate < -level, -1, 0))
    edges = np.flatnonzero(np.diff(sign, prepend=0, append=0))
    pieces = [(int(a), int(b)) for a, b in itertools.pairwise(edges) if sign[a] != 0]
    sizes = np.array([abs(rate[a:b].sum()) for a, b in pieces])
    if not len(sizes):
        return [], np.zeros(0)
    typical = float(np.median(np.sort(sizes)[-shape.halves :]))
    whole: list[tuple[int, int]] = []
    for (a, b), size in zip(pieces, sizes, strict=True):
        if size < settings.even[0] * typical:
            continue
        if whole and sign[a] == sign[whole[-1][0]] and (a - whole[-1][1]) / RATE < HITCH_S:
            whole[-1] = (whole[-1][0], b)
        else:
            whole.append((a, b))
    return whole, np.array([rate[a:b].sum() / RATE for a, b in whole])


def _is_bow(coarse: _Coarse, found: Repeated, settings: RoutineSettings) -> bool:
    """Whether a trunk that turns to and fro leaves one posture and comes back to it, always to the same side."""
    up = coarse.up[CHEST][found.first : found.last]
    across = np.cross(found.axis, found.up)
    # Bending about the axis takes gravity's direction the other way in the sensor.
    bend = np.arctan2(-(up @ across), up @ found.up)
    deepest = float(np.quantile(bend, 0.95))
    return bool(
        deepest > settings.bow.sweep[0]
        and float(np.quantile(bend, 0.05)) > -settings.upright
        and float(np.quantile(bend, 0.2)) < 0.5 * deepest
    )


def _from_the_middle(coarse: _Coarse, found: Repeated, settings: RoutineSettings) -> Repeated:
    """A roll without the turn that leads to its start, as from the palm down on the table to the thumb up.

    The palm turns up and down about as far, so gravity's mean over the roll is that of the thumb-up start.
    """
    over = _across(_mean_up(coarse, LEAD_FOREARM, found.second, found.last), found.axis)
    if found.count <= settings.roll.halves or _angle(_across(found.up, found.axis), over) < settings.middle:
        return found
    up = _unit(
        coarse.up[LEAD_FOREARM][max(found.second - round(0.25 * RATE), found.first) : found.second + 1].mean(axis=0)
    )
    if _angle(_across(up, found.axis), over) > settings.middle:
        return found
    return replace(found, first=found.second, axis=-found.axis, up=up, count=found.count - 1)


def _across(v: FloatArray, axis: FloatArray) -> FloatArray:
    """The part of v that stands across an axis."""
    return v - (v @ axis) * axis


def _is_roll(coarse: _Coarse, found: Repeated, settings: RoutineSettings) -> bool:
    """Whether the hand goes with the rolling forearm."""
    if LEAD_HAND not in coarse.points:
        return True
    forearm, hand = (_rms(coarse.gyr[point][found.first : found.last]) for point in (LEAD_FOREARM, LEAD_HAND))
    return settings.with_it[0] < hand / forearm < settings.with_it[1]


def _is_bend(coarse: _Coarse, found: Repeated, settings: RoutineSettings) -> bool:
    """Whether the forearm is quiet while the hand bends; without a forearm there is no telling."""
    if LEAD_FOREARM not in coarse.points:
        return False
    forearm, hand = (_rms(coarse.gyr[point][found.first : found.last]) for point in (LEAD_FOREARM, LEAD_HAND))
    return bool(forearm < settings.quiet * hand)


def _palm_is_level(coarse: _Coarse, roll: Repeated, bend: Repeated, settings: RoutineSettings) -> bool:
    """Whether the palm faced down, or up, while the wrist bent: a quarter turn from the roll's thumb-up start."""
    up = _mean_up(coarse, LEAD_FOREARM, bend.first, bend.last)
    return bool(abs(up @ _unit(np.cross(roll.up, roll.axis))) > np.cos(settings.palm_down))


def _rms(gyr: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.sum(gyr**2, axis=1))))


# --- Still postures ---------------------------------------------------------------------------------------------------


def _table(
    coarse: _Coarse, roll: Repeated | None, bend: Repeated | None, settings: RoutineSettings
) -> tuple[int, int] | None:
    """The longest stillness of the arm with the palm down, as the roll or the wrist bend say where down is."""
    if LEAD_FOREARM not in coarse.points or (roll is None and bend is None):
        return None
    if bend is not None:
        down = _unit(coarse.up[LEAD_FOREARM][bend.first : bend.last].mean(axis=0))
    else:
        assert roll is not None
        # The roll starts thumb up and turns the palm down: a quarter turn along its axis.
        down = _unit(np.cross(roll.up, roll.axis))
    arm = [point for point in (LEAD_FOREARM, LEAD_HAND) if point in coarse.points]
    postures = [
        span
        for span in _still(coarse, arm, settings)
        if _is_near(span, (roll, bend), settings)
        and _angle(_mean_up(coarse, LEAD_FOREARM, *span), down) < settings.palm_down
    ]
    return max(postures, key=lambda span: span[1] - span[0], default=None)


def _stand(
    coarse: _Coarse, bow: Repeated | None, roll: Repeated | None, bend: Repeated | None, settings: RoutineSettings
) -> tuple[int, int] | None:
    """The longest stillness with the arms hanging, as roll or wrist bend tell, and the chest as before the bows."""
    axes = _long_axes(coarse, roll, bend, settings)
    if not axes and (bow is None or len(coarse.points) > 1):
        return None
    postures = [
        span
        for span in _still(coarse, coarse.points, settings)
        if _is_near(span, (bow, roll, bend), settings)
        and (bow is None or _angle(_mean_up(coarse, CHEST, *span), bow.up) < settings.upright)
        and all(abs(float(axis @ _mean_up(coarse, p, *span))) > np.cos(limit) for p, (axis, limit) in axes.items())
    ]
    return max(postures, key=lambda span: span[1] - span[0], default=None)


def _long_axes(
    coarse: _Coarse, roll: Repeated | None, bend: Repeated | None, settings: RoutineSettings
) -> dict[str, tuple[FloatArray, float]]:
    """By tracked point, the long axis (3,) of an arm segment, of either sign, and how near gravity must be to it."""
    axes = {}
    if roll is not None:
        for point, limit in ((LEAD_FOREARM, settings.hanging), (LEAD_HAND, settings.hand_hanging)):
            if point in coarse.points:
                rolled = coarse.gyr[point][roll.first : roll.last]
                axes[point] = (np.linalg.eigh(rolled.T @ rolled)[1][:, -1], limit)
    elif bend is not None:
        # The wrist bends evenly up and down from the flat hand: its long axis stands across axis and mean gravity.
        axes[LEAD_HAND] = (
            _unit(np.cross(bend.axis, _mean_up(coarse, LEAD_HAND, bend.first, bend.last))),
            settings.hanging,
        )
    return axes


def _is_near(span: tuple[int, int], movements: Sequence[Repeated | None], settings: RoutineSettings) -> bool:
    most = settings.near_s * RATE
    return any(m is not None and span[0] - m.last < most and m.first - span[1] < most for m in movements)


def _still(coarse: _Coarse, points: Sequence[str], settings: RoutineSettings) -> list[tuple[int, int]]:
    """Spans in which none of the sensors turns, long enough for a posture."""
    kernel = np.ones(11) / 11.0
    calm = np.ones(len(coarse.gyr[points[0]]), dtype=np.bool_)
    for point in points:
        rate = np.stack([np.convolve(coarse.gyr[point][:, k], kernel, mode="same") for k in range(3)], axis=1)
        calm &= (np.linalg.norm(rate, axis=1) < settings.still_rate) & coarse.good[point]
    return [
        (int(first), int(last))
        for first, last in zip(*runs(calm), strict=True)
        if (last - first) / RATE >= settings.still_s
        and all(_sway(coarse, point, first, last) < settings.sway for point in points)
    ]


def _sway(coarse: _Coarse, point: str, first: int, last: int) -> float:
    """How far gravity's direction strays from its mean, but for a twentieth of the time, rad."""
    mean = _mean_up(coarse, point, first, last)
    along = float(np.quantile(coarse.up[point][first:last] @ mean, 0.05))
    return float(np.arccos(np.clip(along, -1.0, 1.0)))


def _mean_up(coarse: _Coarse, point: str, first: int, last: int) -> FloatArray:
    return _unit(coarse.up[point][first:last].mean(axis=0))


def _unit(v: FloatArray) -> FloatArray:
    return np.asarray(v / max(float(np.linalg.norm(v)), 1e-9))


def _angle(u: FloatArray, v: FloatArray) -> float:
    return float(np.arctan2(np.linalg.norm(np.cross(u, v)), u @ v))
