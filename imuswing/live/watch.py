"""Has the arm just come through? A cheap look, many times a second, at the leading sensor's newest seconds.

The same search for movements with the shape of a swing as offline, on directions that come from the gyroscope alone:
over some seconds it needs neither gravity nor a heading.
"""

from __future__ import annotations

import numpy as np

from imuswing.orientation.quaternion import FloatArray, rotate
from imuswing.orientation.strapdown import integrate
from imuswing.recording.model import SensorStream
from imuswing.sensors.clocks import ClockLine
from imuswing.swings.find import COARSE_RATE, Candidate, FindSettings, find_candidates

LIVELY_S = 0.7
"""A swing is looked at so soon after the arm was fastest; where it was not fast in this time there is none."""


def newest_candidate(
    stream: SensorStream,
    bias: FloatArray,
    axis: FloatArray,
    clock: ClockLine,
    *,
    unwatched_s: float = 0.0,
    settings: FindSettings,
) -> Candidate | None:
    """The last movement with the shape of a swing in a leading sensor's newest seconds, on the common clock; or None.

    bias: (3,) rad/s.  axis: (3,) unit vector in the sensor, along the segment that is followed.  unwatched_s: since the
    look before, which is longer than usual where something else had to be computed.
    """
    lively = LIVELY_S + unwatched_s
    count = int(stream.duration_s * COARSE_RATE)
    if count < 2:
        return None
    gyr = np.nan_to_num(stream.gyr - bias)
    newest = int(np.searchsorted(stream.time, stream.time[-1] - lively))
    if not float(np.max(np.einsum("nc,nc->n", gyr[newest:], gyr[newest:]))) >= settings.through_speed**2:
        return None
    # The angle turned until each coarse step: differences of it are the turns between the steps.
    step = np.minimum(np.diff(stream.time, prepend=stream.time[0]), 2.0 / stream.rate)
    turned = np.cumsum(gyr * step[:, None], axis=0)
    time = stream.time[-1] - np.arange(count, -1, -1) / COARSE_RATE
    at = np.stack([np.interp(time, stream.time, turned[:, k]) for k in range(3)], axis=1)
    directions = rotate(integrate(np.diff(at, axis=0, prepend=at[:1])), axis)
    common = clock(time)
    found = find_candidates(common, directions, settings=settings, since=float(common[-1]) - lively)
    return found[-1] if found else None
