"""How many workers one scheduler keeps busy: `python scripts/scheduler_load.py [--tasks N] [--slots 8 32 128]`.

The real scheduler and the batch's own way of feeding it are loaded with pretended tasks: each sleeps as long as an
analysis would take and writes nothing, so that one worker process with many threads stands for many workers. Measured
are the tasks a second that come through, the scheduler's processor time a task, and the client's. From these follows
how many workers are kept busy at a given length of task, and what a million recordings cost
(docs/a_million_recordings.md). Everything runs on loopback and ends with the script.
"""

from __future__ import annotations

import argparse
import heapq
import os
import pickle
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import numpy as np

from imuswing.batch.engines import run_on_cluster
from imuswing.batch.run import BATCH_SIZE
from imuswing.batch.work import Done, Task
from imuswing.lesson import Settings

MILLION = 1_000_000
LESSON_S = 10.0
"""Seconds that the analysis of a lesson of an hour takes on one core (about; `scripts/speed.py` measures it)."""


def main() -> None:
    """Load the scheduler at each number of slots, print, and tell what follows."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tasks", type=int, default=2000, help="pretended tasks at each number of slots (2000)")
    parser.add_argument("--slots", type=int, nargs="+", default=[8, 32, 128], help="workers that are pretended")
    parser.add_argument("--sleep", type=float, default=0.5, help="seconds that a pretended task takes (0.5)")
    args = parser.parse_args()
    print(f"a task is {len(pickle.dumps(a_task(0)))} bytes with {BATCH_SIZE} recordings")
    print("slots  tasks/s  most possible  scheduler ms/task  client ms/task")
    costs = []
    for slots in args.slots:
        with tempfile.TemporaryDirectory() as folder, cluster(Path(folder), slots) as (address, scheduler):
            wall, theirs, ours = load(address, scheduler, tasks=args.tasks, sleep=args.sleep)
        told = f"{1000 * theirs / args.tasks:17.2f}  {1000 * ours / args.tasks:14.2f}"
        print(f"{slots:5d}  {args.tasks / wall:7.0f}  {slots / args.sleep:13.0f}  {told}", flush=True)
        costs.append(max(theirs, ours) / args.tasks)
    consequences(max(costs))


def consequences(cost: float) -> None:
    """Print a million recordings simulated at `cost` s a task, of the busier one of scheduler and client."""
    print(f"\na million lessons, about {LESSON_S:.0f} s each; the scheduler takes {1000 * cost:.2f} ms a task")
    print("recordings a task  workers  scheduler busy  workers busy     hours")
    for size in (1, BATCH_SIZE, 100):
        for workers in (100, 1000, 10_000):
            busy, wall = simulate(MILLION // size, workers, cost=cost, mean_s=size * LESSON_S, spread=size**-0.5)
            share = MILLION // size * cost / wall
            print(
                f"{size:17d}  {workers:7d}  {100 * share:13.0f}%  {100 * busy:11.1f}%  {wall / 3600:8.1f}", flush=True
            )


def simulate(
    tasks: int, workers: int, *, cost: float, mean_s: float, spread: float, ahead: int = 1, seed: int = 1
) -> tuple[float, float]:
    """Share of time that the workers work, and seconds until all is done, of a cluster with one scheduler.

    The scheduler serves one thing at a time, `cost` s a task; a worker that has done a task takes the one that lies
    ahead at once, and waits for the scheduler if none does (Dask sends one ahead: worker-saturation 1.1 of one thread).
    Lengths of tasks are gamma distributed about `mean_s` with a standard deviation of `spread` times that.
    """
    random = np.random.default_rng(seed)
    lengths = iter(random.gamma(spread**-2.0, mean_s * spread**2.0, size=tasks).tolist())
    ahead_of = [0] * workers
    idle = [True] * workers
    left, free, work, end = tasks, 0.0, 0.0, 0.0
    # Events: when, worker, and whether a task arrives (or is done).
    events: list[tuple[float, int, bool]] = []

    def ask(at: float, worker: int) -> None:
        nonlocal left, free
        if left:
            left -= 1
            free = max(free, at) + cost
            heapq.heappush(events, (free, worker, True))

    for _ in range(1 + ahead):
        for worker in range(workers):
            ask(0.0, worker)
    while events:
        now, worker, arrives = heapq.heappop(events)
        ahead_of[worker] += arrives
        if not arrives:
            idle[worker] = True
            ask(now, worker)
        if idle[worker] and ahead_of[worker]:
            ahead_of[worker] -= 1
            idle[worker] = False
            length = next(lengths)
            work += length
            end = max(end, now + length)
            heapq.heappush(events, (now + length, worker, False))
    return work / (workers * end), end


def a_task(number: int) -> Task:
    """A task as long as a real one."""
    name = "sub-S{0:06d}/ses-01/motion/sub-S{0:06d}_ses-01_task-chip_tracksys-chest_run-{1}_motion.tsv"
    return Task(
        name=f"batch-{number:06d}",
        root=Path("/data/dataset"),
        recordings=tuple(name.format(number, k) for k in range(BATCH_SIZE)),
        out=Path("/data/results"),
        settings=Settings(),
        settings_hash="0" * 16,
    )


def pretend(task: Task, *, sleep: float) -> Done:
    """Take as long as an analysis would."""
    time.sleep(sleep)
    return Done(name=task.name, recordings=len(task.recordings), failures=0, swings=0)


def load(address: str, scheduler: int, *, tasks: int, sleep: float) -> tuple[float, float, float]:
    """Seconds by the clock, and of processor time of the scheduler and of this process, that `tasks` take."""
    before, own, start = processor_time(scheduler), time.process_time(), time.perf_counter()
    done = sum(1 for _ in run_on_cluster(map(a_task, range(tasks)), address=address, run=partial(pretend, sleep=sleep)))
    assert done == tasks, "every task comes back once"
    wall = time.perf_counter() - start
    return wall, processor_time(scheduler) - before, time.process_time() - own


def processor_time(pid: int) -> float:
    """Seconds of processor time of a process (Linux, proc_pid_stat(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def cluster(folder: Path, slots: int) -> Iterator[tuple[str, int]]:
    """A scheduler and one worker process with `slots` threads: address, and process id of the scheduler."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    dask = [sys.executable, "-m", "dask"]
    here = ["--host", "127.0.0.1", "--no-dashboard"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])}
    started = []
    try:
        for command in (
            [*dask, "scheduler", "--port", str(port), *here],
            [*dask, "worker", address, "--nthreads", str(slots), "--no-nanny", *here],
        ):
            quiet = subprocess.DEVNULL
            started.append(subprocess.Popen(command, stdout=quiet, stderr=quiet, cwd=folder, env=environment))
        from distributed import Client

        with Client(address, timeout="30s") as client:
            client.wait_for_workers(1, timeout=60)
        yield address, started[0].pid
    finally:
        for process in started:
            process.kill()
            process.wait()


if __name__ == "__main__":
    # Workers find what is pretended in a module of this name.
    from scheduler_load import main as run

    run()
