"""One golfer through the whole chain: simulate, write, read, analyse, match with the truth, and add the references."""

from __future__ import annotations

import sys
import tempfile
import traceback
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.routine_reference import PlainRoutine, routine_swings
from bench.sensor_reference import sensor_swings
from imuswing.errors import ImuswingError
from imuswing.recording.model import Recording
from imuswing.simulate.dataset import make_visit, write_visit
from imuswing.simulate.lesson import Truth, Visit, play
from imuswing.simulate.truth import truth_table

if TYPE_CHECKING:
    import pandas as pd

MATCH_WITHIN_S = 0.3
"""A found swing belongs to a true one whose impact is nearer than this, s."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """What to simulate for one golfer."""

    index: int
    seed: int
    shots: int
    preset: str
    tasks: tuple[str, ...] | None
    rate: float | None


def _references(visit: Visit, made: list[tuple[Recording, Truth]]) -> pd.DataFrame:
    """Both references of all swings of a visit, in the order of the truth."""
    import pandas as pd

    routine = PlainRoutine(_whole_routine(visit, made[0][1]))
    rows: list[dict[str, float]] = []
    for recording, truth in made:
        sensor, seen = sensor_swings(recording, truth), routine_swings(routine, truth)
        rows += [
            {f"{name}_sensor": value for name, value in one.items()}
            | {f"{name}_routine": value for name, value in other.items()}
            for one, other in zip(sensor, seen, strict=True)
        ]
    return pd.DataFrame(rows)


def _whole_routine(visit: Visit, played: Truth) -> Truth:
    """The routine that was played, or, where steps are missing, what it would have been with them."""
    if not visit.kit.sizes.missing_steps:
        return played
    kit = replace(visit.kit, sizes=replace(visit.kit.sizes, missing_steps=0.0, strap_slip_deg=0.0))
    return play(replace(visit, kit=kit), task="calibration", shots=0)[1]


def _found(folder: Path) -> tuple[pd.DataFrame | None, list[str]]:
    """All swings that the analysis finds in a dataset, and what it could not use."""
    from imuswing.results import analyze_path

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            lesson, failures = analyze_path(folder)
    except ImuswingError as error:
        return None, [str(error)]
    except Exception:  # noqa: BLE001 - a crash of the analysis is a result of the bench, told in full
        return None, [traceback.format_exc()]
    return lesson.swings, [str(failure) for failure in failures]


def _matched(true: pd.DataFrame, found: pd.DataFrame | None) -> list[tuple[int, int]]:
    """Pairs of rows (true, found) of the same recording, nearest impacts first, each used once."""
    if found is None:
        return []
    near = []
    for task, swings in found.groupby("task"):
        same = true[true["task"] == task]
        gaps = np.abs(same["impact_s"].to_numpy()[:, None] - swings["impact_s"].to_numpy(dtype=float)[None, :])
        for i, j in np.argwhere(gaps < MATCH_WITHIN_S):
            near.append((gaps[i, j], same.index[i], swings.index[j]))
    pairs: list[tuple[int, int]] = []
    for _, i, j in sorted(near):
        if i not in [pair[0] for pair in pairs] and j not in [pair[1] for pair in pairs]:
            pairs.append((int(i), int(j)))
    return pairs


def bench_golfer(job: Job) -> dict[str, Any]:
    """Rows of truth with what was found and the references beside them, and the rows found that are no swings."""
    visit, made = make_visit(
        job.index, seed=job.seed, shots=job.shots, preset=job.preset, tasks=job.tasks, rate=job.rate
    )
    true = truth_table([row for _, truth in made for row in truth.swings.to_dict("records")])
    with tempfile.TemporaryDirectory(prefix="imuswing-bench-") as folder:
        write_visit(Path(folder) / "dataset", visit, made, seed=job.seed, index=job.index)
        found, failures = _found(Path(folder) / "dataset")
    pairs = _matched(true, found)
    rows = true.join(_references(visit, made))
    rows["golfer"], rows["lead_side"] = job.index, visit.golfer.lead_side
    rows["rate"] = max(clock.rate for clock in visit.kit.clocks.values())
    rows["clocks"] = len({clock.name for clock in visit.kit.clocks.values()})
    rows["meaning"] = visit.kit.meaning
    rows["peak_shock"] = [mark.peak_shock for _, truth in made for mark in truth.marks]
    rows["found"] = False
    extra: list[dict[str, Any]] = []
    if found is not None:
        theirs = dict(pairs)
        order = [theirs.get(int(i), -1) for i in rows.index]
        rows["found"] = [place >= 0 for place in order]
        told = found.reindex(order).reset_index(drop=True).add_suffix("_found")
        rows = rows.reset_index(drop=True).join(told)
        unmatched = found.drop(index=[pair[1] for pair in pairs])
        extra = [
            {"golfer": job.index, "task": row["task"], "impact_s": row["impact_s"], "what": _what(row, made)}
            for row in unmatched.to_dict("records")
        ]
    return {"rows": rows, "extra": extra, "failures": failures}


def _what(row: dict[str, Any], made: list[tuple[Recording, Truth]]) -> str:
    """Which movement was taken for a swing."""
    for recording, truth in made:
        if recording.task != row["task"]:
            continue
        time = row["impact_s"] + truth.start
        for name, start, end in (*truth.score.others, *truth.score.steps):
            if start - 0.2 <= time <= end + 0.2:
                return str(name)
        for mark in truth.marks:
            if mark.still - 2.0 <= time < mark.start:
                return "taking address"
            if mark.start <= time < mark.end:
                return "second row of a swing"
            if mark.end <= time < mark.end + 2.5:
                return "coming down from the finish"
    return "between movements"


def bench(jobs: list[Job], *, workers: int = 2) -> dict[str, Any]:
    """All golfers, in parallel; tables joined."""
    import pandas as pd

    if workers == 1:
        results = [bench_golfer(job) for job in jobs]
    else:
        with ProcessPoolExecutor(workers) as pool:
            results = list(pool.map(bench_golfer, jobs))
    for job, result in zip(jobs, results, strict=True):
        for failure in result["failures"]:
            print(f"golfer {job.index}: {failure}", file=sys.stderr)
    return {
        "rows": pd.concat([result["rows"] for result in results], ignore_index=True),
        "extra": [row for result in results for row in result["extra"]],
        "failures": [failure for result in results for failure in result["failures"]],
    }
