"""Events of a recording: the calibration's steps, blocks, shots and taps."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.recording.layout import EVENTS_TABLE, parse_motion_name
from imuswing.recording.model import Event
from imuswing.recording.tables import NOT_AVAILABLE, Row, read_table, table_text, value
from imuswing.vocabulary import CORRECTION, SHOT, TAP, TRIAL_TYPES

NEEDED_COLUMNS: Final[tuple[str, ...]] = ("onset", "duration", "trial_type")
TEXT_COLUMNS: Final[tuple[str, ...]] = ("block", "intent", "outcome", "note")

EVENT_FIELDS: Final[Mapping[str, Mapping[str, Any]]] = {
    "onset": {
        "Description": "Seconds from the first sample of the first tracking system (by name), on its clock",
        "Units": "s",
    },
    "duration": {"Description": "Seconds", "Units": "s"},
    "trial_type": {
        "Description": "Step of the calibration routine, block of shots, shot, or tap of all sensors",
        "Levels": {
            "stand": "stands upright and still, arms hanging, lead palm facing the thigh",
            "bow": "slow bows from the hips, starting upright",
            "table": "lead forearm and hand flat on a table, palm down, still",
            "wrist_bend": "hand bent down and up over the table's edge, starting downwards",
            "club_hang": "club hangs straight down from the grip, still, its face square to the body",
            "forearm_roll": "palm turned up and down at a right-angled elbow, starting with the palm turning down",
            "block": "span of shots with one intention",
            "shot": "one shot as the coach noted it, up to some seconds after impact",
            "tap": "all sensors knocked together, to align their clocks",
            "correction": "what a person says against the analysis at this moment; the note says what",
        },
    },
    "block": {"Description": "Name of the block"},
    "intent": {"Description": "What the block or shot aims at"},
    "outcome": {"Description": "What became of the shot, in the coach's words"},
    "note": {"Description": "Remark"},
}

LIKENESS: Final = 0.85
"""From this likeness on (difflib's ratio, 0 to 1) an unknown trial_type is a misspelt one, not another's event."""

NAMED: Final = 8
"""So many unknown trial_types are named at most."""

MOMENTS: Final[tuple[str, ...]] = (SHOT, TAP, CORRECTION)
"""Events that need no duration."""


def events_path(first: Path, *, tracksys: bool = True) -> Path:
    """The events file of a recording whose first motion table is `first`, or the one without a tracking system."""
    name = parse_motion_name(first)
    return first.with_name((name if tracksys else name.without_tracksys()).file(EVENTS_TABLE))


def read_events(files: Mapping[str, Path], *, clock: str | None = None) -> tuple[Event, ...]:
    """The events of a recording in time order, on the clock of tracking system `clock` (the first by name if None).

    files: by tracking system its motion table.  Events of types that we do not know are left out (`passed_over` tells
    them); RecordingError for one that is misspelt, for an onset or duration that is no number, and for events on
    another clock.
    """
    tables = _event_tables(files, min(files) if clock is None else clock)
    events = {event: None for path in tables for event in split_rows(path)[1]}
    return tuple(sorted(events, key=lambda event: event.onset))


def passed_over(files: Mapping[str, Path], *, clock: str) -> tuple[str, ...]:
    """Of each events file the types that we do not know, in words: another program's, or misspelt beyond likeness."""
    told = []
    for path in _event_tables(files, clock):
        kinds = Counter(kind for row in split_rows(path)[0] if (kind := value(row, "trial_type")))
        if not kinds:
            continue
        more = f" and {len(kinds) - NAMED} more" if len(kinds) > NAMED else ""
        told.append(
            f"{path}: {kinds.total()} row(s) passed over whose trial_type is not known: "
            f"{_quoted(list(kinds)[:NAMED])}{more}. Known are {_quoted(TRIAL_TYPES)}."
        )
    return tuple(told)


def _quoted(words: Sequence[str]) -> str:
    return ", ".join(f"'{word}'" for word in words)


def _event_tables(files: Mapping[str, Path], clock: str) -> list[Path]:
    """The events files of a recording on tracking system `clock`; RecordingError if there are others' only."""
    own, shared = events_path(files[clock]), events_path(files[clock], tracksys=False)
    found = [path for path in (own, shared) if path.is_file()]
    others = [events_path(files[system]) for system in sorted(files) if system != clock]
    strange = [path for path in others if path.is_file()]
    # A file without a tracking system is told on the first one's clock, which may be one without inertial sensors.
    if clock != min(files) and shared in found and own not in found:
        strange, found = [shared], []
    if strange and not found:
        raise RecordingError(
            strange[0],
            f"tells its events on another clock than that of the tracking system {clock}",
            f"tell them in seconds from the first sample of {files[clock].name}, and name the file {own.name}",
        )
    return found


def _event(path: Path, place: str, row: Row) -> Event | None:
    """One row as an event; None where its type is none of ours."""
    kind = row["trial_type"].strip()
    if kind not in TRIAL_TYPES:
        alike = get_close_matches(kind.lower().replace("-", "_").replace(" ", "_"), TRIAL_TYPES, n=1, cutoff=LIKENESS)
        if alike:
            raise RecordingError(path, f"{place} has the trial_type {kind!r}", f"write {alike[0]} if that is meant")
        return None
    onset = _seconds(path, place, row, "onset", None)
    duration = _seconds(path, place, row, "duration", 0.0 if kind in MOMENTS else None)
    if duration < 0.0:
        raise RecordingError(path, f"{place} has the duration {row['duration']!r}", "write seconds from 0 on")
    texts = {column: value(row, column) for column in TEXT_COLUMNS}
    return Event(onset=onset, duration=duration, trial_type=kind, **texts)


def _seconds(path: Path, place: str, row: Row, column: str, default: float | None) -> float:
    """A cell in seconds; `default` where it is n/a and that is allowed."""
    cell = value(row, column)
    if cell is None and default is not None:
        return default
    try:
        seconds = float(cell or "")
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds):
        raise RecordingError(
            path,
            f"{place} ({row['trial_type']}) has the {column} {row[column]!r}",
            "write seconds on the clock of the first tracking system, as a number with a decimal point",
        )
    return seconds


def event_rows(events: tuple[Event, ...]) -> list[dict[str, str | None]]:
    """The events as rows of an events.tsv, as text by column."""
    return [
        {
            "onset": _number(event.onset),
            "duration": _number(event.duration),
            "trial_type": event.trial_type,
            **{column: getattr(event, column) for column in TEXT_COLUMNS},
        }
        for event in events
    ]


def split_rows(path: Path) -> tuple[list[Row], dict[Event, Row]]:
    """The rows of an events file that are none of ours, and our events with their rows; none where there is no file."""
    if not path.is_file():
        return [], {}
    do = "copy it again if it held events, or delete it and mark them with `imuswing mark`"
    rows = read_table(path, needed=NEEDED_COLUMNS, missing_do=do)
    told = [(_event(path, f"line {number}", row), row) for number, row in enumerate(rows, start=2)]
    return [row for event, row in told if event is None], {event: row for event, row in told if event is not None}


def events_text(rows: Sequence[Mapping[str, str | None]]) -> str:
    """Rows as an events.tsv in time order; columns that no row uses are left out."""
    return table_text(used_columns(rows), sorted(rows, key=_onset))


def used_columns(rows: Sequence[Mapping[str, str | None]]) -> list[str]:
    """The needed columns, then those in which a row holds something."""
    filled = [column for row in rows for column, cell in row.items() if cell not in (None, "", NOT_AVAILABLE)]
    ours = [column for column in TEXT_COLUMNS if column in filled]
    return list(dict.fromkeys((*NEEDED_COLUMNS, *ours, *filled)))


def event_fields(columns: Sequence[str]) -> dict[str, Any]:
    """What our columns mean, for events.json."""
    return {column: EVENT_FIELDS[column] for column in columns if column in EVENT_FIELDS}


def _onset(row: Mapping[str, str | None]) -> float:
    """Key to sort rows by onset; rows of others that have none stand last."""
    try:
        return float(row["onset"] or "")
    except ValueError:
        return math.inf


def _number(number: float) -> str:
    """Shortest decimal text, without exponent, that reads back as the same number."""
    return np.format_float_positional(number, trim="-")
