# ruff: noqa: E402 - the thread settings must come before numpy
"""What a batch costs beside the analysis itself: `python scripts/batch_bench.py [--recordings N] [--lessons M]`.

Overhead: N small recordings (one sensor, six seconds) are analysed once in a plain loop, over a sample of them, and
once by `imuswing batch`; what the batch takes longer is its overhead: finding, planning, hashing, tables, ledgers.
Then the batch is started again with nothing to do. Memory: the peak of the largest process, at N and at a tenth of N.
Efficiency: M lessons of ten shots by one worker and by two. Wall time on a machine with other work says little, so the
processors' idle share is printed beside it, and the efficiency by processor time, which other work disturbs less. Two
cores of one processor also slow each other down, whatever runs on them: two separate programs with half of the lessons
each, started together, show what this machine can give at most.
The limits printed are those that the project set itself; nothing is asserted.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

MOST_OVERHEAD_MS = 10.0
LEAST_EFFICIENCY = 0.9
SAMPLE = 200
"""So many of the small recordings the plain loop analyses."""
VISITS, RUNS = 5, 4
"""Visits of a student, recordings of a visit."""


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What a process and its children took. peak_mb: of the largest of them.  idle: share of the processors' time."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    idle: float


def main() -> None:
    """Simulate, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=10_000, help="small recordings, for the overhead (10000)")
    parser.add_argument("--lessons", type=int, default=24, help="lessons, for the efficiency of two workers (24)")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if args.recordings:
            overhead(Path(folder), args.recordings)
        if args.lessons:
            efficiency(Path(folder), args.lessons)


def overhead(folder: Path, count: int) -> None:
    """Print what `count` small recordings cost beside their analysis, and what starting again costs."""
    few, all_of_them = folder / "few", folder / "all"
    small_dataset(few, count // 10)
    small_dataset(all_of_them, count)
    plain = plain_loop(all_of_them, min(SAMPLE, count))
    print(f"{count} small recordings, one worker; alone each takes {1000 * plain:.1f} ms of processor time")
    less = batch(few, folder / "out-few", "--workers", "1")
    cost = batch(all_of_them, folder / "out-all", "--workers", "1")
    start = batch(few, folder / "out-few", "--workers", "1", "--include", "*sub-S00000*")
    each = 1000.0 * (cost.cpu_s / count - plain)
    told = f"limit {MOST_OVERHEAD_MS:.0f} ms"
    print(
        f"overhead a recording   {each:6.2f} ms of processor time ({told}), all in all {cost.cpu_s:.0f} s, {wall(cost)}"
    )
    print(
        f"peak memory            {less.peak_mb:6.0f} MB at {count // 10}, {cost.peak_mb:.0f} MB at {count} recordings"
    )
    again = batch(all_of_them, folder / "out-all", "--workers", "1")
    nothing = 1000.0 * again.cpu_s / count
    print(f"started again          {nothing:6.2f} ms a recording with nothing to do, {again.cpu_s:.0f} s")
    print(f"start of the program   {start.cpu_s:6.2f} s")


def efficiency(folder: Path, lessons: int) -> None:
    """Print how much of two processors two workers use, and how much two programs that share nothing do."""
    root, half = folder / "lessons", folder / "half"
    lesson_dataset(root, lessons)
    lesson_dataset(half, lessons // 2)
    one = batch(root, folder / "one", "--workers", "1")
    two = batch(root, folder / "two", "--workers", "2")
    apart = side_by_side(half, (folder / "first", folder / "second"))
    print(f"{lessons} lessons of ten shots")
    print(f"one worker             {one.cpu_s:6.1f} s of processor time, {wall(one)}")
    print(f"two workers            {two.cpu_s:6.1f} s of processor time, {wall(two)}")
    by_clock, by_work = one.wall_s / (2.0 * two.wall_s), one.cpu_s / two.cpu_s
    print(f"efficiency by clock    {by_clock:6.2f} (limit {LEAST_EFFICIENCY}; worth nothing where others work too)")
    print(f"efficiency by work     {by_work:6.2f} (processor time of one worker / of two)")
    print(f"two programs apart     {one.wall_s / (2.0 * apart):6.2f} by the clock: what this machine can give")
    print(f"two workers to that    {apart / two.wall_s:6.2f}")


def wall(cost: Cost) -> str:
    """Wall time, with what it is worth."""
    return f"{cost.wall_s:.1f} s by the clock (processors idle for {100.0 * cost.idle:.0f} % of it)"


def small_dataset(root: Path, count: int) -> None:
    """`count` recordings of six seconds with a chest sensor; content is shared by links."""
    from imuswing.recording.write import start_dataset, write_recording
    from imuswing.simulate import simulate_recording

    recording, _ = simulate_recording(seed=12, shots=1, rate=50.0, preset="realistic")
    chest = recording.sensors["chest"]
    part = slice(0, 300)
    cut = replace(chest, time=chest.time[part], gyr=chest.gyr[part], acc=chest.acc[part], mag=None)
    small = replace(recording, sensors={"chest": cut}, events=(), start_hints={}, task="chip", acq=None)
    start_dataset(root, name="Bench", description="Simulated; no real person.", simulated=True)
    first = write_recording(replace(small, participant="S00000", session="1", run="1"), root, acq_time=None)[0]
    sources = list(first.parent.iterdir())
    rows = []
    for number in range(count):
        student, visit, run = f"S{number // (VISITS * RUNS):05d}", number // RUNS % VISITS + 1, number % RUNS + 1
        motion = root / f"sub-{student}" / f"ses-{visit}" / "motion"
        motion.mkdir(parents=True, exist_ok=True)
        rows.append(f"sub-{student}\t{small.lead_side}\n")
        for source in sources:
            name = (
                source.name.replace("S00000", student).replace("ses-1", f"ses-{visit}").replace("run-1", f"run-{run}")
            )
            if not (motion / name).exists():
                os.link(source, motion / name)
    (root / "participants.tsv").write_text("participant_id\tlead_side\n" + "".join(dict.fromkeys(rows)))


def lesson_dataset(root: Path, count: int) -> None:
    """`count` students with a lesson of ten shots each; the numbers are the same, since only time is of interest."""
    from imuswing.recording.write import start_dataset, write_recording
    from imuswing.simulate import simulate_recording

    start_dataset(root, name="Bench", description="Simulated; no real person.", simulated=True)
    recording, _ = simulate_recording(seed=12, shots=10, rate=200.0, preset="realistic")
    for number in range(count):
        write_recording(replace(recording, participant=f"S{number:05d}"), root, acq_time=None)


def plain_loop(root: Path, count: int) -> float:
    """Seconds of processor time that reading and analysing one recording takes in a loop of nothing else."""
    import warnings

    from imuswing.lesson import analyze
    from imuswing.recording.find import find_recordings
    from imuswing.recording.read import read

    warnings.simplefilter("ignore")
    paths = find_recordings(root)[: count + 10]
    for path in paths[:10]:
        analyze(read(path))
    start = time.process_time()
    for path in paths[10:]:
        analyze(read(path))
    return (time.process_time() - start) / max(len(paths) - 10, 1)


def batch(root: Path, out: Path, *options: str) -> Cost:
    """Run the command in a process of its own."""
    before, start = _ticks(), time.perf_counter()
    process = _started(root, out, *options)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"{process.args!r} ended with {process.returncode}")
    idle, total = (after - then for after, then in zip(_ticks(), before, strict=True))
    return Cost(
        wall_s=time.perf_counter() - start,
        cpu_s=used.ru_utime + used.ru_stime,
        peak_mb=used.ru_maxrss / 1024.0,
        idle=idle / max(total, 1),
    )


def side_by_side(root: Path, outs: Sequence[Path]) -> float:
    """Seconds by the clock that one-worker batches of the same dataset take, started together."""
    start = time.perf_counter()
    for process in [_started(root, out, "--workers", "1") for out in outs]:
        if process.wait() != 0:
            raise SystemExit(f"{process.args!r} ended with {process.returncode}")
    return time.perf_counter() - start


def _started(root: Path, out: Path, *options: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "imuswing", "batch", str(root), "--out", str(out), *options]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL)


def _ticks() -> tuple[int, int]:
    """Idle and all processor time since the machine started (Linux, proc_stat(5)); zeros elsewhere."""
    path = Path("/proc/stat")
    if not path.exists():
        return 0, 0
    numbers = [int(word) for word in path.read_text().splitlines()[0].split()[1:9]]
    return numbers[3] + numbers[4], sum(numbers)


if __name__ == "__main__":
    main()
