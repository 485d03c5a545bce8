"""What a batch has done: one ledger a batch of recordings, written last, so that it vouches for the batch's tables.

A results folder holds, for each batch NAME, `swings/NAME.parquet`, `curves/NAME.parquet` and `ledger/NAME.json`. The
ledger lists the batch's recordings with the size, time and hash of every input file, and the sentence for each that
could not be used. A table without its ledger is left over from a kill and is taken away.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from imuswing.recording.events import events_path
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
from imuswing.results import write_text

LEDGER, SWINGS, CURVES, QUALITY = "ledger", "swings", "curves", "quality"
TABLES = (SWINGS, CURVES)


@dataclass(frozen=True, kw_only=True)
class InputFile:
    """One file that a recording's results rest on. path: relative to the dataset.  modified: ns.  hash: BLAKE2b."""

    path: str
    size: int
    modified: int
    hash: str


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One recording in a ledger. path: of its first motion table, relative to the dataset; failure: its sentence."""

    path: str
    inputs: tuple[InputFile, ...]
    failure: str | None = None


@dataclass(frozen=True, kw_only=True)
class Ledger:
    """One batch of recordings. settings: a hash of all settings and the package's version."""

    name: str
    settings: str
    entries: tuple[Entry, ...]


def inputs_of(first: Path, root: Path, *, also: Iterable[Path] = (), hashed: bool = True) -> tuple[InputFile, ...]:
    """Every file that the recording with the first motion table `first` is read from; `also`: of other recordings."""
    root = absolute(root)
    files = {root / "participants.tsv", scans_path(root, parse_motion_name(first))}
    for recording in (first, *also):
        for table in motion_files(absolute(recording)).values():
            files |= {table, events_path(table), events_path(table, tracksys=False)}
            files |= {*inherited(table, root, MOTION_SIDECAR), *inherited(table, root, CHANNELS_TABLE)}
    return tuple(_input(path, root, hashed=hashed) for path in sorted(files) if path.is_file())


def _input(path: Path, root: Path, *, hashed: bool) -> InputFile:
    stat = path.stat()
    return InputFile(
        path=path.relative_to(root).as_posix(),
        size=stat.st_size,
        modified=stat.st_mtime_ns,
        hash=_hash(path) if hashed else "",
    )


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def unchanged(entry: Entry, root: Path) -> bool:
    """Whether every input is as it was: same size, and same time or same content."""
    for told in entry.inputs:
        path = root / told.path
        if not path.is_file():
            return False
        stat = path.stat()
        if stat.st_size != told.size or (stat.st_mtime_ns != told.modified and _hash(path) != told.hash):
            return False
    return bool(entry.inputs)


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


def settings_hash(settings: Any, version: str) -> str:
    """A short hash that changes with any setting or the version."""
    told = json.dumps([version, asdict(settings)], sort_keys=True, default=repr)
    return hashlib.blake2b(told.encode(), digest_size=8).hexdigest()
