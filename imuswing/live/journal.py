"""Samples and events on disk as they arrive: appended, flushed and written through at least once a second.

An unfinished recording lies in `sourcedata/imuswing-live/` of its dataset (a folder that BIDS leaves to what was there
before conversion): `head.json`, a table of rows for each tracking system, one line of JSON for each event. It is
finished by linking the tables into place as a Motion-BIDS recording. A crash cuts off half a line at most, which is
taken off when the recording is resumed.
"""

from __future__ import annotations

import io
import json
import os
import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from imuswing.errors import RecordingError, SettingsError
from imuswing.live.model import TIME_COLUMN, Chunk, Session, SystemHead, head_data, recording_named
from imuswing.recording.dataset import dataset_folder
from imuswing.recording.model import Event, FloatArray, SensorStream
from imuswing.recording.tables import NOT_AVAILABLE, json_text, read_json, write_files
from imuswing.recording.write import WrittenTable, write_columns, write_recorded

FOLDER: Final = ("sourcedata", "imuswing-live")
HEAD: Final = "head.json"
EVENTS: Final = "events.jsonl"
CLAIM: Final = "in-use"
"""Locked by the process that records."""
THROUGH_S: Final = 0.4
"""What came is written through to disk this often, s: together with the time that takes, well within a second."""
AGAIN_S: Final = 1.0
"""After a failure (a full disk) it is tried again so often, s."""


def journal_folder(dataset: Path | str, session: Session) -> Path:
    """Where the unfinished recording of a participant, session and task lies."""
    labels = (f"sub-{session.participant}", f"ses-{session.session}", f"task-{session.task}")
    return dataset_folder(dataset).joinpath(*FOLDER, labels[0], "_".join(labels))


class Journal:
    """The unfinished recording on disk. Rows and events are handed over; a thread of its own writes them through."""

    def __init__(
        self, folder: Path, session: Session, heads: Sequence[SystemHead], began: datetime, claim: IO[bytes]
    ) -> None:
        self.folder, self.session, self.began, self._claim = folder, session, began, claim
        self.heads = {head.name: head for head in heads}
        self.trouble: str | None = None
        self._pending: dict[str, list[FloatArray]] = {name: [] for name in self.heads}
        self._lines: list[str] = []
        self._files = {name: open(self.table(name), "ab", buffering=0) for name in self.heads}  # noqa: SIM115
        self._events = open(folder / EVENTS, "ab", buffering=0)  # noqa: SIM115
        self._lock = threading.Condition()
        self._writing = threading.Lock()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def table(self, system: str) -> Path:
        """The table of a system's rows."""
        return self.folder / f"{system}.tsv"

    @classmethod
    def start(cls, dataset: Path | str, session: Session, heads: Sequence[SystemHead]) -> Journal:
        """A new one; SettingsError where an unfinished one lies there."""
        folder = journal_folder(dataset, session)
        if (folder / HEAD).exists():
            raise SettingsError(f"{folder} holds an unfinished recording; resume or finish it first")
        folder.mkdir(parents=True, exist_ok=True)
        claim, began = _claimed(folder), datetime.now(UTC)
        for file in folder.iterdir():
            if file.name != CLAIM:
                file.unlink()
        write_files({folder / HEAD: json_text({**head_data(session, heads), "began": began.isoformat()})})
        _sync_folder(folder)
        return cls(folder, session, heads, began, claim)

    @classmethod
    def resume(cls, dataset: Path | str, session: Session) -> Journal | None:
        """The unfinished recording of the same participant, session and task; None where there is none."""
        folder = journal_folder(dataset, session)
        if not (folder / HEAD).exists():
            return None
        claim, head = _claimed(folder), read_json(folder / HEAD)
        try:
            heads = [SystemHead.from_data(entry) for entry in head["systems"]]
            told, began = Session(**head["session"]), datetime.fromisoformat(head["began"])
        except (KeyError, TypeError, ValueError) as error:
            raise RecordingError(
                folder / HEAD, f"does not say what was recorded ({error})", "move its folder away and start again"
            ) from error
        for file in (*(folder / f"{entry.name}.tsv" for entry in heads), folder / EVENTS):
            _cut_half_line(file)
        return cls(folder, told, heads, began, claim)

    def add(self, chunk: Chunk) -> None:
        """Rows that arrived."""
        with self._lock:
            self._pending[chunk.system].append(chunk.rows)
            # A replay at high speed must not run away from the disk.
            while self._waiting() > MOST_WAITING and self.trouble is None and not self._closing:
                self._lock.notify_all()
                self._lock.wait(0.05)

    def note(self, entry: Mapping[str, Any]) -> None:
        """One line of the events' log: what happened, as plain data."""
        with self._lock:
            self._lines.append(json.dumps(entry, ensure_ascii=False, allow_nan=False))

    def entries(self) -> list[dict[str, Any]]:
        """The lines of the events' log so far."""
        self.through()
        return _read_lines(self.folder / EVENTS)

    def through(self) -> None:
        """Write all through to disk now."""
        self._write()

    def close(self) -> None:
        """Write all through and end."""
        with self._lock:
            self._closing = True
            self._lock.notify_all()
        self._thread.join()
        for file in (*self._files.values(), self._events, self._claim):
            file.close()

    def _waiting(self) -> int:
        return sum(len(rows) for held in self._pending.values() for rows in held)

    def _run(self) -> None:
        while not self._closing:
            with self._lock:
                if not self._closing:
                    self._lock.wait(THROUGH_S if self.trouble is None else AGAIN_S)
            try:
                self._write()
                self.trouble = None
            except OSError as error:
                self.trouble = f"{self.folder} cannot be written ({error.strerror}): make room; samples wait in memory."

    def _write(self) -> None:
        """Append what waits, and wait for the disk; what fails stays waiting."""
        with self._writing:
            for name, file in self._files.items():
                with self._lock:
                    held, self._pending[name] = self._pending[name], []
                if held:
                    self._append_rows(name, file, held)
            with self._lock:
                lines, self._lines = self._lines, []
            if lines:
                try:
                    _append(self._events, ("\n".join(lines) + "\n").encode())
                except OSError:
                    with self._lock:
                        self._lines = [*lines, *self._lines]
                    raise
                os.fsync(self._events.fileno())

    def _append_rows(self, name: str, file: Any, held: list[FloatArray]) -> None:
        rows, out = np.concatenate(held), io.BytesIO()
        write_columns(out, columns=[rows[:, column] for column in range(rows.shape[1])])
        try:
            _append(file, out.getvalue())
        except OSError:
            with self._lock:
                self._pending[name] = [rows, *self._pending[name]]
            raise
        os.fsync(file.fileno())


MOST_WAITING: Final = 200_000
"""Rows that may wait for the disk while it works."""


def _claimed(folder: Path) -> IO[bytes]:
    """A file that only one process can hold; SettingsError while another one records. A process that dies lets go."""
    file = open(folder / CLAIM, "ab")  # noqa: SIM115 - held as long as the journal is
    try:
        import fcntl
    except ImportError:  # Windows has no such locks; there nothing warns.
        return file
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        file.close()
        raise SettingsError(
            f"{folder} is being recorded by another imuswing live; end that one, or name another session"
        ) from error
    return file


def _append(file: Any, content: bytes) -> None:
    """Append all or nothing."""
    before = file.seek(0, os.SEEK_END)
    try:
        view = memoryview(content)
        while view:
            view = view[file.write(view) :]
    except OSError:
        file.truncate(before)
        raise


def _sync_folder(folder: Path) -> None:
    """Names of new files reach the disk with their folder (POSIX)."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(folder, os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _cut_half_line(path: Path) -> None:
    """Take off what stands after the last line break."""
    if not path.exists():
        path.touch()
        return
    with path.open("r+b") as file:
        end = file.seek(0, os.SEEK_END)
        at = end
        while at > 0:
            first = max(at - 65536, 0)
            file.seek(first)
            found = file.read(at - first).rfind(b"\n")
            if found >= 0:
                at = first + found + 1
                break
            at = first
        if at < end:
            file.truncate(at)


def _read_lines(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def read_rows(path: Path, head: SystemHead) -> FloatArray:
    """A journal's table as rows (N, columns), lost samples NaN."""
    import pyarrow as pa
    import pyarrow.csv

    names = [str(column) for column in range(head.columns)]
    if not path.stat().st_size:
        return np.zeros((0, head.columns))
    try:
        table = pyarrow.csv.read_csv(
            path,
            read_options=pyarrow.csv.ReadOptions(column_names=names),
            parse_options=pyarrow.csv.ParseOptions(delimiter="\t", quote_char=False),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.float64()), null_values=[NOT_AVAILABLE]
            ),
        )
    except pa.ArrowInvalid as error:
        raise RecordingError(
            path, f"cannot be read ({str(error).splitlines()[0]})", "move its folder away and start again"
        ) from error
    return np.stack([column.to_numpy(zero_copy_only=False) for column in table.columns], axis=1)


def make_recording(
    journal: Journal, dataset: Path | str, *, events: Sequence[Event], offsets: Mapping[str, float]
) -> list[Path]:
    """End a journal and make it a recording of its dataset; its motion tables, that of the first system first.

    offsets: by system, its start in s after the first one's, as `acq_time` is to tell. The journal stays: stopped
    half-way this can be called again, until `remove`.
    """
    journal.close()
    if journal.trouble is not None:
        raise RecordingError(journal.folder, "could not be written to the end", "make room, then start live again")
    tables = {name: _written(journal.table(name)) for name in journal.heads}
    told = {name: table for name, table in tables.items() if table is not None}
    sensors: dict[str, SensorStream] = {}
    for name in told:
        sensors.update(journal.heads[name].streams(np.zeros((0, journal.heads[name].columns))))
    if not sensors:
        raise RecordingError(journal.folder, "holds no sample", "delete it, or start live again with the sensors on")
    recording = recording_named(journal.session, sensors, events, offsets)
    return write_recorded(recording, dataset, tables=told, acq_time=journal.began, overwrite=True)


def remove(journal: Journal) -> None:
    """Take away a journal that has become a recording; its head first, so that nobody resumes what is left."""
    for file in sorted(journal.folder.iterdir(), key=lambda path: path.name != HEAD):
        file.unlink()
    journal.folder.rmdir()


def _written(path: Path) -> WrittenTable | None:
    """How many rows a table has and the last one's time; None without any."""
    rows, last = 0, b""
    with path.open("rb") as file:
        for line in file:
            rows, last = rows + 1, line
    if not rows:
        return None
    return WrittenTable(path=path, rows=rows, last_s=float(last.split(b"\t", 1)[TIME_COLUMN]))


def event_data(event: Event) -> dict[str, Any]:
    """An event as plain data, without what it leaves open."""
    return {name: value for name, value in asdict(event).items() if value is not None}
