"""A batch survives kill -9, a dead worker, a deadly recording and a full disk, and resumes to the same rows."""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pyarrow.parquet
import pytest
from batch_for_tests import (
    ENVIRONMENT,
    Deadly,
    assert_same,
    kills_on_s00,
    start_batch,
    tables,
    wait_for,
    write_dataset,
)

from imuswing.batch.engines import run_in_processes, run_on_cluster
from imuswing.batch.ledger import read_ledgers
from imuswing.batch.run import BatchSettings, plan_batch
from imuswing.batch.work import Task
from imuswing.cli import main
from imuswing.lesson import Settings
from imuswing.recording.find import find_recordings

pytestmark = pytest.mark.skipif(not hasattr(os, "killpg"), reason="needs process groups")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight recordings and their results by an undisturbed run."""
    folder = tmp_path_factory.mktemp("kills")
    dataset = write_dataset(folder / "dataset", students=8)
    assert main(["batch", str(dataset), "--out", str(folder / "calm"), "--workers", "1"]) == 0
    return folder


def vouched(out: Path) -> int:
    """Ledgers that stand; every table they vouch for must be whole."""
    ledgers = list((out / "ledger").glob("*.json"))
    for ledger in ledgers:
        for table in ("swings", "curves"):
            pd.read_parquet(out / table / f"{ledger.stem}.parquet")
    return len(ledgers)


def test_killed_at_random_moments_and_resumed_gives_the_same_rows(made: Path, tmp_path: Path) -> None:
    rng, out, most = random.Random(6), tmp_path / "out", 0
    for _ in range(4):
        run = start_batch(made / "dataset", out, "--workers", "2")
        time.sleep(rng.uniform(1.0, 4.0))
        os.killpg(run.pid, signal.SIGKILL)
        run.communicate()
        now = vouched(out)
        assert now >= most, "a kill lost finished work"
        most = now
    run = start_batch(made / "dataset", out, "--workers", "2")
    _, told = run.communicate(timeout=120)
    assert run.returncode == 0, told
    assert_same(made / "calm", out)


def test_a_killed_worker_costs_nothing(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run = start_batch(made / "dataset", out, "--workers", "2")
    wait_for(lambda: list((out / "ledger").glob("*.json")))
    os.kill(_workers(run.pid)[0], signal.SIGKILL)
    _, told = run.communicate(timeout=120)
    assert run.returncode == 0, told
    assert_same(made / "calm", out)


def test_ctrl_c_ends_with_a_sentence_and_the_next_run_goes_on(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run = start_batch(made / "dataset", out, "--workers", "2")
    wait_for(lambda: list((out / "ledger").glob("*.json")))
    # A terminal sends it to the program and its workers.
    os.killpg(run.pid, signal.SIGINT)
    _, told = run.communicate(timeout=120)
    assert run.returncode == 130
    assert told.strip().splitlines()[-1].startswith("stopped; what is done is kept")
    assert "Traceback" not in told
    assert 1 <= vouched(out) < 8, "what waited was to be dropped"
    assert main(["batch", str(made / "dataset"), "--out", str(out), "--workers", "1"]) == 0
    assert_same(made / "calm", out)


def test_workers_end_when_their_parent_is_killed_alone(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run = start_batch(made / "dataset", out, "--workers", "2")
    wait_for(lambda: list((out / "ledger").glob("*.json")))
    workers = _workers(run.pid)
    assert workers
    run.kill()
    run.wait()
    wait_for(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers), seconds=20.0)
    assert main(["batch", str(made / "dataset"), "--out", str(out), "--workers", "1"]) == 0
    assert_same(made / "calm", out)


def _workers(parent: int) -> list[int]:
    """Pool workers among the children of a process that this test started."""
    children = Path(f"/proc/{parent}/task/{parent}/children")
    if not children.exists():
        pytest.skip("needs /proc to find the worker")
    pids = [int(word) for word in children.read_text().split()]
    return [pid for pid in pids if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]


def test_a_recording_that_kills_its_process_twice_is_given_up_alone(made: Path, tmp_path: Path) -> None:
    paths = [path.relative_to(made / "dataset").as_posix() for path in find_recordings(made / "dataset")[:2]]
    for folder in ("swings", "curves", "ledger", "quality"):
        (tmp_path / folder).mkdir()
    task = Task(
        name="batch-000000", root=made / "dataset", recordings=(Deadly(paths[0]), paths[1]), out=tmp_path,
        settings=Settings(), settings_hash="",
    )  # fmt: skip
    (done,) = run_in_processes([task], workers=2)
    assert (done.recordings, done.failures) == (2, 1)
    assert set(tables(tmp_path)[0]["participant"]) == {"S01"}
    assert [path.stem for path in (tmp_path / "swings").iterdir()] == ["batch-000000"]


def test_a_full_disk_ends_with_a_sentence_and_resumes(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out, genuine, calls = tmp_path / "out", pyarrow.parquet.write_table, []

    def full(table: object, where: Path, **options: object) -> None:
        calls.append(where)
        if len(calls) > 5:
            Path(where).write_bytes(b"PAR1 cut short")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(where))
        genuine(table, where, **options)

    with monkeypatch.context() as patched:
        patched.setattr(pyarrow.parquet, "write_table", full)
        assert main(["batch", str(made / "dataset"), "--out", str(out), "--workers", "1"]) == 1
    assert "make room and start again" in capsys.readouterr().err
    assert vouched(out) == 2
    assert main(["batch", str(made / "dataset"), "--out", str(out), "--workers", "1"]) == 0
    assert "0 done already" not in capsys.readouterr().out
    assert_same(made / "calm", out)


def test_tables_without_a_ledger_are_taken_away(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made / "calm", tmp_path / "out")
    gone = min((tmp_path / "out" / "ledger").glob("*.json"))
    gone.unlink()
    plan = plan_batch(made / "dataset", tmp_path / "out", settings=Settings(), batch=BatchSettings())
    assert plan.stale == (gone.stem,)
    assert plan.to_do > 0
    assert main(["batch", str(made / "dataset"), "--out", str(tmp_path / "out"), "--workers", "1"]) == 0
    assert_same(made / "calm", tmp_path / "out")


def test_a_cluster_that_loses_a_worker_gives_the_same_rows(made: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    started: list[subprocess.Popen[bytes]] = []
    with cluster(tmp_path, workers=2, started=started) as address:
        out = tmp_path / "out"
        run = start_batch(made / "dataset", out, "--scheduler", address)
        wait_for(lambda: list((out / "ledger").glob("*.json")))
        started[2].kill()
        _, told = run.communicate(timeout=120)
        assert run.returncode == 0, told
        assert_same(made / "calm", out)


@contextmanager
def cluster(
    folder: Path,
    *,
    workers: int,
    nanny: bool = False,
    environment: dict[str, str] | None = None,
    started: list[subprocess.Popen[bytes]] | None = None,
) -> Iterator[str]:
    """A scheduler and workers as processes of their own on loopback; `started` gets the scheduler and the workers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    port = address.rsplit(":", 1)[1]
    dask = [sys.executable, "-m", "dask"]
    scheduler = [*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"]
    worker = [*dask, "worker", address, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1"]
    worker.append("--nanny" if nanny else "--no-nanny")
    started = [] if started is None else started
    for command in (scheduler, *[worker] * workers):
        started.append(
            subprocess.Popen(
                command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                env=ENVIRONMENT | (environment or {}), cwd=folder,
            )
        )  # fmt: skip
    try:
        _wait_for_workers(address, count=workers)
        yield address
    finally:
        for process in started:
            # A nanny asked to end takes its worker along; killed, it would leave it behind.
            process.terminate() if nanny else process.kill()
        for process in started:
            process.wait(timeout=30)


def _wait_for_workers(address: str, *, count: int) -> None:
    from distributed import Client

    with Client(address, timeout="30s") as client:
        client.wait_for_workers(count, timeout=60)


def test_a_recording_that_kills_a_clusters_workers_is_given_up_alone(made: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    paths = [path.relative_to(made / "dataset").as_posix() for path in find_recordings(made / "dataset")[:3]]
    for folder in ("swings", "curves", "ledger", "quality"):
        (tmp_path / folder).mkdir()
    task = Task(
        name="batch-000000", root=made / "dataset", recordings=tuple(paths), out=tmp_path,
        settings=Settings(), settings_hash="",
    )  # fmt: skip
    # A nanny starts the worker again each time; the scheduler blames a task for the second death.
    here = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1", "PYTHONPATH": os.pathsep.join(sys.path)}
    with cluster(tmp_path, workers=1, nanny=True, environment=here) as address:
        told = list(run_on_cluster([task], address=address, run=kills_on_s00))
    assert sorted((done.recordings, done.failures) for done in told) == [(1, 0), (1, 0), (1, 1)]
    assert set(tables(tmp_path)[0]["participant"]) == {"S01", "S02"}
    entries = [entry for ledger in read_ledgers(tmp_path) for entry in ledger.entries]
    assert [entry.path for entry in entries if entry.failure] == [paths[0]]


def test_no_scheduler_is_told_in_a_sentence(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    arguments = ["--out", str(tmp_path / "out"), "--scheduler", "tcp://127.0.0.1:9"]
    assert main(["batch", str(made / "dataset"), *arguments]) == 2
    assert "no scheduler answers" in capsys.readouterr().err
