"""What a batch has done: one ledger a batch of recordings, written last, so that it vouches for the batch's tables.

A results folder holds, for each batch NAME, `swings/NAME.parquet`, `curves/NAME.parquet` and `ledger/NAME.json`. The
ledger lists the batch's recordings with the size, time and hash of every input file, and the sentence for each that
could not be used. A table without its ledger is left over from a kill and is taken away.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from imuswing.errors import RecordingError
from imuswing.recording.dataset import is_simulated
from imuswing.recording.events import events_path, read_events
from imuswing.recording.find import calibration_recording, earlier_recordings
from imuswing.recording.layout import (
    CHANNELS_TABLE,
    MOTION_SIDECAR,
    absolute,
    dataset_root,
    inherited,
    motion_files,
    parse_motion_name,
    scans_path,
)
from imuswing.recording.participants import read_lead_side
from imuswing.results import write_text
from imuswing.vocabulary import CALIBRATION_STEPS

LEDGER, SWINGS, CURVES, ORIENTATIONS, QUALITY = "ledger", "swings", "curves", "orientations", "quality"
TABLES = (SWINGS, CURVES, ORIENTATIONS)
"""The last one only where it is asked for."""


@dataclass(frozen=True, kw_only=True)
class InputFile:
    """One file that a recording's results rest on. path: relative to the dataset.  modified: ns.  hash: BLAKE2b."""

    path: str
    size: int
    modified: int
    hash: str


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One recording in a ledger. path: of its first motion table, relative to the dataset; failure: its sentence.

    facts, calibrated_here: see `Inputs`.
    """

    path: str
    inputs: tuple[InputFile, ...]
    failure: str | None = None
    facts: str = ""
    calibrated_here: bool = True


@dataclass(frozen=True, kw_only=True)
class Ledger:
    """One batch of recordings. settings: a hash of all settings and the package's version."""

    name: str
    settings: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """Everything that a recording's results rest on.

    files: without hashes.  facts: what the dataset says of the student and of itself, in words; a new student's row
    in participants.tsv changes nothing for the others.  calibrated_here: not by another recording of the visit.
    """

    files: tuple[InputFile, ...]
    facts: str
    calibrated_here: bool


def inputs_of(first: Path, root: Path) -> Inputs:
    """The files behind the recording with the first motion table `first`, as they are now.

    Those of the recording that it is calibrated by are among them, also where the analysis fails: it may be the
    reason. Raises RecordingError where `first` is no motion table.
    """
    root = absolute(root)
    others: list[Path] = []
    calibrated_here, culprit = True, None
    try:
        calibrated_here = any(e.trial_type in CALIBRATION_STEPS for e in read_events(motion_files(first)))
        source = None if calibrated_here else calibration_recording(first)
        # Where nothing is marked in the whole visit, any earlier recording may show the routine.
        others = [] if calibrated_here else earlier_recordings(first) if source is None else [source]
    except RecordingError as error:
        culprit = error.where
    files = _files(first, root, others)
    if culprit is not None and root in (culprit := absolute(Path(culprit))).parents:
        files |= {culprit}
    return Inputs(files=_as_they_are(files, root), facts=_facts(first, root), calibrated_here=calibrated_here)


def _facts(first: Path, root: Path) -> str:
    try:
        side = f"lead side {read_lead_side(root, parse_motion_name(first).sub)}"
        return f"{side}, simulated" if is_simulated(root) else side
    except RecordingError as error:
        return error.wrong


def _files(first: Path, root: Path, others: Iterable[Path] = ()) -> set[Path]:
    files = {scans_path(root, parse_motion_name(first))}
    for recording in (first, *others):
        for table in motion_files(absolute(recording)).values():
            files |= {table, events_path(table), events_path(table, tracksys=False)}
            files |= {*inherited(table, root, MOTION_SIDECAR), *inherited(table, root, CHANNELS_TABLE)}
    return files


def _as_they_are(files: Iterable[Path], root: Path) -> tuple[InputFile, ...]:
    found = []
    for path in sorted(files):
        if path.is_file():
            stat = path.stat()
            name = path.relative_to(root).as_posix()
            found.append(InputFile(path=name, size=stat.st_size, modified=stat.st_mtime_ns, hash=""))
    return tuple(found)


def at_rest(inputs: Inputs, first: Path, root: Path) -> bool:
    """Whether these files and facts are still as they were; files that came since are seen by the next run."""
    now = _as_they_are((root / file.path for file in inputs.files), root)
    return now == inputs.files and _facts(first, root) == inputs.facts


def hashed(files: Iterable[InputFile], root: Path) -> tuple[InputFile, ...]:
    """The same files with the hashes of their contents."""
    return tuple(replace(file, hash=_hash(root / file.path)) for file in files)


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def unchanged(entry: Entry, root: Path) -> bool:
    """Whether the same files are there, each of the same size, and of the same time or content."""
    first = root / entry.path
    try:
        # Whether it is calibrated by its own routine stands in its own events: only others must look anew.
        now = _as_they_are(_files(first, root), root) if entry.calibrated_here else inputs_of(first, root).files
    except RecordingError:
        return False
    same = entry.facts == _facts(first, root) and len(now) == len(entry.inputs) > 0
    return same and all(
        file.path == told.path
        and file.size == told.size
        and (file.modified == told.modified or _hash(root / file.path) == told.hash)
        for file, told in zip(now, entry.inputs, strict=True)
    )


def root_of(first: Path) -> Path:
    """The dataset that a motion table belongs to."""
    return dataset_root(first, parse_motion_name(first))


def read_ledgers(out: Path) -> list[Ledger]:
    """All ledgers of a results folder; one that cannot be read counts as not there."""
    ledgers = []
    for path in sorted((out / LEDGER).glob("*.json")):
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
            entries = tuple(
                Entry(
                    path=entry["path"],
                    failure=entry["failure"],
                    facts=entry["facts"],
                    calibrated_here=entry["calibrated_here"],
                    inputs=tuple(InputFile(**file) for file in entry["inputs"]),
                )
                for entry in told["entries"]
            )
            ledgers.append(Ledger(name=told["name"], settings=told["settings"], entries=entries))
        except (ValueError, KeyError, TypeError):
            continue
    return ledgers


def write_ledger(out: Path, ledger: Ledger) -> None:
    """Write a batch's ledger, whole or not at all."""
    write_text(out / LEDGER / f"{ledger.name}.json", json.dumps(asdict(ledger)))


def take_away(out: Path, names: Iterable[str]) -> None:
    """Remove batches: the ledger first, so that no table is vouched for that is half gone."""
    for name in names:
        (out / LEDGER / f"{name}.json").unlink(missing_ok=True)
        for table in TABLES:
            (out / table / f"{name}.parquet").unlink(missing_ok=True)
        (out / QUALITY / f"{name}.json").unlink(missing_ok=True)


def leftovers(out: Path, ledgers: Sequence[Ledger]) -> list[str]:
    """Names of batches whose tables stand without a ledger, after a kill."""
    kept = {ledger.name for ledger in ledgers}
    found = {path.stem for table in TABLES for path in (out / table).glob("*.parquet")}
    for folder in (*TABLES, LEDGER, QUALITY):
        for part in (out / folder).glob(".*.part"):
            part.unlink(missing_ok=True)
    return sorted(found - kept)


def settings_hash(settings: Any, *told_too: str) -> str:
    """A short hash that changes with any setting or with anything else that is told, such as the version."""
    told = json.dumps([*told_too, asdict(settings)], sort_keys=True, default=repr)
    return hashlib.blake2b(told.encode(), digest_size=8).hexdigest()
