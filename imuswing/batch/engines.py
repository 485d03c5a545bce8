"""Where tasks run: in processes on this machine or on a Dask cluster, with a bounded window of tasks in flight."""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib import import_module
from multiprocessing import get_context
from typing import Any

from imuswing.batch.work import Done, Task, quiet_worker, run_task, start_worker
from imuswing.errors import MissingExtraError, SettingsError

WINDOW = 4
"""Tasks in flight for each worker: enough to keep it busy, few enough that a kill loses little."""
COUNT_WORKERS_S = 5.0
"""So often the workers of a cluster are counted."""
DIED = "the process that analysed it died twice; look at it alone, it may need more memory than there is"


def run_in_processes(tasks: Iterable[Task], *, workers: int) -> Iterator[Done]:
    """Run tasks in `workers` processes; with one, in this process.

    A worker that dies takes its pool along: the pool is made anew and what was in flight is done again, recording by
    recording in a process of its own; a recording that kills that one too is given up with a sentence.
    """
    if workers == 1:
        for task in tasks:
            yield run_task(task)
        return
    waiting = iter(tasks)
    while True:
        in_flight: list[Task] = []
        try:
            yield from _pool(waiting, workers, in_flight)
            return
        except BrokenProcessPool:
            for task in in_flight:
                yield _carefully(task)


def _pool(waiting: Iterator[Task], workers: int, in_flight: list[Task]) -> Iterator[Done]:
    with (
        ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=start_worker) as pool,
        _dropped_when_stopped(pool),
    ):
        futures: dict[Future[Done], Task] = {}
        exhausted = False
        while futures or not exhausted:
            while not exhausted and len(futures) < workers * WINDOW:
                task = next(waiting, None)
                if task is None:
                    exhausted = True
                    break
                in_flight.append(task)
                futures[_submit(pool, task)] = task
            if not futures:
                return
            for future in wait(futures, return_when=FIRST_COMPLETED).done:
                task = futures[future]
                done = future.result()
                del futures[future]
                in_flight.remove(task)
                yield done


def _submit(pool: ProcessPoolExecutor, task: Task) -> Future[Done]:
    """Workers are born deaf to Ctrl-C: a terminal sends it to them too, and only the program is to end the run."""
    if threading.current_thread() is not threading.main_thread():
        return pool.submit(run_task, task)
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        return pool.submit(run_task, task)
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _dropped_when_stopped(pool: ProcessPoolExecutor) -> Iterator[None]:
    """At Ctrl-C what is being done is finished and what waits is dropped."""
    try:
        yield
    except KeyboardInterrupt:
        # Waiting here: the pool's own end would shut it down again, and take the order to drop what waits back.
        pool.shutdown(cancel_futures=True)
        raise


def _carefully(task: Task) -> Done:
    """A task whose process died: each recording alone, so that only the guilty one is given up."""
    given_up = dict(task.given_up or {})
    for path in task.recordings:
        alone = replace(task, recordings=(path,), name=f"{task.name}-alone")
        try:
            with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=start_worker) as pool:
                pool.submit(run_task, alone).result()
        except BrokenProcessPool:
            given_up[path] = f"{task.root / path}: {DIED}."
    from imuswing.batch.ledger import take_away

    take_away(task.out, [f"{task.name}-alone"])
    return run_task(replace(task, given_up=given_up))


def run_on_cluster(tasks: Iterable[Task], *, address: str, run: Callable[[Task], Done] = run_task) -> Iterator[Done]:
    """Run tasks on a Dask cluster whose workers see the same folders; workers may come and go while it runs.

    A worker that dies costs its task one retry. A task that kills one worker after the other is taken apart into its
    recordings; the one that goes on killing is given up with a sentence.
    """
    try:
        distributed: Any = import_module("dask.distributed")
    except ImportError as error:
        raise MissingExtraError("cluster", "--scheduler") from error
    try:
        client: Any = distributed.Client(address, timeout="10s")
    except OSError as error:
        raise SettingsError(f"no scheduler answers at {address}; check the address, or start one") from error
    with client:
        crew = _Crew(client=client, queue=distributed.as_completed(), run=run)
        waiting = iter(tasks)
        crew.fill(waiting)
        for future in crew.queue:
            task = crew.running.pop(future)
            try:
                yield future.result()
            except distributed.KilledWorker:
                for part in _taken_apart(task):
                    crew.submit(part)
            crew.fill(waiting)


@dataclass(kw_only=True)
class _Crew:
    """A cluster's workers with a window of tasks in flight that follows their number."""

    client: Any
    queue: Any
    run: Callable[[Task], Done]
    running: dict[Any, Task] = field(default_factory=dict)
    slots: int = 1
    counted: float = -math.inf

    def fill(self, waiting: Iterator[Task]) -> None:
        """Submit tasks until the window is full or none is left."""
        if time.monotonic() - self.counted > COUNT_WORKERS_S:
            self.slots = max(sum(self.client.nthreads().values()), 1)
            self.counted = time.monotonic()
        while len(self.running) < WINDOW * self.slots:
            task = next(waiting, None)
            if task is None:
                return
            self.submit(task)

    def submit(self, task: Task) -> None:
        future = self.client.submit(_quietly, self.run, task, retries=3, pure=False)
        self.running[future] = task
        self.queue.add(future)


def _quietly(run: Callable[[Task], Done], task: Task) -> Done:
    """On a worker, which may have come after the others."""
    quiet_worker()
    return run(task)


def _taken_apart(task: Task) -> list[Task]:
    """A task whose workers died as tasks of one recording each; one of a single recording with it given up."""
    if len(task.recordings) == 1:
        path = task.recordings[0]
        return [replace(task, given_up={path: f"{task.root / path}: {DIED}."})]
    return [replace(task, recordings=(path,), name=f"{task.name}-{k}") for k, path in enumerate(task.recordings)]
