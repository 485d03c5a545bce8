"""Forgetting a student: every file and row of theirs in a dataset and in results folders.

A dataset is valid at every moment, so that an interruption leaves one that is; a second call finishes. Links are taken
away, never followed, and nothing outside of the named folders is touched.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any, Final

from imuswing.errors import RecordingError, counted
from imuswing.plan.files import FOLDER, plan_path
from imuswing.recording.dataset import DESCRIPTION, check_label
from imuswing.recording.participants import PARTICIPANTS
from imuswing.recording.tables import decode, json_text, write_files

TRASH: Final = ".forgotten-"
"""A folder under this name is half removed; readers and the validator leave names with a dot alone."""

LABEL_COLUMNS: Final = ("participant_id", "participant")
PATH_COLUMNS: Final = ("filename", "recording", "path", "source")
TABLES: Final = (".tsv", ".csv")
PAGES: Final = (".html", ".htm")
PRINTS: Final = ".pdf"


@dataclass(frozen=True, kw_only=True)
class Removal:
    """One thing to be done. path: what it concerns.  what: in words.  do: does it."""

    path: Path
    what: str
    do: Callable[[], None]


@dataclass(frozen=True, kw_only=True)
class _Student:
    label: str

    @property
    def folder(self) -> str:
        return f"sub-{self.label}"

    def owns(self, name: str) -> bool:
        """Whether a file or folder of this name is the student's: sub-LABEL, alone or before a sign."""
        return re.match(rf"\.?{re.escape(self.folder)}(?![0-9A-Za-z])", name) is not None

    def in_path(self, text: str) -> bool:
        """Whether a path in a text leads through the student's files."""
        return any(self.owns(part) for part in text.replace("\\", "/").split("/"))

    def in_row(self, row: dict[str, Any]) -> bool:
        """Whether a row of a table is the student's."""
        labels = {self.label, self.folder}
        return any(str(row.get(name, "")).strip() in labels for name in LABEL_COLUMNS) or any(
            self.in_path(str(row.get(name) or "")) for name in PATH_COLUMNS
        )

    def named_in(self, text: str) -> bool:
        """Whether a text names the student's label as a word."""
        return re.search(rf"(?<![0-9A-Za-z])(?:sub-)?{re.escape(self.label)}(?![0-9A-Za-z])", text) is not None


def removals(dataset: Path, participant: str, *, results: Sequence[Path] = ()) -> list[Removal]:
    """All that is to be removed, in the order in which it must be done.

    Raises RecordingError where a folder is no dataset or holds no results, or where nothing of the student is found.
    """
    label = participant.removeprefix("sub-")
    check_label("participant", label)
    if not (dataset / DESCRIPTION).is_file():
        raise RecordingError(dataset, f"is no dataset (it has no {DESCRIPTION})", "name the dataset's folder")
    for folder in results:
        _check_results(folder)
    student = _Student(label=label)
    found = [item for folder in results for item in _beside(folder, student)]
    found += _beside(dataset, student)
    plan = plan_path(dataset, label)
    if _there(plan):
        found.append(Removal(path=plan, what="plan", do=plan.unlink))
    found += _own(dataset, student)
    if not found:
        there = sorted(path.name for path in dataset.glob("sub-*"))
        raise RecordingError(
            dataset,
            f"holds nothing of {student.folder}",
            f"name one of {', '.join(there) or 'its students (it has none)'}",
        )
    return found


def forget(items: Sequence[Removal]) -> None:
    """Do all of it."""
    for item in items:
        item.do()


def _check_results(folder: Path) -> None:
    if not folder.is_dir():
        raise RecordingError(folder, "is no folder", "name a folder that imuswing analyze or batch wrote")
    if not (folder / "swings.parquet").is_file() and not (folder / "swings").is_dir():
        raise RecordingError(folder, "holds no results", "name a folder that imuswing analyze or batch wrote")


def _there(path: Path) -> bool:
    return path.is_symlink() or path.exists()


def _own(root: Path, student: _Student) -> list[Removal]:
    """The student's recordings and row. Of the last student the table goes first, else the recordings do, since the
    validator asks for a row for each folder, and for folders only where there is a table."""
    folder, table = root / student.folder, root / PARTICIPANTS
    trash = root / f"{TRASH}{student.label}"
    own: list[Removal] = []
    if _there(folder):
        own.append(Removal(path=folder, what=_recordings(folder), do=lambda: _put_away(folder, trash)))
    rows = _rows(table, student) if table.is_file() else None
    if rows is not None:
        rest, gone = rows
        last = not rest
        do = (lambda: _drop_participants(root)) if last else (lambda: _write_rows(table, student))
        row = Removal(path=table, what=counted(gone, "row"), do=do)
        own = [row, *own] if last else [*own, row]
    if own or _there(trash):
        own.append(Removal(path=trash, what="what an interrupted removal left", do=lambda: _remove(trash)))
    return own


def _recordings(folder: Path) -> str:
    if folder.is_symlink():
        return "a link; what it leads to stays"
    tables = [path.name for path in folder.rglob("*_motion.tsv")]
    count = len({re.sub(r"_tracksys-[^_]*", "", name) for name in tables})
    files = sum(path.is_file() or path.is_symlink() for path in folder.rglob("*"))
    return f"{count} recording{'' if count == 1 else 's'} in {files} files"


def _put_away(folder: Path, trash: Path) -> None:
    """Out of the dataset at one stroke; removed after that."""
    if folder.is_symlink():
        folder.unlink()
        return
    _remove(trash)
    os.rename(folder, trash)


def _remove(path: Path) -> None:
    if path.is_symlink() or path.is_file():
        path.unlink()
    elif path.is_dir():
        shutil.rmtree(path)


def _drop_participants(root: Path) -> None:
    (root / PARTICIPANTS).unlink()
    (root / "participants.json").unlink(missing_ok=True)


def _beside(root: Path, student: _Student) -> Iterator[Removal]:
    """Everything of the student below a folder, but for its own sub-LABEL, its plan and its row in participants.tsv.

    Folders that are another student's by their name are not looked into.
    """
    for folder, subfolders, files in os.walk(root):
        here = Path(folder)
        for name in list(subfolders):
            path = here / name
            if here == root and name in (student.folder, FOLDER, f"{TRASH}{student.label}"):
                subfolders.remove(name)
            elif student.owns(name):
                subfolders.remove(name)
                yield Removal(path=path, what="folder", do=lambda path=path: _remove(path))  # type: ignore[misc]
            elif path.is_symlink() or name.startswith(("sub-", ".git")):
                subfolders.remove(name)
        for name in sorted(files):
            path = here / name
            if here == root and name == PARTICIPANTS:
                continue
            if student.owns(name):
                yield Removal(path=path, what="file", do=path.unlink)
            elif not path.is_symlink():
                yield from _inside(path, student)


def _inside(path: Path, student: _Student) -> Iterator[Removal]:
    """Rows and entries of the student in a file that holds others' too, and pages that name the student."""
    suffix = path.suffix.lower()
    if suffix == ".parquet":
        gone = _parquet_rows(path, student)
        if gone:
            yield Removal(path=path, what=f"{gone} rows", do=lambda: _write_parquet(path, student))
    elif suffix in TABLES and (rows := _rows(path, student)) is not None:
        yield Removal(path=path, what=f"{rows[1]} rows", do=lambda: _write_rows(path, student))
    elif suffix == ".json" and (pruned := _pruned(path, student)) is not None:
        yield Removal(path=path, what="entries", do=lambda: write_files({path: json_text_of(pruned)}))
    elif suffix in PAGES and student.named_in(_visible(path)):
        yield Removal(path=path, what="page that names the student; make it anew for others", do=path.unlink)
        printed = path.with_suffix(PRINTS)
        if printed.is_file() and not student.owns(printed.name):
            yield Removal(path=printed, what="the same page, printed", do=printed.unlink)


def _parquet_mask(path: Path, student: _Student) -> Any:
    """Which rows (N,) are the student's, None for a file without a column that tells."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            names = [name for name in LABEL_COLUMNS if name in file.schema_arrow.names]
            if not names:
                return None
            labels = file.read(columns=names[:1]).column(0).to_pylist()
    except pa.ArrowException as error:
        raise RecordingError(
            path,
            "cannot be read as a Parquet table, so nobody can tell whose rows it holds",
            "delete it, or copy it again",
        ) from error
    return [label in (student.label, student.folder) for label in labels]


def _parquet_rows(path: Path, student: _Student) -> int:
    return sum(_parquet_mask(path, student) or ())


def _write_parquet(path: Path, student: _Student) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from imuswing.measures.tables import write_table

    mask = _parquet_mask(path, student)
    with pq.ParquetFile(path) as file:
        table = file.read()
    write_table(table.filter(pa.array([not own for own in mask])), path)


def _lines(path: Path) -> tuple[list[list[str]], str] | None:
    """Cells of a small table and its separator; None where it has no header that tells whose its rows are."""
    separator = "\t" if path.suffix.lower() == ".tsv" else ","
    with path.open("rb") as file:
        header = file.readline(100_000)
    names = {cell.strip().strip('"') for cell in header.decode("utf-8", "replace").lstrip("\ufeff").split(separator)}
    if not names & {*LABEL_COLUMNS, *PATH_COLUMNS}:
        return None
    text = decode(path, path.read_bytes())
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator)), separator


def _rows(path: Path, student: _Student) -> tuple[list[list[str]], int] | None:
    """Rows of others and the number of the student's; None where there are none of the student's."""
    told = _lines(path)
    if told is None:
        return None
    (header, *rows), _ = told
    rest = [row for row in rows if not student.in_row(dict(zip(header, row, strict=False)))]
    return (rest, len(rows) - len(rest)) if len(rest) < len(rows) else None


def _write_rows(path: Path, student: _Student) -> None:
    told, rows = _lines(path), _rows(path, student)
    if told is None or rows is None:
        return
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=told[1], lineterminator="\n")
    writer.writerows([told[0][0], *rows[0]])
    write_files({path: out.getvalue()})


def json_text_of(data: Any) -> str:
    """Data as JSON text, an object as the project writes it."""
    return json_text(data) if isinstance(data, dict) else json.dumps(data, ensure_ascii=False)


def _pruned(path: Path, student: _Student) -> Any:
    """JSON data without the student's entries, None where there are none of the student's."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError):
        return None  # no JSON of ours
    rest = _without(data, student)
    return None if rest == data else rest


def _without(data: Any, student: _Student) -> Any:
    if isinstance(data, list):
        return [_without(item, student) for item in data if not _is_of(item, student)]
    if isinstance(data, dict):
        return {key: _without(item, student) for key, item in data.items() if not student.in_path(key)}
    return data


def _is_of(item: Any, student: _Student) -> bool:
    if isinstance(item, str):
        return student.in_path(item)
    if not isinstance(item, dict):
        return False
    about = item.get("recording")
    return student.in_row(item) or (isinstance(about, dict) and student.in_row(about))


def _visible(path: Path) -> str:
    """The text that a page shows: without its scripts, styles and marks."""
    text = path.read_text(encoding="utf-8", errors="replace")
    text = re.sub(r"(?is)<(script|style)\b.*?</\1\s*>", " ", text)
    return unescape(re.sub(r"(?s)<[^>]*>", " ", text))
