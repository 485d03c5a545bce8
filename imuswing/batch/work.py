"""One task: analyse a few recordings and write their tables and ledger. Runs in a worker process."""

from __future__ import annotations

import json
import os
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from imuswing.batch.ledger import (
    CURVES,
    ORIENTATIONS,
    QUALITY,
    SWINGS,
    Entry,
    Ledger,
    at_rest,
    hashed,
    inputs_of,
    write_ledger,
)
from imuswing.errors import ImuswingError
from imuswing.lesson import Lesson, Settings, analyze
from imuswing.measures.dictionary import CURVE_UNITS
from imuswing.recording.read import read
from imuswing.results import join_lessons, write_text

MOST_LOOKS = 3
"""So often a recording is analysed while its files change; then it is left for another run."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """A batch of recordings: its name, the dataset's root, first motion tables relative to it, and where results go."""

    name: str
    root: Path
    recordings: tuple[str, ...]
    out: Path
    settings: Settings
    settings_hash: str
    orientations: bool = False
    given_up: Mapping[str, str] | None = None


@dataclass(frozen=True, kw_only=True)
class Done:
    """What a task did: recordings, failures among them, swings found."""

    name: str
    recordings: int
    failures: int
    swings: int


def run_task(task: Task) -> Done:
    """Analyse a task's recordings one after the other; a recording that cannot be used costs only itself.

    Raises OSError where the results cannot be written (a full disk): that concerns the whole run.
    """
    lessons: list[Lesson] = []
    entries: list[Entry] = []
    for path in task.recordings:
        lesson, entry = _one(task, path)
        entries.append(entry)
        if lesson is not None:
            lessons.append(lesson)
    swings = _write(task, lessons)
    write_ledger(task.out, Ledger(name=task.name, settings=task.settings_hash, entries=tuple(entries)))
    failures = sum(entry.failure is not None for entry in entries)
    return Done(name=task.name, recordings=len(entries), failures=failures, swings=swings)


def _one(task: Task, path: str) -> tuple[Lesson | None, Entry]:
    """Analyse one recording between two looks at its files, so that the ledger's hashes are of what was analysed."""
    first = task.root / path
    for _ in range(MOST_LOOKS):
        before = inputs_of(first, task.root)
        lesson, sentence = _analyzed(task, path)
        files = hashed(before.files, task.root)
        if at_rest(before, first, task.root):
            break
    else:
        lesson, sentence = None, f"{first}: its files changed while they were read; start again once they rest."
    entry = Entry(path=path, inputs=files, failure=sentence, facts=before.facts, calibrated_here=before.calibrated_here)
    return lesson, entry


def _analyzed(task: Task, path: str) -> tuple[Lesson | None, str | None]:
    """The lesson of a recording, or the sentence that says why there is none."""
    first = task.root / path
    given_up = (task.given_up or {}).get(path)
    if given_up is not None:
        return None, given_up
    try:
        return analyze(read(first), settings=task.settings, orientations=task.orientations), None
    except ImuswingError as error:
        return None, str(error)
    except MemoryError:
        return None, f"{first}: needs more memory than there is; use fewer workers."
    except Exception as error:  # noqa: BLE001 - a fault in one recording must not end ten thousand
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}, line {place.lineno}"
        return None, f"{first}: the program failed on it ({error!r}, {where}); please report this."


def _write(task: Task, lessons: Sequence[Lesson]) -> int:
    from imuswing.measures.tables import curves_table, swings_table, write_curves, write_swings

    lesson = join_lessons(lessons, full_top_height_deg=task.settings.measures.full_top_height_deg) if lessons else None
    swings = swings_table([]) if lesson is None else lesson.swings
    # All batches have the same columns, whatever was worn in them, so that any reader sees one table.
    curves = (curves_table([]) if lesson is None else lesson.curves).copy()
    for name in CURVE_UNITS:
        if name not in curves:
            curves[name] = float("nan")
    write_swings(swings, task.out / SWINGS / f"{task.name}.parquet")
    write_curves(curves, task.out / CURVES / f"{task.name}.parquet")
    if task.orientations:
        from imuswing.measures.orientations import no_orientations, write_orientations

        turned = None if lesson is None else lesson.orientations
        path = task.out / ORIENTATIONS / f"{task.name}.parquet"
        write_orientations(no_orientations() if turned is None else turned, path)
    told = [] if lesson is None else lesson.quality["recordings"]
    for entry in told:
        entry.pop("settings", None)  # the same for all: they stand in provenance.json
    write_text(task.out / QUALITY / f"{task.name}.json", json.dumps(told, ensure_ascii=False, allow_nan=False))
    return len(swings)


def start_worker() -> None:
    """In a worker process of our own: as `quiet_worker`, and it ends when the process that started it is gone.

    A worker whose parent was killed alone would wait for its next task for ever: it holds both ends of the queue.
    """
    import threading
    from multiprocessing import parent_process
    from multiprocessing.connection import wait

    quiet_worker()
    parent = parent_process()
    if parent is not None:
        sentinel = parent.sentinel

        def end_with_parent() -> None:
            wait([sentinel])
            os._exit(1)

        threading.Thread(target=end_with_parent, daemon=True).start()


def quiet_worker() -> None:
    """In a worker: one thread a numeric library, since the processes share the cores; warnings stand in the results."""
    import warnings

    os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"))
    warnings.simplefilter("ignore")
