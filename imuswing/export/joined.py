"""All swings of one recording in one file, on the recording's clock, with nothing between them.

Between swings nothing is written, since the headings of chest and arm are set swing by swing (`measures.orientations`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from imuswing.errors import SettingsError
from imuswing.export.frames import SwingFrames
from imuswing.orientation.quaternion import FloatArray, slerp


def on_recording_clock(swings: Sequence[SwingFrames]) -> SwingFrames:
    """Swings one below another at their own frames; time is s on the recording's clock, with gaps between swings.

    Only segments that every swing has are kept. Raises SettingsError where the swings are of several recordings.
    """
    points = _common(swings)
    first = swings[0]
    return replace(
        first,
        time=np.concatenate([swing.impact_s + swing.time for swing in swings]),
        q={point: np.concatenate([swing.q[point] for swing in swings]) for point in points},
        angles={},
        moments=tuple((name, swing.impact_s + at) for swing in swings for name, at in swing.moments),
        impact_s=0.0,
    )


def on_even_grid(swings: Sequence[SwingFrames]) -> SwingFrames:
    """Swings on one even grid from the first one's start, s on the recording's clock; NaN between them."""
    told = on_recording_clock(swings)
    start, rate = float(told.time[0]), told.rate
    count = int(np.floor((told.time[-1] - start) * rate + 1e-6)) + 1
    time = start + np.arange(count) / rate
    q: dict[str, FloatArray] = {point: np.full((count, 4), np.nan) for point in told.q}
    for swing in swings:
        own = swing.impact_s + swing.time
        inside = (time >= own[0] - 1e-9) & (time <= own[-1] + 1e-9)
        for point, values in q.items():
            values[inside] = slerp(swing.q[point], own, time[inside])
    return replace(told, time=time, q=q)


def _common(swings: Sequence[SwingFrames]) -> list[str]:
    labels = {tuple(value for name, value in swing.keys.items() if name != "swing") for swing in swings}
    if len(labels) > 1:
        raise SettingsError(f"one file cannot hold the swings of {len(labels)} recordings; name a folder for --out")
    return [point for point in swings[0].q if all(point in swing.q for swing in swings)]
