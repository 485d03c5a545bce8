"""What `analyze` or `batch` wrote, read for the pages: one student's swings, curves, orientations and quality."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from imuswing.compare.files import read_results
from imuswing.errors import RecordingError, SettingsError, require_one_of
from imuswing.vocabulary import KIND_SHOT

if TYPE_CHECKING:
    import pandas as pd

TABLES: Final = ("swings", "curves")
ORIENTATIONS: Final = "orientations.parquet"
QUALITY: Final = "quality"
FAILURES: Final = "failures.tsv"


@dataclass(frozen=True, kw_only=True)
class Results:
    """Tables of one or several results folders.

    swings, curves: as `analyze` writes them.  compared: the swings as `compare` wants them, with what was strapped on
    when.  quality: one record of all recordings.  orientations: for figures in space; None where no folder has them.
    """

    swings: pd.DataFrame
    curves: pd.DataFrame
    compared: pd.DataFrame
    quality: Mapping[str, Any]
    orientations: pd.DataFrame | None = None

    def of(self, **labels: str) -> Results:
        """Only what carries these labels, such as `participant` or `block`."""
        return replace(
            self,
            swings=_only(self.swings, labels),
            curves=_only(self.curves, labels),
            compared=_only(self.compared, labels),
            orientations=None if self.orientations is None else _only(self.orientations, labels),
            quality={**self.quality, "recordings": [r for r in self.quality["recordings"] if _fits(r, labels)]},
        )


def load_results(folders: Sequence[Path]) -> Results:
    """Read results folders; each swing must stand in them once.

    Raises RecordingError where a folder holds no results or a file cannot be read.
    """
    compared = read_results(folders)
    turned = [path for folder in folders for path in _parts(folder, Path(ORIENTATIONS).stem)]
    return Results(
        swings=_read("swings", folders),
        curves=_read("curves", folders),
        compared=compared,
        quality=_quality(folders),
        orientations=_table(turned) if turned else None,
    )


@dataclass(frozen=True, kw_only=True)
class Failed:
    """A recording that a batch could not use, and the sentence that says why."""

    recording: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Dataset:
    """All swings of results folders, without their curves: for the page about many recordings.

    quality: one record of all recordings.  failures: what the batches could not use.
    """

    swings: pd.DataFrame
    quality: Mapping[str, Any]
    failures: tuple[Failed, ...] = ()

    def of(self, **labels: str) -> Dataset:
        """Only what carries these labels; failures, which carry none, only with all."""
        records = [record for record in self.quality["recordings"] if _fits(record, labels)]
        return replace(
            self,
            swings=_only(self.swings, labels),
            quality={**self.quality, "recordings": records},
            failures=() if labels else self.failures,
        )


def load_dataset(folders: Sequence[Path]) -> Dataset:
    """Read the swings and quality of results folders; each swing must stand in them once. Errors as `load_results`."""
    read_results(folders)  # refuses doubles, and tables and records that are none
    return Dataset(swings=_read("swings", folders), quality=_quality(folders), failures=_failures(folders))


def _quality(folders: Sequence[Path]) -> dict[str, Any]:
    """The quality records of all folders as one."""
    quality: dict[str, Any] = {"recordings": [], "warnings": []}
    for folder in folders:
        for record in _quality_records(folder):
            quality["recordings"] += record.get("recordings", [])
            quality["warnings"] += record.get("warnings", [])
            quality.update({key: record[key] for key in ("imuswing", "settings") if key in record})
    return quality


def _failures(folders: Sequence[Path]) -> tuple[Failed, ...]:
    """What stands in the folders' `failures.tsv`, as a batch writes it."""
    rows = []
    for folder in folders:
        path = folder / FAILURES
        if path.is_file():
            for line in path.read_text(encoding="utf-8").splitlines()[1:]:
                recording, _, reason = line.partition("\t")
                # The sentence begins with the whole path, which is nobody's business on a page.
                rows.append(Failed(recording=recording, reason=_without_path(reason, recording)))
    return tuple(rows)


def _without_path(reason: str, recording: str) -> str:
    """A sentence that begins with a file, without the folders that it stands in; of the recording's own, without it."""
    head, colon, rest = reason.partition(": ")
    name = re.split(r"[/\\\\]", head)[-1]
    if not colon or name == head:
        return reason
    return rest if name == Path(recording).name else f"{name}: {rest}"


def one_student(results: Results, participant: str | None) -> Results:
    """The results of one student; SettingsError lists who is there if it is not clear who is meant."""
    there = sorted({str(label) for label in results.swings["participant"].dropna()})
    if participant is not None:
        require_one_of("--participant", participant, there)
    elif len(there) > 1:
        raise SettingsError(f"the results hold {len(there)} students; name one with --participant: {', '.join(there)}")
    elif not there:
        raise SettingsError("the results hold no swing; name results of a recording in which swings were found")
    return results.of(participant=participant or there[0])


def one_task(results: Results, task: str | None) -> Results:
    """The results of one kind of shot: the one named, else the one with most shots."""
    shots = results.swings[(results.swings["kind"] == KIND_SHOT).to_numpy(dtype=bool, na_value=False)]
    counts = (shots if len(shots) else results.swings)["task"].value_counts()
    if task is not None:
        require_one_of("--task", task, sorted(str(label) for label in results.swings["task"].dropna().unique()))
    elif not len(counts):
        return results
    return results.of(task=task or str(counts.index[0]))


def _only(table: pd.DataFrame, labels: Mapping[str, str]) -> pd.DataFrame:
    for name, label in labels.items():
        if name in table.columns:
            table = table[(table[name] == label).to_numpy(dtype=bool, na_value=False)]
    return table.reset_index(drop=True)


def _fits(record: Mapping[str, Any], labels: Mapping[str, str]) -> bool:
    about = record.get("recording") or {}
    return all(name not in about or about[name] == label for name, label in labels.items())


def _read(name: str, folders: Sequence[Path]) -> pd.DataFrame:
    paths = []
    for folder in folders:
        found = _parts(folder, name)
        if not found:
            raise RecordingError(folder, f"holds neither {name}.parquet nor {name}/*.parquet", "analyze once more")
        paths += found
    return _table(paths)


def _parts(folder: Path, name: str) -> list[Path]:
    whole = folder / f"{name}.parquet"
    return [whole] if whole.is_file() else sorted((folder / name).glob("*.parquet"))


def _table(paths: Sequence[Path]) -> pd.DataFrame:
    import pyarrow as pa
    import pyarrow.parquet as pq

    tables = []
    for path in paths:
        try:
            tables.append(pq.read_table(path))
        except (pa.ArrowException, OSError) as error:
            raise RecordingError(path, "it cannot be read as a Parquet table", "analyze the recording again") from error
    joined = pa.concat_tables([table.replace_schema_metadata(None) for table in tables], promote_options="permissive")
    return joined.to_pandas()


def _quality_records(folder: Path) -> list[Mapping[str, Any]]:
    whole = folder / f"{QUALITY}.json"
    records: list[Mapping[str, Any]] = []
    for path in [whole] if whole.is_file() else sorted((folder / QUALITY).glob("*.json")):
        content = json.loads(path.read_text(encoding="utf-8"))  # read_results has found it sound
        records.append(content if isinstance(content, dict) else {"recordings": content})
    return records
