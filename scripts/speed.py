# ruff: noqa: E402 - the thread settings must come before numpy
"""How long a one-hour lesson takes, stage by stage, and how much memory: `python scripts/speed.py`.

A lesson of three sensors at 200 Hz is simulated and written once into a temporary folder; then it is read and analysed
in
this process, on one core, with a stopwatch around each stage. The limits printed beside are those that the project set
itself; nothing here is asserted, since time depends on the machine.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import functools
import itertools
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

STAGES = {
    "prepare": "sensors: bias, gaps, clocks",
    "estimate_quaternions": "orientation over the whole lesson (VQF offline)",
    "calibrate": "calibration steps",
    "find_candidates": "find movements shaped like a swing",
    "follow_segment": "orientation within swings",
    "judge": "shot or practice, impact",
    "place": "moments",
    "tie_headings": "wrist: tie headings",
    "measure_swing": "measures and standard errors",
    "swing_curves": "curves",
}


def main() -> None:
    """Simulate, analyse, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shots", type=int, default=200, help="shots of the simulated lesson (200: about an hour)")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = _simulated(Path(folder), args.shots)
        _run(path, Path(folder) / "results")
    _help_time()


def _simulated(folder: Path, shots: int) -> Path:
    from imuswing.recording.write import start_dataset, write_recording
    from imuswing.simulate import simulate_recording

    recording, _ = simulate_recording(seed=5, task="pitch", shots=shots, rate=200.0, preset="realistic")
    start_dataset(folder / "dataset", name="Speed", description="Simulated; no real person.", simulated=True)
    written = write_recording(recording, folder / "dataset", acq_time=datetime(2026, 1, 1, 10, 0, 0))
    seconds = max(stream.duration_s for stream in recording.sensors.values())
    print(f"lesson: {seconds / 60:.1f} min, {len(recording.sensors)} sensors, {shots} shots")
    return next(path for path in written if path.name.endswith("_motion.tsv"))


def _run(path: Path, out: Path) -> None:
    import imuswing.cutting as cutting_module
    import imuswing.lesson as lesson_module
    from imuswing.recording.read import read
    from imuswing.results import write_results

    spent: dict[str, float] = defaultdict(float)
    for name in STAGES:
        for module in (lesson_module, cutting_module):
            if hasattr(module, name):
                setattr(module, name, _timed(getattr(module, name), name, spent))
    marks = [time.perf_counter()]
    recording = read(path)
    marks.append(time.perf_counter())
    lesson = lesson_module.analyze(recording)
    marks.append(time.perf_counter())
    write_results(lesson, out, report=False)
    marks.append(time.perf_counter())
    write_results(lesson, out, report=True)
    marks.append(time.perf_counter())
    reading, analysing, writing, page = (b - a for a, b in itertools.pairwise(marks))
    total = reading + analysing + page
    rows = [("read", reading), *((STAGES[name], spent[name]) for name in STAGES if name in spent)]
    rows.append(("everything else in the analysis", analysing - sum(spent.values())))
    rows += [("tables and quality record", writing), ("page", page - writing)]
    for text, seconds in rows:
        print(f"  {text:48s} {seconds:7.2f} s  {100 * seconds / total:5.1f} %")
    print(f"  {'whole':48s} {total:7.2f} s   limit 20 s; {len(lesson.swings)} swings")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  peak memory of this process, simulation included: {peak:.0f} MB   limit 1500 MB")


def _timed(function: Callable[..., Any], name: str, spent: dict[str, float]) -> Callable[..., Any]:
    @functools.wraps(function)
    def wrapper(*args: Any, **kwargs: Any) -> Any:
        start = time.perf_counter()
        try:
            return function(*args, **kwargs)
        finally:
            spent[name] += time.perf_counter() - start

    return wrapper


def _help_time() -> None:
    times = []
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-m", "imuswing", "--help"], check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    print(f"  imuswing --help: {sorted(times)[2]:.3f} s (median of 5)   limit 0.3 s")


if __name__ == "__main__":
    main()
