"""Which recordings stand below a folder, in which order they were made, and which one holds the calibration."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from imuswing.errors import RecordingError
from imuswing.recording.events import read_events
from imuswing.recording.layout import (
    MOTION_TABLE,
    MotionName,
    absolute,
    dataset_root,
    motion_files,
    parse_motion_name,
    scans_path,
    session_folder,
    split_tracksys,
)
from imuswing.recording.tables import read_table, value
from imuswing.vocabulary import CALIBRATION_STEPS

CALIBRATION_TASK: Final = "calibration"
NOT_SOURCES: Final[tuple[str, ...]] = ("derivatives", "sourcedata", "code", "stimuli")
"""Folders of a dataset that hold no recordings of its own (BIDS 1.10, "Source vs. raw vs. derived data")."""

Systems = dict[str, Path]
"""The motion tables of one recording by the name of their tracking system, sorted by it."""


def find_recordings(path: Path | str) -> list[Path]:
    """The first motion table of each recording at or below `path`: a motion table, a session folder or a dataset.

    Sorted by participant, session, then `acq_time` where scans.tsv gives it for the whole session, else by name with
    numbers in their order. Raises RecordingError where there is none.
    """
    path = Path(path)
    if path.is_file():
        return [_first(motion_files(path))]
    if not path.exists():
        raise RecordingError(path, "does not exist", "check the path, or copy it again if it was moved")
    recordings = _walk(path)
    if not recordings:
        raise RecordingError(
            path, f"holds no recording (*_{MOTION_TABLE})", "point to a dataset or session folder that holds one"
        )
    by_folder: dict[Path, list[Systems]] = {}
    for systems in recordings:
        by_folder.setdefault(_first(systems).parent, []).append(systems)
    folders = sorted(by_folder, key=lambda folder: _natural(str(folder)))
    return [_first(systems) for folder in folders for systems in _in_order(by_folder[folder])]


def calibration_recording(path: Path | str) -> Path | None:
    """The newest earlier recording of the same participant and session that has calibration events, or None."""
    for earlier in earlier_recordings(path):
        if any(event.trial_type in CALIBRATION_STEPS for event in read_events(motion_files(earlier))):
            return earlier
    return None


def earlier_recordings(path: Path | str) -> list[Path]:
    """First motion tables of the earlier recordings of the same participant and session, the newest first.

    Earlier by `acq_time` where scans.tsv gives it for the whole session; otherwise by name with numbers in their
    order, and recordings of the task `calibration` first.
    """
    own = motion_files(Path(path))
    name = parse_motion_name(_first(own))
    session = _walk(session_folder(dataset_root(_first(own), name), name))
    recordings = [_first(systems) for systems in _in_order(session, calibration_first=True)]
    this = [file.name for file in recordings].index(_first(own).name)
    return recordings[:this][::-1]


def acquisition_times(root: Path, name: MotionName) -> dict[Path, datetime]:
    """By motion table of a session its `acq_time` in scans.tsv, without a time zone; absent where it is not known."""
    path = scans_path(root, name)
    told = scanned_files(root, name)
    return {file: _moment(path, text) for file, text in told.items() if text is not None}


def scanned_files(root: Path, name: MotionName) -> dict[Path, str | None]:
    """The files that a session's scans.tsv names, with the text of their `acq_time`; {} where there is none."""
    path = scans_path(root, name)
    if not path.is_file():
        return {}
    rows = read_table(path, needed=("filename",), missing_do="write it, or leave it out")
    folder = session_folder(root, name)
    return {folder / row["filename"].strip(): value(row, "acq_time") for row in rows}


def _moment(path: Path, text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise RecordingError(
            path, f"has the acq_time {text!r}", "write it as 2024-05-31T14:05:09.123456, or n/a if it is not known"
        ) from error
    return moment if moment.tzinfo is None else moment.astimezone(UTC).replace(tzinfo=None)


def _first(systems: Systems) -> Path:
    return next(iter(systems.values()))


def _walk(path: Path) -> list[Systems]:
    """The recordings below a folder, in no particular order."""
    found: dict[Path, Systems] = {}
    for folder, subfolders, files in os.walk(path, followlinks=True):
        subfolders[:] = [name for name in subfolders if name not in NOT_SOURCES and not name.startswith(".")]
        for file in files:
            if file.endswith(f"_{MOTION_TABLE}") and not file.startswith("."):
                shared, system = split_tracksys(file)
                found.setdefault(Path(folder, shared), {})[system] = Path(folder, file)
    return [dict(sorted(systems.items())) for systems in found.values()]


def _natural(text: str) -> tuple[tuple[int, str], ...]:
    """A key that sorts run-2 before run-10."""
    return tuple((int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", text))


def _in_order(recordings: list[Systems], *, calibration_first: bool = False) -> list[Systems]:
    """The recordings of one session in the order in which they were made."""
    known = _session_times(recordings)
    times = [_start(known, systems) for systems in recordings]
    by_time = all(time is not None for time in times)

    def key(pair: tuple[Systems, datetime | None]) -> tuple[object, ...]:
        name = _first(pair[0]).name
        late = calibration_first and f"_task-{CALIBRATION_TASK}_" not in name
        return (pair[1] if by_time else late, _natural(name))

    return [systems for systems, _ in sorted(zip(recordings, times, strict=True), key=key)]


def _session_times(recordings: list[Systems]) -> dict[Path, datetime]:
    """The acq_times of a session, {} where its scans.tsv or a name is wrong: reading such a recording tells why."""
    try:
        first = _first(recordings[0])
        name = parse_motion_name(first)
        return acquisition_times(dataset_root(first, name), name)
    except RecordingError:
        return {}


def _start(known: dict[Path, datetime], systems: Systems) -> datetime | None:
    """The earliest acq_time of a recording's tracking systems, None where it is not known."""
    return min((known[file] for file in map(absolute, systems.values()) if file in known), default=None)
