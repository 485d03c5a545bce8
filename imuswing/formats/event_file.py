"""Events from a file of times and labels."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from imuswing.errors import RecordingError, counted
from imuswing.formats.text import is_number, seconds_of_date
from imuswing.formats.times import SINCE_1970_S
from imuswing.recording.model import Event
from imuswing.recording.tables import read_text
from imuswing.vocabulary import BLOCK, CALIBRATION_STEPS, CORRECTION, SHOT, TAP, TRIAL_TYPES

TIME_NAMES: Final = ("onset", "time", "time_s", "t", "start", "timestamp", "seconds", "onset_s")
LABEL_NAMES: Final = ("trial_type", "label", "event", "type", "marker", "name", "description")
LENGTH_NAMES: Final = ("duration", "length", "duration_s")
STEP_S: Final = 3.0
"""Length of a calibration step that is told without a length and without a next event: the shortest still stretch."""

Marker = tuple[float, float | None, str, Mapping[str, str]]
"""Time, length (None where it is not told), label, and the other cells by column."""


def read_event_file(path: Path) -> list[Marker]:
    """Rows of a file with times and labels, comma, semicolon or tab between, with a header or `time, label, length`."""
    text = read_text(path, missing_do="check its name")
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise RecordingError(path, "is empty", "write one row an event: time, label")
    separator = max("\t;,", key=lambda mark: lines[0].count(mark))
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator)]
    head = [cell.lower() for cell in rows[0]]
    named = any(cell in TIME_NAMES for cell in head)
    names = head if named else ["time", "label", "duration"][: len(head)]
    at = next((k for k, name in enumerate(names) if name in TIME_NAMES), None)
    labels = next((k for k, name in enumerate(names) if name in LABEL_NAMES), None)
    if at is None or labels is None:
        raise RecordingError(path, "has no column of times and labels", "write a header: time, label, duration")
    length = next((k for k, name in enumerate(names) if name in LENGTH_NAMES), None)
    decimal = "," if separator != "," else "."
    return [
        _row(path, number, row, names, (at, labels, length), decimal)
        for number, row in enumerate(rows[1:] if named else rows, start=2 if named else 1)
    ]


def _row(
    path: Path,
    number: int,
    row: Sequence[str],
    names: Sequence[str],
    places: tuple[int, int, int | None],
    decimal: str,
) -> Marker:
    at, labels, length = places
    if len(row) <= max(at, labels):
        raise RecordingError(path, f"row {number} has {counted(len(row), 'cell')}", "write time and label in each row")
    time = _seconds(path, number, row[at], decimal)
    lasts = None
    if length is not None and length < len(row) and row[length] not in ("", "n/a"):
        lasts = _seconds(path, number, row[length], decimal)
    others = {
        name: row[k] for k, name in enumerate(names) if k < len(row) and k not in places and row[k] not in ("", "n/a")
    }
    return time, lasts, row[labels], others


def _seconds(path: Path, number: int, cell: str, decimal: str) -> float:
    if is_number(cell, "."):
        return float(cell)
    if decimal == "," and is_number(cell, ","):
        return float(cell.replace(",", "."))
    try:
        return seconds_of_date(cell)
    except ValueError as error:
        raise RecordingError(
            path, f"row {number} has the time {cell!r}", "write seconds, or a date like 2024-05-31T14:05:09.5"
        ) from error


def to_events(
    markers: Sequence[Marker], *, path: Path, start: float, absolute: bool, duration: float
) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    """Events on the clock of the first tracking system, and what is doubtful about them.

    start: of that system on the file's own clock, s.  absolute: whether that counts from 1970.  duration: of the
    recording, s.  Times are seconds from the first sample or on the file's own clock, whichever lies in the recording.
    """
    doubts: list[str] = []
    ordered = sorted(markers, key=lambda marker: marker[0])
    shift = _shift([marker[0] for marker in ordered], path, start, absolute, duration, doubts)
    events = []
    for index, (time, lasts, label, others) in enumerate(ordered):
        kind, extra = _kind(label, doubts)
        if lasts is None:
            later = ordered[index + 1][0] - time if index + 1 < len(ordered) else duration + shift - time
            lasts = 0.0 if kind in (SHOT, TAP, CORRECTION) else max(later if kind == BLOCK else min(later, STEP_S), 0.0)
            if kind in CALIBRATION_STEPS:
                doubts.append(f"{path.name}: {kind} has no length: taken for {lasts:.1f} s")
        texts = {
            key: value for key, value in {**extra, **others}.items() if key in ("block", "intent", "outcome", "note")
        }
        if lasts < 0:
            raise RecordingError(path, f"{label} has the length {lasts:g}", "write seconds from 0 on")
        events.append(Event(onset=round(time - shift, 6), duration=lasts, trial_type=kind, **texts))
    return tuple(events), tuple(dict.fromkeys(doubts))


def _kind(label: str, doubts: list[str]) -> tuple[str, dict[str, str]]:
    """The trial type that a label means; `block: drill` and `shot: thin` tell more behind a colon."""
    head, _, tail = label.partition(":")
    word = head.strip().lower().replace(" ", "_").replace("-", "_")
    near = get_close_matches(word, TRIAL_TYPES, n=1, cutoff=0.85)
    if not near:
        doubts.append(f"the label {label!r} is none of {', '.join(TRIAL_TYPES)}: kept as a shot's note")
        return SHOT, {"note": label.strip()}
    if near[0] != word:
        doubts.append(f"the label {label!r} is taken for {near[0]}")
    where = "block" if near[0] == BLOCK else "outcome" if near[0] == SHOT else "note"
    return near[0], {where: tail.strip()} if tail.strip() else {}


def _shift(
    times: Sequence[float], path: Path, start: float, absolute: bool, duration: float, doubts: list[str]
) -> float:
    """What to take off the times so that they count from the first sample."""
    if not times:
        return 0.0
    if times[0] > SINCE_1970_S and not absolute:
        raise RecordingError(
            path, "tells dates, but the recording's clock does not", "write seconds from its first sample"
        )

    def inside(shift: float) -> bool:
        return times[0] - shift >= -1.0 and times[-1] - shift <= duration + 1.0

    from_first, on_clock = inside(0.0), inside(start)
    if not from_first and not on_clock:
        raise RecordingError(
            path, f"has events outside of the recording of {duration:.0f} s", "write seconds from its first sample"
        )
    if from_first and on_clock and abs(start) > 0.5:
        doubts.append(
            f"{path.name}: its times are taken from the first sample, not on the file's clock ({start:.1f} s)"
        )
    return 0.0 if from_first else start
