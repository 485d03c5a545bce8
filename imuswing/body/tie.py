"""Tying the headings of forearm and hand, swing by swing, from three sources that fail in different ways.

Without a magnetometer each sensor has a heading of its own, and both drift. The angle between them shows itself
  - in the `table` pose, where the wrist is straight: exact then, but it ages with the drift;
  - at every address, where the wrist, having two degrees of freedom, does not turn about its long axis (Laidig, Müller
    & Seel 2017, IEEE Sensors; Laidig, Lehmann, Bégin & Seel 2019, EMBC): current, but off by a turn that all addresses
    of a session share, since the skin above the wrist follows only part of the forearm's roll since the table pose;
  - in every downswing, where both sensors feel the same acceleration of the wrist (Weygers & Kok 2020, IEEE Sensors J
    20:7969): free of alignment and skin, but noisy when the swing is slow.
All swings are solved together by weighted least squares. Unknown are the angles, the shared turn at address, and what
is left of both sensors' alignment errors, which the same equations see: they come out better than they went in. Where
the forearm's long axis lies, the swings show through the shoulder as well (`body.shoulder`).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import gammaincc

from imuswing.body.definitions import X_AXIS, Z_AXIS
from imuswing.body.segments import SegmentMotion, orientations_at
from imuswing.body.shoulder import LongAxisSight, long_axis_from_shoulder
from imuswing.body.wrist_centre import headings_from_wrist_centre
from imuswing.orientation.quaternion import FloatArray, IntArray, cross, exp, inverse, multiply, rotate
from imuswing.vocabulary import LeadSide


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class TieSettings:
    """Sizes (SD) that weigh the sources; assumptions, checked by simulation.

    shared_turn: the turn about the long axis that all addresses share: skin that stays behind by a fifth of the hundred
    degrees between table and grip, or less.  address_turn: what varies between them, a slipping strap included; too
    small a size lets few addresses that differ by chance turn the alignments.
    shared_centre: what all headings of a session from the wrist's acceleration are off by: skin that gives way in the
    same manner at each swing, and clocks that are 2 ms apart while the arm turns by 20 rad/s.
    table_care: how straight the wrist lies on the table.  drift: rad per s of relative heading drift.
    walk: rad per square root of s of its random walk: gyros whose scale is right to 0.25 %, in an arm that turns to and
    fro by quarters of a turn, 60° a second, leave 0.0025 · √(60 · 90 · 2)° = 0.26°.  step: least change between swings.
    weakest: sensitivity under which an address says nothing.  worst: SD past which there is no tie.
    least_chance: swings that are less likely contradict the routine. Of 140 simulated lessons the least likely had one
    of a thousand.
    """

    shared_turn: float = _rad(15.0)
    address_turn: float = _rad(5.0)
    shared_centre: float = _rad(3.0)
    table_care: float = _rad(3.0)
    drift: float = _rad(0.01)
    walk: float = _rad(0.25)
    step: float = _rad(0.2)
    weakest: float = 0.15
    worst: float = _rad(25.0)
    least_chance: float = 1e-5


@dataclass(frozen=True, kw_only=True)
class Tie:
    """Heading of the forearm's earth frame against the hand's: turn the hand by `angle` rad about the vertical.

    forearm_error, hand_error: (3,) rad, alignment errors found on the way, in segment axes, to be taken off.
    covariance: (7, 7) rad², of angle, forearm alignment and hand alignment after that.
    contradicts: the swings cannot be of sensors that sit as the routine says.
    """

    angle: float
    forearm_error: FloatArray
    hand_error: FloatArray
    covariance: FloatArray
    contradicts: bool = False


@dataclass(frozen=True, kw_only=True)
class WristSwing:
    """What the tie needs of one swing: both segments, each on its own heading, and its moments in s.

    chest: on a heading of its own, None where none is worn.  turn_lost: rad², what bridged stretches since some start
    took from knowing both headings at the address, together.
    """

    forearm: SegmentMotion
    hand: SegmentMotion
    address: float
    top: float
    impact: float
    chest: SegmentMotion | None = None
    turn_lost: float = 0.0


@dataclass(frozen=True, kw_only=True)
class TablePose:
    """Segment orientations (4,) in the table pose, each on its own heading, its time in s, and `WristSwing`'s
    `turn_lost` until then."""

    q_forearm: FloatArray
    q_hand: FloatArray
    time: float
    turn_lost: float = 0.0


@dataclass(frozen=True, kw_only=True)
class _Reading:
    """What one source says of one swing: value = angle + turn · its share + centre's error · its share + alignment
    errors · theirs ± sd."""

    swing: int
    value: float
    sd: float
    turn: float = 0.0
    centre: float = 0.0
    from_forearm: FloatArray = field(default_factory=lambda: np.zeros(3))
    from_hand: FloatArray = field(default_factory=lambda: np.zeros(3))


def tie_headings(
    swings: Sequence[WristSwing],
    table: TablePose | None,
    arm: FloatArray,
    *,
    lead_side: LeadSide,
    settings: TieSettings,
) -> list[Tie | None]:
    """A tie for each swing, in order; None where nothing tells it to `settings.worst`.

    arm: (6, 6) rad², covariance of the alignment errors of forearm and hand that the routine leaves.
    """
    if not swings:
        return []
    # From swing to swing the nearest of the angles that are the same: they may turn round and round.
    guesses = np.unwrap(_guesses(swings))
    readings = _at_addresses(swings, guesses, settings)
    centre = headings_from_wrist_centre([(s.forearm, s.hand, s.top, s.impact) for s in swings], guesses)
    for k, (value, sd) in enumerate(zip(*centre, strict=True)):
        if np.isfinite(sd):
            readings.append(_Reading(swing=k, value=value, sd=sd, centre=1.0))
    ties = _solve(swings, table, arm, _long_axis(swings, arm, lead_side), guesses, readings, settings)
    # What was learnt of the alignments is the same in all.
    first = next((tie for tie in ties if tie is not None), None)
    contradicts = first is not None and chance_of(first, arm) < settings.least_chance
    return [tie and replace(tie, contradicts=contradicts) for tie in ties]


def chance_of(tie: Tie, arm: FloatArray) -> float:
    """That swings are so far by chance from what the routine says of the two alignments, with covariance arm (6, 6).

    What is learnt moves an estimate by chance with the covariance that it takes off (a Kalman filter's innovations;
    Bar-Shalom, Li & Kirubarajan 2001, section 5.4, from memory). Only axes along which something was learnt count.
    """
    root = np.linalg.cholesky(arm)
    moved = np.linalg.solve(root, np.concatenate((tie.forearm_error, tie.hand_error)))
    left = np.linalg.solve(root, np.linalg.solve(root, tie.covariance[1:, 1:]).T)
    learnt, axes = np.linalg.eigh(np.eye(len(moved)) - left)
    told = learnt > LEAST_LEARNT
    distance = float(np.sum((axes.T @ moved)[told] ** 2 / learnt[told]))
    return float(gammaincc(told.sum() / 2.0, distance / 2.0)) if told.any() else 1.0


BY_ERROR = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])
"""With an alignment error e taken off, the long axis lies at Y - e × Y: e_z along X, -e_x along Z."""
LEAST_LEARNT = 0.1
"""Share of the variance that must be gone along an axis before what was learnt along it is held against anything."""
FARTHEST = 13.8
"""Square of the distance, in standard deviations, past which shoulder and routine contradict each other: one time in a
thousand by chance (chi-squared, two degrees of freedom). An arm that is bent through the downswing shows no axis."""


def _long_axis(swings: Sequence[WristSwing], arm: FloatArray, lead_side: LeadSide) -> LongAxisSight | None:
    """By the swings whose forearm sits as the routine saw it; None where that contradicts the routine."""
    seen = [
        (swing.forearm, swing.chest, swing.top, swing.impact)
        for swing in swings
        if swing.chest is not None and swing.forearm.mount_variance == 0.0
    ]
    sight = long_axis_from_shoulder(seen, lead_side)
    if sight is None:
        return None
    expected = sight.covariance + BY_ERROR @ arm[:3, :3] @ BY_ERROR.T
    return sight if float(sight.parts @ np.linalg.solve(expected, sight.parts)) < FARTHEST else None


def _guesses(swings: Sequence[WristSwing]) -> FloatArray:
    """(K,) turns about the vertical that bring the hand nearest to the forearm at address."""
    times = [np.array([swing.address]) for swing in swings]
    q_forearm = orientations_at([swing.forearm for swing in swings], times)
    return _twist(q_forearm, orientations_at([swing.hand for swing in swings], times))


def _twist(q_forearm: FloatArray, q_hand: FloatArray) -> FloatArray:
    """(...,) rad, the turn about the vertical in the difference of orientations (..., 4)."""
    difference = multiply(q_forearm, inverse(q_hand))
    return np.asarray(2.0 * np.arctan2(difference[..., 3], difference[..., 0]))


def _wrap(angle: float) -> float:
    return float((angle + np.pi) % (2.0 * np.pi) - np.pi)


def _at_addresses(swings: Sequence[WristSwing], guesses: FloatArray, settings: TieSettings) -> list[_Reading]:
    """The headings that leave the hand unturned about the long axis around each address, of the swings that tell one.

    The samples of all swings stand one after the other, N in all.
    """
    inside = [_around_address(swing) for swing in swings]
    used = [k for k, rows in enumerate(inside) if len(rows)]
    if not used:
        return []
    rows, seen = [inside[k] for k in used], [swings[k] for k in used]
    count = np.array([len(each) for each in rows])
    first, own = np.cumsum(count) - count, np.repeat(np.arange(len(used)), count)
    q_forearm = np.concatenate([swing.forearm.q[each] for swing, each in zip(seen, rows, strict=True)])
    times = [swing.forearm.time[each] for swing, each in zip(seen, rows, strict=True)]
    q_hand = orientations_at([swing.hand for swing in seen], times)
    z, x = rotate(q_forearm, Z_AXIS), rotate(q_hand, X_AXIS)
    angle, told = guesses[used].astype(float), np.ones(len(used), np.bool_)
    for _ in range(5):
        cosine, sine = np.cos(angle)[own], np.sin(angle)[own]
        turned_x, turned_y = cosine * x[:, 0] - sine * x[:, 1], sine * x[:, 0] + cosine * x[:, 1]
        slope = z[:, 1] * turned_x - z[:, 0] * turned_y
        along = z[:, 0] * turned_x + z[:, 1] * turned_y + z[:, 2] * x[:, 2]
        strength = np.add.reduceat(slope * slope, first)
        told &= strength >= count * settings.weakest**2
        angle -= np.add.reduceat(slope * along, first) / np.maximum(strength, 1e-9)
    tied = multiply(exp(angle[:, None] * Z_AXIS)[own], q_hand)
    x_in_forearm = rotate(multiply(inverse(q_forearm), tied), X_AXIS)
    z_in_hand = rotate(multiply(inverse(tied), q_forearm), Z_AXIS)
    by_forearm, by_hand = (
        np.add.reduceat(slope[:, None] * cross(axis, other), first)
        for axis, other in ((Z_AXIS, x_in_forearm), (X_AXIS, z_in_hand))
    )
    total = np.add.reduceat(slope, first)
    readings = []
    for k in np.flatnonzero(told).tolist():
        gain, guess = float(count[k] / total[k]), float(guesses[used[k]])
        readings.append(
            _Reading(
                swing=used[k],
                value=guess + _wrap(float(angle[k]) - guess),
                sd=settings.address_turn * abs(gain),
                turn=gain,
                from_forearm=-by_forearm[k] / strength[k],
                from_hand=-by_hand[k] / strength[k],
            )
        )
    return readings


def _around_address(swing: WristSwing) -> IntArray:
    """Samples of the forearm around the address that are to be believed; none where the hand's are not."""
    (first, last), (begin, end) = (
        (segment.time.searchsorted(swing.address - 0.3), segment.time.searchsorted(swing.address + 0.05, "right"))
        for segment in (swing.forearm, swing.hand)
    )
    if swing.hand.unusable[begin:end].any():
        return np.zeros(0, dtype=np.intp)
    return first + np.flatnonzero(~swing.forearm.unusable[first:last])


def _solve(
    swings: Sequence[WristSwing],
    table: TablePose | None,
    arm: FloatArray,
    long_axis: LongAxisSight | None,
    guesses: FloatArray,
    readings: Sequence[_Reading],
    settings: TieSettings,
) -> list[Tie | None]:
    """Weighted least squares over the swings' angles (K), the table's (K), what is shared, and the alignment errors."""
    count = len(swings)
    at_table, turn, centre = count, count + 1, count + 2
    forearm, hand = slice(count + 3, count + 6), slice(count + 6, count + 9)
    size = count + 9
    normal = np.zeros((size, size))
    rows: list[FloatArray] = []
    values: list[float] = []

    def add(row: FloatArray, value: float, sd: float) -> None:
        rows.append(row / sd)
        values.append(value / sd)

    def unit(*places: tuple[int, float]) -> FloatArray:
        row = np.zeros(size)
        for place, share in places:
            row[place] = share
        return row

    both = slice(forearm.start, hand.stop)
    normal[both, both] = np.linalg.inv(arm)
    right = np.zeros(size)
    if long_axis is not None:
        shown, precision = np.zeros((2, size)), np.linalg.inv(long_axis.covariance)
        shown[:, forearm] = BY_ERROR
        normal += shown.T @ precision @ shown
        right += shown.T @ precision @ long_axis.parts
    add(unit((turn, 1.0)), 0.0, settings.shared_turn)
    add(unit((centre, 1.0)), 0.0, settings.shared_centre)
    places = [(swing.address, swing.turn_lost, k) for k, swing in enumerate(swings)]
    if table is None:
        add(unit((at_table, 1.0)), 0.0, 1.0)
    else:
        # The wrist is straight there: turning either alignment about the vertical turns the angle as much.
        row = unit((at_table, 1.0))
        row[forearm] = rotate(inverse(table.q_forearm), Z_AXIS)
        row[hand] = -rotate(inverse(table.q_hand), Z_AXIS)
        add(row, guesses[0] + _wrap(float(_twist(table.q_forearm, table.q_hand)) - guesses[0]), settings.table_care)
        places.append((table.time, table.turn_lost, at_table))
    for (earlier, lost, before), (later, more, after) in itertools.pairwise(sorted(places)):
        gap = later - earlier
        known = settings.step + np.hypot(settings.drift * gap, settings.walk * np.sqrt(gap))
        add(unit((after, 1.0), (before, -1.0)), 0.0, float(np.sqrt(known**2 + max(more - lost, 0.0))))
    for reading in readings:
        row = unit((reading.swing, 1.0), (turn, reading.turn), (centre, reading.centre))
        row[forearm], row[hand] = reading.from_forearm, reading.from_hand
        near = guesses[reading.swing]
        # A mount that may have shifted is not as the routine saw it, nor as at the other addresses.
        forearm_moved, hand_moved = (
            segment.mount_variance * float(share @ share)
            for segment, share in (
                (swings[reading.swing].forearm, reading.from_forearm),
                (swings[reading.swing].hand, reading.from_hand),
            )
        )
        add(row, near + _wrap(reading.value - near), float(np.sqrt(reading.sd**2 + forearm_moved + hand_moved)))
    design = np.array(rows)
    covariance = np.linalg.inv(normal + design.T @ design)
    found = covariance @ (right + design.T @ np.array(values))
    ties: list[Tie | None] = []
    for k in range(count):
        kept = [k, *range(forearm.start, hand.stop)]
        tie = Tie(
            angle=float(found[k]),
            forearm_error=found[forearm],
            hand_error=found[hand],
            covariance=np.asarray(covariance[np.ix_(kept, kept)], dtype=np.float64),
        )
        ties.append(tie if covariance[k, k] <= settings.worst**2 else None)
    return ties
