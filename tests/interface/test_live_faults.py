"""Sensors that fail in a live lesson: what is told, and that it is as `analyze` finds it in the recording just made."""

from __future__ import annotations

import errno
import math
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from live_for_tests import cut, short_lesson, write_short_lesson

import imuswing
from imuswing.cli import main
from imuswing.live import journal as journal_module
from imuswing.live import session as session_module
from imuswing.live.hub import Hub
from imuswing.live.journal import journal_folder
from imuswing.live.messages import Levels, Message, Notice, Problem, Shot
from imuswing.live.model import TIME_COLUMN, Arrival, Chunk, Session
from imuswing.live.replay import Replay, taken_at
from imuswing.live.session import Live
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Recording

NAMED = Session(participant="P1", session="02", task="chip", lead_side="left")
LATE_S = 70.0
"""The chest's routine has ended by then, and nobody has swung yet."""

Fault = Callable[[Chunk], Chunk | None]


class Faulty(Replay):
    """A replay of which each chunk goes through a fault; None: it never arrives."""

    def __init__(self, recording: Recording, fault: Fault) -> None:
        super().__init__(recording, speed=math.inf)
        self.fault = fault

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        for arrival in super().arrivals(after):
            chunks = (self.fault(chunk) for chunk in arrival.chunks)
            yield replace(arrival, chunks=tuple(chunk for chunk in chunks if chunk is not None))


def recorded(into: Path, fault: Fault) -> tuple[list[Message], Path]:
    """The short lesson with a fault: what was told, and the recording."""
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    told: list[Message] = []
    live = Live(into, NAMED, Faulty(short_lesson(), fault), hub=Hub(), say=told.append)
    return told, live.run().path


def without_chest_until(late_s: float) -> Fault:
    """The chest's sensor is switched on only then; its clock begins at 0."""
    first: list[float] = []

    def fault(chunk: Chunk) -> Chunk | None:
        if chunk.system != "chest":
            return chunk
        if chunk.arrival < late_s:
            return None
        first.append(float(chunk.rows[0, TIME_COLUMN]))
        rows = np.array(chunk.rows)
        rows[:, TIME_COLUMN] -= first[0]
        return replace(chunk, rows=rows)

    return fault


def assert_as_offline(told: list[Message], path: Path) -> pd.DataFrame:
    """The shots that were told are those of the analysis of the recording just made."""
    shots = [m for m in told if isinstance(m, Shot) and not m.revised and m.kind == "shot"]
    swings = imuswing.analyze(imuswing.read(path)).swings
    offline = swings[swings["kind"] == "shot"]
    assert len(offline) == 4
    np.testing.assert_allclose([shot.impact_s for shot in shots], offline["impact_s"], atol=0.015)
    assert [shot.verdict for shot in shots] == [v if isinstance(v, str) else None for v in offline["chest_verdict"]]
    return offline


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("late_s", [math.inf, LATE_S])
def test_the_others_go_on_from_the_start_where_the_first_sensor_sends_nothing(tmp_path: Path, late_s: float) -> None:
    told, path = recorded(tmp_path / "into", without_chest_until(late_s))
    notices = [(one.kind, one.point) for one in told if isinstance(one, Notice) and one.point == "chest"]
    came = [("came_back", "chest")] if late_s == LATE_S else []
    # At the very end some sensors' streams end before the others'.
    assert notices[: 1 + len(came)] == [("never_came", "chest"), *came]
    assert_as_offline(told, path)
    if late_s == LATE_S:
        chest = imuswing.read(path).sensors["chest"]
        assert chest.time[0] == 0.0
        assert np.isnan(chest.gyr[0]).all()
        # Its time began with the next sensor's.
        began = float(taken_at(short_lesson())["leadforearm"](np.zeros(1))[0])
        assert chest.time[1] == pytest.approx(LATE_S - began, abs=0.05)


def test_how_long_a_sensor_is_silent_is_told_also_where_all_are(tmp_path: Path) -> None:
    gone_s = 20.0
    sent: list[float] = []

    def fault(chunk: Chunk) -> Chunk | None:
        sent.append(chunk.arrival)
        return chunk if chunk.arrival < gone_s else None

    told, _ = recorded(tmp_path / "into", fault)
    last = next(m for m in reversed(told) if isinstance(m, Levels))
    assert {level.state for level in last.sensors} == {"silent"}
    np.testing.assert_allclose([level.silent_s for level in last.sensors], sent[-1] - gone_s, atol=0.3)


def test_a_disk_that_is_full_at_the_end_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lesson = cut(short_lesson(), 20.0)
    real, full = journal_module._append, threading.Event()
    full.set()

    def append(file: object, content: bytes) -> None:
        if full.is_set():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(file, content)

    told: list[Message] = []

    def say(message: Message) -> None:
        told.append(message)
        if isinstance(message, Problem) and "wait in memory: make room" in message.text:
            threading.Timer(0.3, full.clear).start()

    monkeypatch.setattr(journal_module, "_append", append)
    monkeypatch.setattr(session_module, "AGAIN_S", 0.1)
    start_dataset(tmp_path / "into", name="Into", description="Simulated.", simulated=True)
    finished = Live(tmp_path / "into", NAMED, Replay(lesson, speed=math.inf), hub=Hub(), say=say).run()
    held = imuswing.read(finished.path)
    for point, stream in lesson.sensors.items():
        np.testing.assert_array_equal(held.sensors[point].gyr, stream.gyr)
    assert sum(isinstance(message, Problem) and "make room" in message.text for message in told) >= 1


@pytest.mark.skipif(not hasattr(signal, "SIGTERM"), reason="needs POSIX signals")
def test_a_shutdown_ends_the_recording_as_ctrl_c_does(tmp_path: Path) -> None:
    root = write_short_lesson(tmp_path / "source", until=60.0)
    start_dataset(tmp_path / "into", name="Into", description="Simulated.", simulated=True)
    who = ["--participant", "P1", "--session", "02", "--task", "chip"]
    command = ["live", "--into", str(tmp_path / "into"), *who, "--replay", str(root), "--no-page", "--speed", "2"]
    run = subprocess.Popen([sys.executable, "-m", "imuswing", *command], stdout=subprocess.PIPE, text=True)
    journal = journal_folder(tmp_path / "into", NAMED) / "chest.tsv"
    end = time.monotonic() + 60.0
    while not (journal.is_file() and journal.stat().st_size > 0):
        assert run.poll() is None
        assert time.monotonic() < end
        time.sleep(0.05)
    run.send_signal(signal.SIGTERM)
    out, _ = run.communicate(timeout=60.0)
    assert run.returncode == 0
    assert "written: " in out
    assert len(list((tmp_path / "into").rglob("*_motion.tsv"))) == 3
    assert not journal.parent.exists()


def test_a_port_that_cannot_be_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    who = ["--participant", "P1", "--session", "02", "--task", "chip"]
    arguments = ["live", "--into", str(tmp_path / "into"), *who, "--replay", str(tmp_path), "--port", "99999"]
    assert main(arguments) == 2
    assert "65535" in capsys.readouterr().err
