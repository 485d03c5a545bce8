"""A whole batch: plan what is new or changed, run it, and leave tables, failures, codebook and provenance."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from fnmatch import fnmatch
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TextIO

import imuswing
from imuswing.batch.engines import run_in_processes, run_on_cluster
from imuswing.batch.ledger import (
    CURVES,
    LEDGER,
    ORIENTATIONS,
    QUALITY,
    SWINGS,
    Ledger,
    leftovers,
    read_ledgers,
    root_of,
    settings_hash,
    take_away,
    unchanged,
)
from imuswing.batch.work import Done, Task
from imuswing.errors import RecordingError
from imuswing.lesson import Settings
from imuswing.measures.dictionary import SCHEMA_VERSION
from imuswing.recording.find import find_recordings
from imuswing.recording.layout import absolute
from imuswing.results import refuse_dataset, write_text
from imuswing.vocabulary import KIND_SHOT

BATCH_SIZE = 16
"""Recordings a task: one file of each table for so many, since a million small files serve nobody."""
TEXTS = {
    "participant": "Pseudonym of the student.",
    "session": "Label of the visit.",
    "task": "Kind of shot that the recording holds.",
    "acq": "Label of the acquisition, null without one.",
    "run": "Number of the run, null without one.",
    "swing": "Number of the swing within its recording, from 1.",
    "block": "Name of the block of shots that holds the impact, null outside of blocks.",
    "intent": "What the student meant to do in that block, null where it was not noted.",
    "outcome": "The shot as the coach noted it, null where it was not noted.",
    "flags": "Everything to know before a row is used; a list of words.",
    "kind": "shot (a ball was struck) or practice.",
    "chest_verdict": "turning, slowing or stalled, by chest_continuity.",
}
"""Meaning of the columns that are no measures."""
CURVE_TEXTS = {"time_s": "Time from impact."}
CURVE_TEXT = "The quantity of this name over the time of the swing, defined as in the measures of the swings."
LIBRARIES = ("imuswing", "numpy", "scipy", "pandas", "pyarrow", "vqf")


@dataclass(frozen=True, kw_only=True)
class BatchSettings:
    """How a batch runs.

    batch_size: recordings a task; None takes BATCH_SIZE, or fewer where that would leave workers idle.
    include, exclude: patterns on the path of a recording relative to the dataset.  orientations: a table of them too.
    """

    workers: int = 1
    scheduler: str | None = None
    batch_size: int | None = None
    include: tuple[str, ...] = ()
    exclude: tuple[str, ...] = ()
    orientations: bool = False


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What there is and what is to do. stale: batches to take away first; tasks: to run."""

    root: Path
    recordings: int
    kept: int
    stale: tuple[str, ...]
    tasks: tuple[Task, ...]

    @property
    def to_do(self) -> int:
        """Recordings in the tasks."""
        return sum(len(task.recordings) for task in self.tasks)


def plan_batch(dataset: Path, out: Path, *, settings: Settings, batch: BatchSettings) -> Plan:
    """Compare the dataset with the results that stand: only what is new or changed is done (again).

    A batch of which one recording changed is done anew as a whole; one that was left half-written is taken away.
    """
    refuse_dataset(out)
    # Workers may stand in other folders, so no path may be relative.
    dataset, out = absolute(dataset), absolute(out)
    found = find_recordings(dataset)
    root = root_of(found[0])
    paths = [path.relative_to(root).as_posix() for path in found]
    paths = [path for path in paths if _wanted(path, batch)]
    if not paths:
        raise RecordingError(dataset, "no recording matches the patterns", "check --include and --exclude")
    ledgers = read_ledgers(out)
    tables = "with orientations" if batch.orientations else ""
    fingerprint = settings_hash(settings, imuswing.__version__, SCHEMA_VERSION, tables)
    wanted = set(paths)
    kept, stale = set[str](), set(leftovers(out, ledgers))
    for ledger in ledgers:
        inside = {entry.path for entry in ledger.entries}
        good = ledger.settings == fingerprint and inside <= wanted and not inside & kept
        if good and all(unchanged(entry, root) for entry in ledger.entries):
            kept |= inside
        else:
            stale.add(ledger.name)
    names = _free_names({ledger.name for ledger in ledgers} - stale)
    todo = [path for path in paths if path not in kept]
    # A small dataset is shared out evenly; the rows are the same however they are shared out.
    size = batch.batch_size or max(1, min(BATCH_SIZE, -(-len(todo) // (4 * batch.workers))))
    tasks = tuple(
        Task(
            name=next(names),
            root=root,
            recordings=tuple(todo[first : first + size]),
            out=out,
            settings=settings,
            settings_hash=fingerprint,
            orientations=batch.orientations,
        )
        for first in range(0, len(todo), size)
    )
    return Plan(root=root, recordings=len(paths), kept=len(kept), stale=tuple(sorted(stale)), tasks=tasks)


def _wanted(path: str, batch: BatchSettings) -> bool:
    included = not batch.include or any(fnmatch(path, pattern) for pattern in batch.include)
    return included and not any(fnmatch(path, pattern) for pattern in batch.exclude)


def _free_names(taken: set[str]) -> Iterator[str]:
    number = 0
    while True:
        name = f"batch-{number:06d}"
        if name not in taken:
            yield name
        number += 1


def run_batch(
    plan: Plan, out: Path, *, settings: Settings, batch: BatchSettings, progress: Callable[[int, int], None]
) -> list[tuple[str, str]]:
    """Run a plan; the recordings that could not be used, with their sentences, of this and earlier runs.

    progress: called with recordings done and to do after each task.
    """
    for folder in (SWINGS, CURVES, LEDGER, QUALITY, *((ORIENTATIONS,) if batch.orientations else ())):
        (out / folder).mkdir(parents=True, exist_ok=True)
    take_away(out, plan.stale)
    done = 0
    for result in _engine(plan.tasks, batch):
        done += result.recordings
        progress(done, plan.to_do)
    ledgers = read_ledgers(out)
    _tell_top_positions(out, ledgers, settings)
    failures = [(e.path, e.failure) for ledger in ledgers for e in ledger.entries if e.failure is not None]
    failures.sort()
    rows = "".join(f"{path}\t{sentence}\n" for path, sentence in failures)
    write_text(out / "failures.tsv", "recording\treason\n" + rows)
    write_text(out / "codebook.tsv", codebook())
    write_text(out / "provenance.json", json.dumps(_provenance(plan, ledgers, settings), indent=1) + "\n")
    return failures


def _engine(tasks: Sequence[Task], batch: BatchSettings) -> Iterator[Done]:
    if batch.scheduler is not None:
        return run_on_cluster(tasks, address=batch.scheduler)
    return run_in_processes(tasks, workers=batch.workers)


def _tell_top_positions(out: Path, ledgers: Sequence[Ledger], settings: Settings) -> None:
    """A student's full top may stand in another batch: tell `top_position` over all of them, rewriting what changes."""
    import pandas as pd

    from imuswing.measures.tables import write_swings
    from imuswing.measures.top_position import FULL_TASK, own_full_tops, with_top_position

    paths = [out / SWINGS / f"{ledger.name}.parquet" for ledger in ledgers]
    if not paths:
        return
    # Only full shots make a scale: memory holds these, and one part after the other.
    columns = ["participant", "task", "kind", "block", "arm_height_top_deg"]
    full = [("task", "==", FULL_TASK), ("kind", "==", KIND_SHOT)]
    tops = own_full_tops(pd.concat([pd.read_parquet(path, columns=columns, filters=full) for path in paths]))
    height = settings.measures.full_top_height_deg
    for path in paths:
        table = pd.read_parquet(path, columns=[*columns, "top_position"])
        told = with_top_position(table, full_top_height_deg=height, tops=tops)["top_position"]
        if not told.equals(table["top_position"]):
            swings = pd.read_parquet(path)
            swings["top_position"] = told.to_numpy()
            write_swings(swings, path)


def codebook() -> str:
    """Every column of both tables: table, column, unit, meaning."""
    from imuswing.measures.dictionary import CURVE_UNITS, MEASURES, MOMENT_COLUMNS, swing_columns
    from imuswing.measures.orientations import ABOUT, orientation_columns
    from imuswing.measures.tables import CURVE_KEYS

    told = {name: ("", text) for name, text in TEXTS.items()}
    for name, text in MOMENT_COLUMNS.items():
        told[name] = ("s", text)
        told[f"{name}_se"] = ("s", f"Standard error of {name}.")
    for measure in MEASURES:
        sign = f" ({measure.sign})" if measure.sign else ""
        told[measure.name] = (measure.unit, f"{measure.definition}{sign}")
        if measure.has_se:
            told[measure.se_name] = (measure.unit, f"Standard error of {measure.name}.")
    rows = [("swings", name, *told[name]) for name in swing_columns()]
    rows += [("curves", name, *told[name]) for name in CURVE_KEYS]
    rows += [("curves", name, unit, CURVE_TEXTS.get(name, CURVE_TEXT)) for name, unit in CURVE_UNITS.items()]
    rows += [("orientations", name, *told[name]) for name in CURVE_KEYS]
    rows += [("orientations", "time_s", "s", CURVE_TEXTS["time_s"])]
    rows += [("orientations", name, "1", ABOUT) for name in orientation_columns()]
    return "table\tcolumn\tunit\tmeaning\n" + "".join("\t".join(row) + "\n" for row in rows)


def _provenance(plan: Plan, ledgers: Sequence[Ledger], settings: Settings) -> dict[str, object]:
    inputs = {file.path: file.hash for ledger in ledgers for entry in ledger.entries for file in entry.inputs}
    return {
        "versions": {"python": sys.version.split()[0], **{name: _version(name) for name in LIBRARIES}},
        "schema": SCHEMA_VERSION,
        "dataset": str(plan.root),
        "recordings": plan.recordings,
        "settings": asdict(settings),
        "inputs_blake2b": dict(sorted(inputs.items())),
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def progress_line(stream: TextIO) -> Callable[[int, int], None]:
    """Shows recordings done and time left on one line of a terminal; quiet on anything else."""
    start = time.monotonic()

    def show(done: int, total: int) -> None:
        if not stream.isatty():
            return
        left = (time.monotonic() - start) / max(done, 1) * (total - done)
        end = "\n" if done == total else ""
        print(f"\r{done} of {total} recordings, {left / 60:.0f} min left ", end=end, file=stream, flush=True)

    return show
