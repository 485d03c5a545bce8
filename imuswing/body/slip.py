"""Did a sensor's mount shift in mid-session? A strap that slips moves gravity in every posture; a golfer who stands
differently to the ball moves it at address only.

So two series are watched on the trunk: gravity in the sensor at the addresses, and while standing or walking between
the swings. A step that both show at the same time, by the same rotation, is a slip, and the rotation between the two
pairs of mean directions takes it off. A step that only the addresses show is the golfer's and stays.
One about the upright trunk's own length, as a band turns on the body, shows in no rest: a step at the addresses that
such a turn makes, larger than people change their tilt from shot to shot, may be that or the golfer's, and is told.
Arms hang and swing about between shots, so that their rests tell nothing; there a step at the addresses may be a slip
or a new grip or posture, and is only told.

A routine from an earlier recording, or one after which the sensors were taken off, serves swings that it does not fit:
addresses are held against those of that recording, and against how golfers stand at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from imuswing.body.alignment import Alignment, AxisObservation, align
from imuswing.body.definitions import trunk_sign
from imuswing.body.segments import ALIGNMENT, SegmentMotion
from imuswing.orientation.quaternion import FloatArray, cross, inverse, length, log, multiply, rotate, to_matrix
from imuswing.recording.model import IntArray
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import (
    CHEST,
    LEAD_FOREARM,
    LEAD_HAND,
    MAY_HAVE_SLIPPED,
    PELVIS,
    SLIPPED,
    TRUNK_POINTS,
    LeadSide,
)

EVEN_CHANCE = 0.5
"""What may be a slip or the golfer's own change is a slip one time in two (an assumption). So half of the squared step
that gravity shows is taken for the variance of the mount's turn about each axis, the vertical included, about which
gravity shows none."""
LEAST_REST_S = 0.5
LEAST_SPREAD = float(np.deg2rad(1.0))
"""Directions of one person's posture are never told to repeat better than this, rad."""


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class SlipSettings:
    """When a step counts (common practice, no source).

    least_angle: of the step.  least_ratio: step over its own standard error.  least_swings: on either side.
    rest_ratio: the same of the rests: e^(−½ · 2.45²), one in twenty, pass it by chance, as a step has two directions.
    agree: how far the two series' turned directions may differ.  least_aside: step at the addresses alone, square to
    the bend, that may be a slip.  posture: SD of a mean posture, rad.
    anew, other_club: least step between two recordings of one task, or of two, whose club and stance differ.
    anew_ratio: that step over its own standard error; nothing is searched there, and e^(−½ · 3.3²), one in 230, pass it
    by chance.  unusual: no golfer's address is so far from the usual one, beside what the alignment does not know.
    """

    least_angle: float = _rad(4.0)
    least_ratio: float = 5.0
    rest_ratio: float = 2.45
    least_swings: int = 2
    agree: float = _rad(6.0)
    least_aside: float = _rad(8.0)
    posture: float = _rad(2.0)
    least_rests: int = 3
    anew: float = _rad(6.0)
    anew_ratio: float = 3.3
    other_club: float = _rad(15.0)
    unusual: float = _rad(40.0)


Against = Literal["before", "earlier", "usual"]
"""What shows a shift: the swings before it, those of the earlier recording, or how golfers stand."""

USUAL_ADDRESS: Final[Mapping[str, tuple[float, float, float]]] = {
    CHEST: (-0.45, 0.89, 0.0),
    PELVIS: (-0.35, 0.94, 0.0),
    LEAD_FOREARM: (0.13, 0.95, 0.29),
    LEAD_HAND: (0.0, 1.0, 0.0),
}
"""Up in the segment at address, Z towards the thumb on either hand: bent from the hips, the arm hanging towards the
ball. Means over golfers of two simulators, which stray from them by 28° at most (an assumption; no source)."""


@dataclass(frozen=True, kw_only=True)
class Slip:
    """A shift of a mount. time: s, between two swings, −inf if it was before them all.  angle: rad.

    turn: (4,) sensor after from sensor before, None where it may be the golfer's own change.
    covariance: (3, 3) rad² of the turn, in sensor axes.
    """

    time: float
    angle: float
    turn: FloatArray | None = None
    covariance: FloatArray = field(default_factory=lambda: np.zeros((3, 3)))
    against: Against = "before"


@dataclass(frozen=True, kw_only=True)
class Postures:
    """What tells a slip of one sensor: see `find_slip`."""

    address_times: FloatArray
    address_ups: FloatArray
    rest_times: FloatArray
    rest_ups: FloatArray

    def followed_by(self, later: Postures) -> Postures:
        """These and those of a later part of the recording, which may have seen the last of these as well."""
        new = later.rest_times > (self.rest_times[-1] if len(self.rest_times) else -np.inf)
        return Postures(
            address_times=np.concatenate((self.address_times, later.address_times)),
            address_ups=np.concatenate((self.address_ups, later.address_ups)),
            rest_times=np.concatenate((self.rest_times, later.rest_times[new])),
            rest_ups=np.concatenate((self.rest_ups, later.rest_ups[new])),
        )

    def until(self, time: float) -> Postures:
        """Those before a time, s."""
        address, rest = self.address_times < time, self.rest_times < time
        return Postures(
            address_times=self.address_times[address],
            address_ups=self.address_ups[address],
            rest_times=self.rest_times[rest],
            rest_ups=self.rest_ups[rest],
        )


def joined_postures(one: Mapping[str, Postures], later: Mapping[str, Postures]) -> dict[str, Postures]:
    """By tracked point, those of both."""
    both = {point: one[point].followed_by(later[point]) for point in one if point in later}
    return {**one, **later, **both}


def find_slip(
    tracked_point: str,
    address_times: FloatArray,
    address_ups: FloatArray,
    rest_times: FloatArray,
    rest_ups: FloatArray,
    *,
    settings: SlipSettings,
) -> Slip | None:
    """The clearest shift of one sensor's mount, or None.

    address_times (K,), rest_times (M,): s, increasing.  address_ups (K, 3), rest_ups (M, 3): unit vectors, gravity's
    direction in the sensor at each address and in each rest between swings.
    """
    count = len(address_times)
    best: tuple[float, int] | None = None
    for split in range(settings.least_swings, count - settings.least_swings + 1):
        before, after = address_ups[:split], address_ups[split:]
        if _between(_mean(before), _mean(after)) < settings.least_angle:
            continue
        step, error = _step(before, after)
        if step >= settings.least_ratio * error and (best is None or step / error > best[0]):
            best = (step / error, split)
    if best is None:
        return None
    split = _each_on_its_side(address_ups, best[1], least=settings.least_swings)
    time = 0.5 * float(address_times[split - 1] + address_times[split])
    addresses = address_ups[:split], address_ups[split:]
    return _told(tracked_point, time, addresses, (rest_ups[rest_times < time], rest_ups[rest_times > time]), settings)


def _told(
    tracked_point: str,
    time: float,
    addresses: tuple[FloatArray, FloatArray],
    rests: tuple[FloatArray, FloatArray],
    settings: SlipSettings,
) -> Slip | None:
    """What a clear step of the addresses, before and after, tells with the rests; None for the golfer's own."""
    if tracked_point not in TRUNK_POINTS:
        return Slip(time=time, angle=_step(*addresses)[0])
    if min(len(each) for each in rests) < settings.least_rests:
        return None
    bent = _mean(addresses[0]), _mean(addresses[1])
    by_rests = _by_rests(tracked_point, time, bent, *rests, settings)
    return by_rests or _about_upright(time, bent, _mean(rests[0]), settings)


def since_earlier(
    tracked_point: str, earlier: Postures, here: Postures, *, same_task: bool, settings: SlipSettings
) -> Slip | None:
    """A shift between the recording whose routine serves and this one, or None; swings of another task differ more."""
    addresses = earlier.address_ups, here.address_ups
    if min(len(ups) for ups in addresses) < settings.least_swings:
        return None
    step, error = _step(*addresses)
    least = settings.anew if same_task else settings.other_club
    if step < least or step < settings.anew_ratio * error:
        return None
    found = _told(tracked_point, -np.inf, addresses, (earlier.rest_ups, here.rest_ups), settings)
    return None if found is None else replace(found, against="earlier")


def unusual_address(
    alignment: Alignment, address_ups: FloatArray, *, lead_side: LeadSide, settings: SlipSettings
) -> Slip | None:
    """How far the addresses, gravity's directions (K, 3) in the sensor, are from how golfers stand, if no golfer stands
    so: then the alignment is not that of this sensor as it sits."""
    usual = USUAL_ADDRESS.get(alignment.tracked_point)
    if usual is None or len(address_ups) < settings.least_swings:
        return None
    up = rotate(inverse(alignment.q_sensor_from_segment), _mean(address_ups))
    mirrored = np.array([1.0, 1.0, -trunk_sign(lead_side)])
    angle = _between(up, mirrored * usual / np.linalg.norm(usual))
    if angle < settings.unusual + 2.0 * float(np.max(alignment.sd)):
        return None
    return Slip(time=-np.inf, angle=angle, against="usual")


def _about_upright(
    time: float, bent: tuple[FloatArray, FloatArray], upright: FloatArray, settings: SlipSettings
) -> Slip | None:
    """A step from one to the other of gravity's directions `bent` (3,) at the addresses that a turn about `upright`
    (3,), gravity while standing, may have made, which leaves their angles to it as they were; else None."""
    step = _between(*bent)
    nearer = abs(_between(bent[0], upright) - _between(bent[1], upright))
    return Slip(time=time, angle=step) if step > settings.least_aside and nearer < 0.5 * step else None


def _by_rests(
    tracked_point: str,
    time: float,
    bent: tuple[FloatArray, FloatArray],
    before: FloatArray,
    after: FloatArray,
    settings: SlipSettings,
) -> Slip | None:
    """A step that the rests before (K, 3) and after (M, 3) show as the addresses do; None where they do not."""
    pairs = [bent, (_mean(before), _mean(after))]
    rest_step, rest_error = _step(before, after)
    if rest_step < 0.5 * settings.least_angle or rest_step < settings.rest_ratio * rest_error:
        return None
    fitted = align(
        tracked_point,
        [
            AxisObservation(sensor_axis=new, segment_axis=old, sd=settings.posture, step=name)
            for (old, new), name in zip(pairs, ("address", "rest"), strict=True)
        ],
    )
    if fitted is None or max(fitted.residuals.values()) > settings.agree:
        return None
    w = min(abs(float(fitted.q_sensor_from_segment[0])), 1.0)
    return Slip(
        time=time,
        angle=2.0 * float(np.arccos(w)),
        turn=fitted.q_sensor_from_segment,
        covariance=fitted.covariance,
    )


def set_right(segment: SegmentMotion, alignment: Alignment, slip: Slip) -> SegmentMotion:
    """A segment that was followed with the alignment from before the slip, in the one after it; where it may have been
    the golfer's own change, as it is, but less surely.

    The sensor turned under its segment, which turns the segment the other way in the sensor; the turn's own error joins
    the alignment's.
    """
    if slip.turn is None:
        return replace(segment, mount_variance=EVEN_CHANCE * slip.angle**2)
    q = alignment.q_sensor_from_segment
    turned = segment.realigned(-log(multiply(multiply(inverse(q), slip.turn), q)))
    covariance = np.array(turned.error_covariance)
    to_segment = to_matrix(inverse(q))
    covariance[ALIGNMENT, ALIGNMENT] += to_segment @ slip.covariance @ to_segment.T
    return replace(turned, error_covariance=covariance)


def slip_flag(point: str, slip: Slip) -> str:
    """The flag of swings after a slip."""
    return f"{point}_{SLIPPED if slip.turn is not None else MAY_HAVE_SLIPPED}"


def rest_samples(motion: Motion, swings: Sequence[tuple[float, float]]) -> IntArray:
    """Indices of the middles of still stretches outside the swings' spans (start, end) in s, addresses included."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], motion.still.astype(np.int8), [0]))))
    starts, ends = edges[::2], edges[1::2]
    middles = ((starts + ends) // 2)[ends - starts >= LEAST_REST_S * motion.rate]
    outside = np.ones(len(middles), dtype=np.bool_)
    for start, end in swings:
        outside &= (motion.time[middles] < start) | (motion.time[middles] > end)
    return np.asarray(middles[outside], dtype=np.intp)


def _mean(ups: FloatArray) -> FloatArray:
    mean = _median(ups)
    return np.asarray(mean / np.linalg.norm(mean))


def _median(values: FloatArray) -> FloatArray:
    """Along the first axis; `numpy.median` at a fraction of its overhead, which counts where every split is tried."""
    ordered = np.sort(values, axis=0)
    middle: FloatArray = 0.5 * (ordered[(len(values) - 1) // 2] + ordered[len(values) // 2])
    return middle


def _step(before: FloatArray, after: FloatArray) -> tuple[float, float]:
    """Angle between two groups' median directions, and its standard error from their spread, rad."""
    first, second = _mean(before), _mean(after)
    error = float(np.hypot(_error(before, first), _error(after, second)))
    return _between(first, second), error


def _each_on_its_side(ups: FloatArray, split: int, *, least: int) -> int:
    """The split of directions (K, 3) in time, near a first one, that leaves each nearer to the middle of its own side.

    A median hardly minds one direction of the other side, so that the sharpest step alone may miss where it was by one.
    Both middles are those of the first split (one step of k-medians: Lloyd 1982, IEEE Trans Inf Theory 28:129, from
    memory).
    """
    before, after = _mean(ups[:split]), _mean(ups[split:])
    nearer = np.array([_between(up, after) - _between(up, before) for up in ups])
    gain = np.cumsum(nearer)[least - 1 : len(ups) - least]
    return least + int(np.argmax(gain))


def _between(u: FloatArray, v: FloatArray) -> float:
    return float(np.arctan2(length(cross(u, v)), u @ v))


def _error(ups: FloatArray, middle: FloatArray) -> float:
    """Standard error of a median direction: in two dimensions half lie within 1.18 SD; a median costs a quarter."""
    spread = float(_median(length(cross(ups, middle)))) / 1.18
    return 1.25 * max(spread, LEAST_SPREAD) / float(np.sqrt(len(ups)))
