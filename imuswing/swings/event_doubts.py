"""Do a recording's events belong to it? Their times against its length and its swings, in words; what stands twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from imuswing.errors import RecordingError
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.events import TEXT_COLUMNS, events_path
from imuswing.recording.model import Event, Recording, SensorStream
from imuswing.swings.kind import KindSettings
from imuswing.vocabulary import BLOCK, CALIBRATION_STEPS, SHOT

BEFORE_S, AFTER_S = 1.0, 10.0
"""An event so long before the first sample, or after the last one (a coach notes the last shot when all is switched
off), is not of this recording (common practice, no source)."""
LEAST_NOTES = 4
"""Fewer notes without a swing may be slips of the finger (common practice, no source)."""
FAR = 20.0
"""Events that spread over so many lengths of the recording have times of another unit; over fewer, a recorder may have
stopped early (common practice, no source). Samples of the slowest sensors, 50 Hz, of a whole lesson spread wider."""
TWICE_S = 0.5
"""Marks of one kind that begin so near to each other are one mark made twice: nobody plays two shots or does a step
twice in that time (common practice, no source)."""
TIMES_NAMED = 5
CHECK = (
    "Check that the events' times count from the first sample of the first tracking system, and that no file is cut."
)


def refuse_other_times(recording: Recording) -> None:
    """Raise `RecordingError` where nothing of the events file can be right: its times have another unit, or all of them
    lie outside the recording."""
    onsets = [event.onset for event in recording.events]
    end = _end(recording)
    outside = sum(not _inside(onset, end) for onset in onsets)
    if 2 * outside <= len(onsets):
        return
    unit = _unit(onsets, end, _first_rate(recording)) if onsets[-1] - onsets[0] > FAR * end else None
    if unit is None and (outside < len(onsets) or outside < LEAST_NOTES):
        return
    raise RecordingError(
        _events_file(recording),
        f"{outside} of {len(onsets)} events lie outside the recording, which lasts {end:.0f} s: they begin at "
        f"{onsets[0]:.0f} and end at {onsets[-1]:.0f}" + (f", which looks like {unit}" if unit else ""),
        "write onset and duration in seconds from the first sample of the first tracking system",
    )


def _unit(onsets: Sequence[float], end: float, rate: float) -> str | None:
    """In which unit all times would lie inside the recording: of several the largest, which spreads them widest."""
    units = {rate: f"samples at {rate:g} Hz", 1e3: "milliseconds", 1e6: "microseconds", 1e9: "nanoseconds"}
    fits = (units[size] for size in sorted(units) if all(_inside(onset / size, end) for onset in onsets))
    return next(fits, None)


def _inside(onset: float, end: float) -> bool:
    return -BEFORE_S <= onset <= end + AFTER_S


def _events_file(recording: Recording) -> Path | None:
    if recording.source is None:
        return None
    own, shared = events_path(recording.source), events_path(recording.source, tracksys=False)
    return shared if shared.is_file() and not own.is_file() else own


def marked_once(events: Sequence[Event]) -> tuple[tuple[Event, ...], tuple[Event, ...]]:
    """Events (in time order) without steps, blocks and shots that are marked twice, and those left out.

    Of two the later one's words count, with those of the first that it lacks, and the longer of their durations.
    """
    kept: list[Event] = []
    doubled = []
    for event in events:
        first = next((k for k, other in enumerate(kept) if _same(other, event)), None)
        if first is None:
            kept.append(event)
            continue
        doubled.append(event)
        words = {name: told for name in TEXT_COLUMNS if (told := getattr(event, name)) is not None}
        kept[first] = replace(kept[first], duration=max(kept[first].duration, event.duration), **words)
    return tuple(kept), tuple(doubled)


def _same(first: Event, second: Event) -> bool:
    # Taps are left as they are: sensors are knocked several times in a row.
    return (
        first.trial_type == second.trial_type
        and first.trial_type in (*CALIBRATION_STEPS, BLOCK, SHOT)
        and first.block == second.block
        and abs(second.onset - first.onset) <= TWICE_S
    )


def doubled_warnings(doubled: Sequence[Event]) -> list[dict[str, str]]:
    """For the quality record: marks that stand twice."""
    if not doubled:
        return []
    times = ", ".join(f"{event.trial_type} at {event.onset:.1f} s" for event in doubled[:TIMES_NAMED])
    more = f" and {len(doubled) - TIMES_NAMED} more" if len(doubled) > TIMES_NAMED else ""
    text = f"{len(doubled)} mark(s) stand twice and count once: {times}{more}."
    do = "Nothing needs doing; any change with `imuswing mark` writes each of them once."
    return [{"level": "advice", "text": text, "do": do}]


def event_warnings(recording: Recording, impacts: Sequence[float], *, settings: KindSettings) -> list[dict[str, str]]:
    """For the quality record: events outside the recording, and noted shots where nobody swung.

    impacts: (K,) s, of all swings found.
    """
    warnings = []
    end = _end(recording)
    outside = [event for event in recording.events if not _inside(event.onset, end)]
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
    """Last sample of the first tracking system, on whose clock events are, s; of the others, if it has sent nothing."""
    seen = [stream for stream in _first_system(recording) if len(stream.time)]
    return max(float(s.time[-1]) for s in seen or recording.sensors.values() if len(s.time))


def _first_rate(recording: Recording) -> float:
    return max(stream.rate for stream in _first_system(recording))


def _first_system(recording: Recording) -> list[SensorStream]:
    streams = recording.sensors.values()
    return [stream for stream in streams if stream.tracking_system == recording.tracking_systems[0]]


def _without_swing(notes: Sequence[Event], impacts: FloatArray, settings: KindSettings) -> int:
    """How many notes come after no swing within the time that a coach takes."""
    delays = np.array([note.onset for note in notes])[:, None] - impacts.reshape(1, -1)
    near = (delays >= -settings.note_before_s) & (delays <= settings.note_after_s)
    return int(np.sum(~near.any(axis=1)))
