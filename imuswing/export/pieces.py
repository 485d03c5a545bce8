"""Which files a recording, its swings, or results become; each is written only when its piece is called."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from imuswing.errors import RecordingError, SettingsError
from imuswing.export.delimited import TextSettings, write_csv, write_parquet
from imuswing.export.frames import SwingFrames, frame_schema, frame_table, lead_sides_of, swing_frames
from imuswing.export.joined import on_even_grid, on_recording_clock
from imuswing.export.samples import about_recording, event_table, sample_schema, sample_tables
from imuswing.export.settings import C3D, CSV, PARQUET, TABLES, ExportSettings, Piece
from imuswing.recording.model import Recording
from imuswing.results import CURVES_FILE, ORIENTATIONS_FILE, SWINGS_FILE
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

ENTITIES: Final = (("participant", "sub"), ("session", "ses"), ("task", "task"), ("acq", "acq"), ("run", "run"))


def of_recording(recording: Recording, *, settings: ExportSettings, one_file: bool) -> list[Piece]:
    """The files of one recording: samples and events, or its swings frame by frame."""
    if settings.by_frame:
        return _of_swings(list(frames_of(recording, settings)), settings, one_file=one_file)
    stem = stem_of({name: getattr(recording, name) for name, _ in ENTITIES})
    mag = any(stream.mag is not None for stream in recording.sensors.values())
    schema = sample_schema(mag=mag, labels=False)
    if settings.format == PARQUET:
        schema = schema.with_metadata(about_recording(recording))
    pieces = [_table(f"{stem}_samples", partial(sample_tables, recording, mag=mag, labels=False), schema, settings)]
    if recording.events:
        events = event_table([recording], labels=False)
        pieces.append(_table(f"{stem}_events", lambda: [events], events.schema, settings, beside="_events"))
    return pieces


def of_recordings(recordings: Callable[[], Iterator[Recording]], *, settings: ExportSettings) -> list[Piece]:
    """One table of many recordings with their labels as columns, written while they are read: memory holds one."""
    if settings.by_frame:

        def frames() -> Iterator[pa.Table]:
            return map(frame_table, chain.from_iterable(frames_of(one, settings) for one in recordings()))

        return [_table("frames", frames, frame_schema(), settings)]
    events: list[pa.Table] = []

    def samples() -> Iterator[pa.Table]:
        for recording in recordings():
            events.append(event_table([recording], labels=True))
            yield from sample_tables(recording, mag=True, labels=True)

    # The pieces are written in this order, so that the events are known once the samples are through.
    return [
        _table("samples", samples, sample_schema(mag=True, labels=True), settings),
        _table("events", lambda: events, event_table([], labels=True).schema, settings, beside="_events"),
    ]


def of_results(path: Path, *, settings: ExportSettings, one_file: bool) -> list[Piece]:
    """The files of a results folder: its tables, or its swings frame by frame."""
    if settings.by_frame:
        return _of_swings(list(_frames_of_results(path, settings)), settings, one_file=one_file)
    from imuswing.export.result_tables import result_parts

    pieces = []
    for file in (SWINGS_FILE, CURVES_FILE, ORIENTATIONS_FILE):
        name = Path(file).stem
        parts = result_parts(path, file)
        if parts is not None:
            beside = "" if file == SWINGS_FILE else f"_{name}"
            pieces.append(_table(name, parts.tables, parts.schema, settings, beside=beside))
    return pieces


def frames_of(recording: Recording, settings: ExportSettings) -> Iterator[SwingFrames]:
    """The swings of a recording frame by frame, at the rate asked for or its fastest sensor's."""
    from imuswing.lesson import analyze

    followed = [recording.sensors[point] for point in (CHEST, LEAD_FOREARM, LEAD_HAND) if point in recording.sensors]
    rate = settings.rate_hz or max((stream.rate for stream in followed), default=1.0)
    lesson = analyze(recording, orientations=True, orientation_step_s=1.0 / rate)
    sides = lead_sides_of(lesson.quality["recordings"])
    found = swing_frames(lesson.swings, lesson.curves, lesson.orientations, lead_sides=sides)
    return _chosen(found, settings, recording.source)


def _frames_of_results(path: Path, settings: ExportSettings) -> Iterator[SwingFrames]:
    from imuswing.report.load import load_results

    if settings.rate_hz is not None:
        raise SettingsError("--rate is for recordings; results hold orientations at the rate they were written at")
    results = load_results([path])
    if results.orientations is None:
        raise RecordingError(
            path, f"holds no {ORIENTATIONS_FILE}", "export the recording itself, or analyze with --orientations"
        )
    sides = lead_sides_of(results.quality["recordings"])
    found = swing_frames(results.swings, results.curves, results.orientations, lead_sides=sides)
    return _chosen(found, settings, path)


def _chosen(found: Iterable[SwingFrames], settings: ExportSettings, where: Path | None) -> Iterator[SwingFrames]:
    count = 0
    for swing in found:
        if settings.swing in (None, swing.keys["swing"]):
            count += 1
            yield swing
    if not count:
        wanted = "no swing" if settings.swing is None else f"no swing {settings.swing}"
        raise RecordingError(where, f"holds {wanted} that could be followed", "see which swings imuswing mark lists")


def _of_swings(swings: Sequence[SwingFrames], settings: ExportSettings, *, one_file: bool) -> list[Piece]:
    """One table of all swings, one file a swing, or one file of all swings of a recording."""
    stems = {stem_of(swing.keys): swing for swing in swings}
    if settings.format in TABLES:
        name = f"{next(iter(stems))}_frames" if len(stems) == 1 else "frames"
        return [_table(name, lambda: map(frame_table, swings), frame_schema(), settings)]
    if settings.format == C3D:
        from imuswing.export.c3d import write_c3d

        told = [on_even_grid(swings)] if one_file and len(swings) > 1 else swings
        return [
            Piece(name=_file(swing, settings), write=partial(write_c3d, swing, sizes=settings.sizes)) for swing in told
        ]
    from imuswing.export.sto import neutral_text, sto_text

    told = [on_recording_clock(swings)] if one_file and len(swings) > 1 else swings
    pieces = [Piece(name=_file(swing, settings), write=partial(_write_text, sto_text(swing))) for swing in told]
    for stem, swing in stems.items():
        text = neutral_text(tuple(swing.q), swing.lead_side)
        pieces.append(Piece(name=f"{stem}_neutral.sto", write=partial(_write_text, text), beside="_neutral"))
    return pieces


def _file(swing: SwingFrames, settings: ExportSettings) -> str:
    return f"{stem_of(swing.keys)}_swing-{swing.keys['swing']:03d}.{settings.format}"


def _write_text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _table(
    name: str,
    tables: Callable[[], Iterable[pa.Table]],
    schema: pa.Schema,
    settings: ExportSettings,
    *,
    beside: str = "",
) -> Piece:
    def write(path: Path) -> None:
        if settings.format == CSV:
            write_csv(tables(), schema, path, settings=TextSettings(decimal_comma=settings.decimal_comma))
        else:
            write_parquet(tables(), schema, path)

    return Piece(name=f"{name}.{settings.format}", write=write, beside=beside)


def stem_of(labels: Mapping[str, Any]) -> str:
    """The labels as they stand in file names, such as sub-S001_ses-01_task-chip."""
    return "_".join(f"{entity}-{labels[name]}" for name, entity in ENTITIES if labels.get(name) is not None)
