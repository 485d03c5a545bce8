"""Do a recording's events belong to it? Their times against its length and its swings, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import Event, Recording
from imuswing.swings.kind import KindSettings
from imuswing.vocabulary import SHOT

BEFORE_S, AFTER_S = 1.0, 10.0
"""An event so long before the first sample, or after the last one (a coach notes the last shot when all is switched
off), is not of this recording (common practice, no source)."""
LEAST_NOTES = 4
"""Fewer notes without a swing may be slips of the finger (common practice, no source)."""
CHECK = (
    "Check that the events' times count from the first sample of the first tracking system, and that no file is cut."
)


def event_warnings(recording: Recording, impacts: Sequence[float], *, settings: KindSettings) -> list[dict[str, str]]:
    """For the quality record: events outside the recording, and noted shots where nobody swung.

    impacts: (K,) s, of all swings found.
    """
    warnings = []
    end = _end(recording)
    outside = [event for event in recording.events if not -BEFORE_S <= event.onset <= end + AFTER_S]
    if outside:
        text = (
            f"{len(outside)} of {len(recording.events)} events lie outside the recording, which lasts {end:.0f} s; the "
            f"first of them at {outside[0].onset:.0f} s."
        )
        warnings.append({"level": "problem", "text": text, "do": CHECK})
    notes = [event for event in recording.of_type(SHOT) if event not in outside]
    alone = _without_swing(notes, np.asarray(impacts), settings)
    if alone >= LEAST_NOTES and 2 * alone > len(notes):
        text = f"{alone} of {len(notes)} noted shots have no swing shortly before them."
        warnings.append({"level": "problem", "text": text, "do": CHECK})
    return warnings


def _end(recording: Recording) -> float:
    """Last sample of the first tracking system, on whose clock events are, s."""
    systems = {stream.tracking_system for stream in recording.sensors.values()}
    return max(
        float(stream.time[-1]) for stream in recording.sensors.values() if stream.tracking_system == min(systems)
    )


def _without_swing(notes: Sequence[Event], impacts: FloatArray, settings: KindSettings) -> int:
    """How many notes come after no swing within the time that a coach takes."""
    delays = np.array([note.onset for note in notes])[:, None] - impacts.reshape(1, -1)
    near = (delays >= -settings.note_before_s) & (delays <= settings.note_after_s)
    return int(np.sum(~near.any(axis=1)))
