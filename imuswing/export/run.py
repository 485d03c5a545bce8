"""A whole export: what is read, which files come of it, and writing them whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from imuswing.errors import RecordingError, SettingsError
from imuswing.export.settings import CSV, TABLES, ExportSettings, Piece
from imuswing.recording.model import Recording
from imuswing.recording.tables import write_files
from imuswing.results import SWINGS_FILE, Failure


@dataclass(frozen=True, kw_only=True)
class Exported:
    """Files that were written, recordings that could not be used, and sentences to know."""

    written: tuple[Path, ...]
    failures: tuple[Failure, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(kw_only=True)
class _Usable:
    """Reads recordings one after the other and notes those that cannot be used; raises the first error if none can."""

    files: Sequence[Path]
    failures: list[Failure] = field(default_factory=list)
    errors: list[RecordingError] = field(default_factory=list)

    def note(self, file: Path, error: RecordingError) -> None:
        self.errors.append(error)
        self.failures.append(Failure(path=file, sentence=str(error)))
        if len(self.failures) == len(self.files):
            raise self.errors[0]

    def recordings(self) -> Iterator[Recording]:
        from imuswing.recording.read import read

        for file in self.files:
            try:
                recording = read(file)
            except RecordingError as error:
                self.note(file, error)
            else:
                yield recording


def export(path: Path, out: Path, *, settings: ExportSettings) -> Exported:
    """Export a recording, the recordings of a folder, or a results folder.

    out: a folder, or one file if its name ends as the format does; then everything must fit into one file.
    Raises RecordingError where nothing can be used, SettingsError where a file is there already or one is not enough.
    """
    if not path.exists():
        raise RecordingError(path, "does not exist", "check the path, or copy it again if it was moved")
    one_file = settings.one_file(out)
    if out.is_file() and not one_file:
        raise SettingsError(f"--out {out} is a file; name a folder, or a file that ends in .{settings.format}")
    if is_results(path):
        from imuswing.export.pieces import of_results

        written = _write(of_results(path, settings=settings, one_file=one_file), out, settings)
        return Exported(written=written, notes=_notes(written, settings))
    return _export_recordings(path, out, settings)


def is_results(path: Path) -> bool:
    """Whether a folder is one that `analyze` or `batch` wrote."""
    return (path / SWINGS_FILE).is_file() or any((path / Path(SWINGS_FILE).stem).glob("*.parquet"))


def _export_recordings(path: Path, out: Path, settings: ExportSettings) -> Exported:
    from imuswing.export.pieces import of_recording, of_recordings
    from imuswing.recording.find import find_recordings
    from imuswing.recording.read import read

    usable = _Usable(files=find_recordings(path))
    one_file = settings.one_file(out)
    written: list[Path] = []
    if one_file and len(usable.files) > 1:
        if settings.format not in TABLES:
            raise SettingsError(f"one file cannot hold {len(usable.files)} recordings; name a folder for --out")
        written += _write(of_recordings(usable.recordings, settings=settings), out, settings)
    else:
        for file in usable.files:
            try:
                pieces = of_recording(read(file), settings=settings, one_file=one_file)
            except RecordingError as error:
                usable.note(file, error)
            else:
                written += _write(pieces, out, settings)
    return Exported(written=tuple(written), failures=tuple(usable.failures), notes=_notes(written, settings))


def _write(pieces: Sequence[Piece], out: Path, settings: ExportSettings) -> tuple[Path, ...]:
    """Write the pieces: all of them whole, or none."""
    targets = _targets(pieces, out, settings)
    there = next((path for path in targets if path.exists()), None)
    if there is not None and not settings.overwrite:
        raise SettingsError(f"{there} exists already; add --overwrite, or give --out another name")
    write_files({path: piece.write for path, piece in targets.items()})
    return tuple(targets)


def _targets(pieces: Sequence[Piece], out: Path, settings: ExportSettings) -> dict[Path, Piece]:
    if not settings.one_file(out):
        return {out / piece.name: piece for piece in pieces}
    return {out.with_name(f"{out.stem}{piece.beside}{out.suffix}"): piece for piece in pieces}


def _notes(written: Sequence[Path], settings: ExportSettings) -> tuple[str, ...]:
    from imuswing.export.delimited import too_long

    return tuple(note for path in written if settings.format == CSV and (note := too_long(path)))
