"""A results folder: the tables, the quality record and the page, each written whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from imuswing.errors import ImuswingError, RecordingError, SettingsError
from imuswing.lesson import Lesson, Settings, analyze
from imuswing.recording.dataset import DESCRIPTION

SWINGS_FILE = "swings.parquet"
CURVES_FILE = "curves.parquet"
QUALITY_FILE = "quality.json"
REPORT_FILE = "report.html"
ORIENTATIONS_FILE = "orientations.parquet"


@dataclass(frozen=True, kw_only=True)
class Failure:
    """A recording that could not be used, and the sentence that says why."""

    path: Path
    sentence: str


def analyze_path(
    path: Path, *, settings: Settings | None = None, orientations: bool = False
) -> tuple[Lesson, list[Failure]]:
    """Analyze one recording, a session folder or a dataset into one lesson, with orientations if asked for.

    Of several recordings the usable ones are analyzed and the others listed; where none is usable, the first one's
    error is raised.
    """
    from imuswing.recording.read import find_recordings, read

    lessons, failures = [], []
    first_error: ImuswingError | None = None
    for file in find_recordings(path):
        try:
            lessons.append(analyze(read(file), settings=settings, orientations=orientations))
        except RecordingError as error:
            first_error = first_error or error
            failures.append(Failure(path=file, sentence=str(error)))
    if not lessons:
        raise first_error or RecordingError(path, "holds no recording", "name a *_motion.tsv, a session or a dataset")
    height = settings.measures.full_top_height_deg if settings else None
    return join_lessons(lessons, full_top_height_deg=height), failures


def join_lessons(lessons: Sequence[Lesson], *, full_top_height_deg: float | None = None) -> Lesson:
    """Several recordings' lessons as one: tables one below another, quality records side by side.

    A student's full top may stand in another recording than the shots it scales, so `top_position` is told anew.
    """
    import pandas as pd

    from imuswing.measures.top_position import with_top_position

    if len(lessons) == 1:
        return lessons[0]
    turned = [lesson.orientations for lesson in lessons if lesson.orientations is not None]
    quality: dict[str, Any] = dict(lessons[0].quality)
    quality["recordings"] = [entry for lesson in lessons for entry in lesson.quality["recordings"]]
    return Lesson(
        swings=with_top_position(
            _stack(pd, [lesson.swings for lesson in lessons]), full_top_height_deg=full_top_height_deg
        ),
        curves=_stack(pd, [lesson.curves for lesson in lessons]),
        orientations=_stack(pd, turned) if turned else None,
        quality=quality,
    )


def _stack(pd: Any, tables: Iterable[Any]) -> Any:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else next(iter(tables))


def refuse_dataset(out: Path) -> None:
    """SettingsError where the results would go among the recordings of a dataset."""
    if (out / DESCRIPTION).exists():
        raise SettingsError(f"--out {out} is a dataset (it holds {DESCRIPTION}); name another folder for the results")


def write_results(lesson: Lesson, out: Path, *, report: bool = True, language: str = "en") -> list[Path]:
    """Write the results into `out` (made if needed) and return the paths; language: of the page."""
    from imuswing.measures.tables import write_curves, write_swings

    out.mkdir(parents=True, exist_ok=True)
    write_swings(lesson.swings, out / SWINGS_FILE)
    write_curves(lesson.curves, out / CURVES_FILE)
    written = [out / SWINGS_FILE, out / CURVES_FILE, out / QUALITY_FILE]
    if lesson.orientations is not None:
        from imuswing.measures.orientations import write_orientations

        write_orientations(lesson.orientations, out / ORIENTATIONS_FILE)
        written.append(out / ORIENTATIONS_FILE)
    else:
        # Those of an earlier analysis do not belong to these swings.
        (out / ORIENTATIONS_FILE).unlink(missing_ok=True)
    write_text(out / QUALITY_FILE, json.dumps(lesson.quality, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    if report:
        from imuswing.report.lesson_page import render_lesson
        from imuswing.report.texts import load_texts

        page = render_lesson(lesson.swings, lesson.curves, lesson.quality, texts=load_texts(language))
        write_text(out / REPORT_FILE, page)
        written.append(out / REPORT_FILE)
    return written


def write_text(path: Path, text: str) -> None:
    """Write under a temporary name, then rename: the file is there whole or not at all."""
    temporary = path.with_name(f".{path.name}.part")
    try:
        temporary.write_text(text, encoding="utf-8")
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
