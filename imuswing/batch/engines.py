"""Where tasks run: in processes on this machine or on a Dask cluster, with a bounded window of tasks in flight."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from importlib import import_module
from multiprocessing import get_context
from typing import Any

from imuswing.batch.work import Done, Task, quiet_worker, run_task, start_worker
from imuswing.errors import MissingExtraError, SettingsError

WINDOW = 4
"""Tasks in flight for each worker: enough to keep it busy, few enough that a kill loses little."""
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
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=start_worker) as pool:
        futures: dict[Future[Done], Task] = {}
        exhausted = False
        while futures or not exhausted:
            while not exhausted and len(futures) < workers * WINDOW:
                task = next(waiting, None)
                if task is None:
                    exhausted = True
                    break
                in_flight.append(task)
                futures[pool.submit(run_task, task)] = task
            if not futures:
                return
            for future in wait(futures, return_when=FIRST_COMPLETED).done:
                task = futures[future]
                done = future.result()
                del futures[future]
                in_flight.remove(task)
                yield done


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


def run_on_cluster(tasks: Iterable[Task], *, address: str) -> Iterator[Done]:
    """Run tasks on a Dask cluster whose workers see the same folders; a worker that dies costs its task one retry."""
    try:
        distributed: Any = import_module("dask.distributed")
    except ImportError as error:
        raise MissingExtraError("cluster", "--scheduler") from error
    try:
        client: Any = distributed.Client(address, timeout="10s")
    except OSError as error:
        raise SettingsError(f"no scheduler answers at {address}; check the address, or start one") from error
    with client:
        client.run(quiet_worker)
        waiting = iter(tasks)
        window = WINDOW * max(len(client.scheduler_info()["workers"]), 1)
        queue: Any = distributed.as_completed()
        for _ in range(window):
            _submit(client, waiting, queue)
        for future in queue:
            yield future.result()
            _submit(client, waiting, queue)


def _submit(client: Any, waiting: Iterator[Task], queue: Any) -> None:
    task = next(waiting, None)
    if task is not None:
        queue.add(client.submit(run_task, task, retries=3, pure=False))
