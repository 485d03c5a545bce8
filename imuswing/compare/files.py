"""Results folders read as one table of swings, and a comparison written whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from imuswing.compare.groups import FLAGS, STRAPPING
from imuswing.errors import RecordingError, SettingsError
from imuswing.measures.dictionary import KEY_COLUMNS, MEASURES

if TYPE_CHECKING:
    import pandas as pd

TABLE: Final = "swings.parquet"
FOLDER: Final = "swings"
QUALITY: Final = "quality.json"
QUALITY_FOLDER: Final = "quality"
PARQUET: Final = ".parquet"
SEPARATORS: Final = {".csv": ",", ".tsv": "\t"}
ENDINGS: Final = (PARQUET, *SEPARATORS)
"""Of a file that a comparison is written into."""
Labels = tuple[str | None, ...]
LABELS: Final = ("participant", "session", "task", "acq", "run")
NAMES_A_RECORDING: Final = "_motion.tsv"
"""The quality record names another recording's file where that one's routine served. Its other words (own steps marked
or found in the data, or none at all) all mean this recording by itself."""

WANTED: Final = (
    *KEY_COLUMNS,
    "block",
    "outcome",
    "kind",
    "impact_s",
    FLAGS,
    *(name for m in MEASURES for name in ((m.name, m.se_name) if m.has_se else (m.name,))),
)
"""Columns that are read: what is compared, and by what."""


def read_results(folders: Sequence[Path]) -> pd.DataFrame:
    """All swings of results folders as one table, with a column `strapping` from their quality records.

    A folder is one that `analyze` or `batch` wrote: `swings.parquet` or `swings/*.parquet`. Recordings that were
    calibrated by the same routine share a `strapping`, where it is repeated until it is; where no quality record says
    so, each recording has its own.
    Raises `RecordingError` where a folder holds no tables, one cannot be read, or a swing stands in two of them.
    """
    import pyarrow as pa

    tables: list[Any] = []
    served: dict[Labels, _Served] = {}
    for folder in folders:
        tables += [_read_table(path) for path in _tables_in(folder)]
        for record in _quality_records(folder):
            served.update((each.labels, each) for each in _served(record))
    swings = pa.concat_tables(tables, promote_options="permissive").to_pandas()
    _refuse_doubles(swings, folders)
    swings[STRAPPING] = _strappings(swings, served)
    return swings


@dataclass(frozen=True, kw_only=True)
class _Served:
    """Whose routine calibrated a recording.  own: its own one.  anew: when it was repeated in it, s."""

    labels: Labels
    routine: str
    own: bool
    anew: Sequence[float]


def _strappings(swings: pd.DataFrame, served: Mapping[Labels, _Served]) -> list[str]:
    """A name a swing, the same where the same routine served."""
    rounds = {each.routine: each.anew for each in served.values() if each.own}
    impacts = swings["impact_s"].tolist() if "impact_s" in swings.columns else [0.0] * len(swings)
    names = []
    for labels, impact in zip(_label_rows(swings), impacts, strict=True):
        own = served.get(labels)
        if own is None:
            names.append("/".join(label or "" for label in labels))
            continue
        # Another recording is served by the last round.
        anew = rounds.get(own.routine, ())
        count = sum(since <= impact for since in anew) if own.own else len(anew)
        names.append(f"{own.routine} {count + 1}")
    return names


def _tables_in(folder: Path) -> list[Path]:
    do = "name a folder that imuswing analyze or batch wrote"
    if not folder.is_dir():
        raise RecordingError(folder, "is no folder" if folder.exists() else "is not there", do)
    if (folder / TABLE).is_file():
        return [folder / TABLE]
    found = sorted((folder / FOLDER).glob("*.parquet"))
    if not found:
        raise RecordingError(folder, f"holds neither {TABLE} nor {FOLDER}/*.parquet", do)
    return found


def _read_table(path: Path) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    again = "analyze the recording again"
    try:
        with pq.ParquetFile(path) as file:
            names = set(file.schema_arrow.names)
            missing = [name for name in ("participant", "task", "kind") if name not in names]
            if missing:
                raise RecordingError(path, f"it has no column {missing[0]!r}, so it is no table of swings", again)
            table = file.read(columns=[name for name in WANTED if name in names])
    except pa.ArrowException as error:
        raise RecordingError(path, "it cannot be read as a Parquet table", again) from error
    return table.replace_schema_metadata(None)


def _label_rows(swings: pd.DataFrame) -> list[tuple[str | None, ...]]:
    columns = []
    for name in LABELS:
        if name in swings.columns:
            column = swings[name].astype(object)
            columns.append(column.where(column.notna(), None).tolist())
        else:
            columns.append([None] * len(swings))
    return list(zip(*columns, strict=True))


def _refuse_doubles(swings: pd.DataFrame, folders: Sequence[Path]) -> None:
    keys = [name for name in KEY_COLUMNS if name in swings.columns]
    double = swings.duplicated(subset=keys)
    if "swing" in keys and double.any():
        row = swings[double.to_numpy()].iloc[0]
        said = ", ".join(f"{name} {row[name]}" for name in keys if row[name] == row[name] and row[name] is not None)
        raise RecordingError(
            ", ".join(str(folder) for folder in folders),
            f"the same swing stands in the results twice ({said})",
            "name the results of each recording once",
        )


def _quality_records(folder: Path) -> list[Path]:
    """Beside `swings.parquet` one record of all recordings, beside `swings/` one for each table."""
    whole = folder / QUALITY
    return [whole] if whole.is_file() else sorted((folder / QUALITY_FOLDER).glob("*.json"))


def _served(path: Path) -> Iterator[_Served]:
    """Whose routine calibrated each recording of a quality record."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        for entry in record["recordings"] if isinstance(record, dict) else record:
            about, calibration = entry["recording"], entry["calibration"]
            lent = str(calibration["source"]).endswith(NAMES_A_RECORDING)
            file = calibration["source"] if lent else about["file"]
            if file is not None:
                yield _Served(
                    labels=tuple(about[name] for name in LABELS),
                    routine=f"{about['participant']}/{about['session']}/{file}",
                    own=file == about["file"],
                    anew=[float(each["since_s"]) for each in calibration.get("anew", ())],
                )
    except (ValueError, KeyError, TypeError) as error:
        raise RecordingError(path, "it is no quality record", "analyze the recording again") from error


def check_ending(path: Path) -> None:
    """SettingsError for a name whose ending is of no kind that `write_comparison` writes."""
    if path.suffix.lower() not in ENDINGS:
        raise SettingsError(f"--out {path} must end in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}")


def write_comparison(table: pd.DataFrame, path: Path) -> None:
    """Write a comparison as its name ends, under a temporary name, then rename: it is there whole or not at all.

    Parquet carries the measures' units; delimited text has empty cells where nothing could be told.
    """
    check_ending(path)
    temporary = path.with_name(f".{path.name}.part")
    try:
        if path.suffix.lower() == PARQUET:
            _write_parquet(table, temporary)
        else:
            table.to_csv(temporary, sep=SEPARATORS[path.suffix.lower()], index=False, lineterminator="\n")
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _write_parquet(table: pd.DataFrame, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    units = json.dumps({m.name: m.unit for m in MEASURES}, ensure_ascii=False)
    arrow = pa.Table.from_pandas(table, preserve_index=False).replace_schema_metadata({"units": units})
    pq.write_table(arrow, path, compression="zstd")
