"""Datasets of several small recordings, and what a batch left of them, for the tests of `imuswing batch`."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pandas as pd

from imuswing.batch.work import Done, Task, run_task
from imuswing.recording.write import start_dataset, write_recording
from imuswing.simulate import simulate_recording

KEYS = ["participant", "session", "task", "run", "swing"]
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def write_dataset(root: Path, *, students: int) -> Path:
    """`students` recordings of the same simulated lesson (two shots, 100 Hz), each under a pseudonym of its own."""
    start_dataset(root, name="Test", description="Simulated; no real person.", simulated=True)
    recording, _ = simulate_recording(seed=12, shots=2, rate=100.0, preset="realistic")
    for number in range(students):
        write_recording(replace(recording, participant=f"S{number:02d}"), root, acq_time=None)
    return root


def tables(out: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Swings and curves over all batches, in the order of their keys."""
    swings = pd.read_parquet(out / "swings").sort_values(KEYS, ignore_index=True)
    curves = pd.read_parquet(out / "curves").sort_values([*KEYS, "time_s"], ignore_index=True)
    return swings, curves


def assert_same(first: Path, second: Path) -> None:
    """Both results hold the same rows, to the bit, and nothing is left half-written."""
    for a, b in zip(tables(first), tables(second), strict=True):
        assert len(a) > 0
        pd.testing.assert_frame_equal(a, b, check_exact=True)
    for out in (first, second):
        assert not list(out.rglob("*.part"))
        assert (out / "failures.tsv").read_text() == (first / "failures.tsv").read_text()


def start_batch(dataset: Path, out: Path, *arguments: str) -> subprocess.Popen[str]:
    """The command in a process group of its own, so that a test can kill all of it and nothing else."""
    command = [sys.executable, "-m", "imuswing", "batch", str(dataset), "--out", str(out), *arguments]
    return subprocess.Popen(
        command,
        env=ENVIRONMENT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        preexec_fn=_hears_ctrl_c,
    )


def _hears_ctrl_c() -> None:
    """What a shell starts in the background is deaf to Ctrl-C, and so is all that it starts (POSIX, sh, "Asynchronous
    Lists"); the tests may run there."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def wait_for(found: object, *, seconds: float = 60.0) -> object:
    """Call `found` until it gives something true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = found()  # type: ignore[operator]
        if value:
            return value
        time.sleep(0.01)
    raise AssertionError(f"nothing came within {seconds} s")


def kills_on_s00(task: Task) -> Done:
    """As `run_task`, but the recording of S00 kills the process, until it is given up."""
    if not task.given_up and any("sub-S00" in path for path in task.recordings):
        os._exit(9)
    return run_task(task)


class Deadly(str):
    """A path that kills the worker process that receives it, as running out of memory would."""

    __slots__ = ()

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return _arrive, (str(self),)


def _arrive(path: str) -> str:
    if multiprocessing.parent_process() is not None:
        os._exit(9)
    return path
