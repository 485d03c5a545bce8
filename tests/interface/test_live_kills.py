"""kill -9 at random moments: at most the last second is lost, and a restart goes on to a whole recording."""

from __future__ import annotations

import math
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from live_for_tests import cut, short_lesson

import imuswing
from imuswing.cli import main
from imuswing.errors import SettingsError
from imuswing.live import journal as journal_module
from imuswing.live import session as session_module
from imuswing.live.hub import Hub
from imuswing.live.journal import Journal, journal_folder
from imuswing.live.messages import Message, Problem, Shot
from imuswing.live.model import Arrival, Chunk, Session, SystemHead
from imuswing.live.replay import Replay
from imuswing.live.session import Live
from imuswing.live.settings import LiveSettings
from imuswing.live.state import State
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Recording
from imuswing.recording.write import write_recording

CHAINS, KILLS_EACH = 4, 5
LONGEST_LOSS_S = 1.0
"""What a crash may cost, as the command promises."""

TESTS = Path(__file__).parents[1]
WHO = ("--participant", "P1", "--session", "02", "--task", "chip")
NAMED = Session(participant="P1", session="02", task="chip", lead_side="left")

TELLING = """
import sys
from imuswing.cli import main
from imuswing.live.replay import Replay
arrivals = Replay.arrivals
def told(self, after):
    for arrival in arrivals(self, after):
        print(f"now {arrival.now:.3f}", flush=True)
        yield arrival
Replay.arrivals = told
sys.exit(main(sys.argv[1:]))
"""
"""The command, which also says how far the samples have come before they are handed over."""


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some 60 s of the lesson's routine: three clocks, three steps and a tap."""
    return write(cut(short_lesson(), 60.0), tmp_path_factory.mktemp("kills") / "source")


def write(recording: Recording, root: Path) -> Path:
    start_dataset(root, name="Short lesson", description="Simulated, cut.", simulated=True)
    write_recording(replace(recording, start_hints={}), root, acq_time=None)
    return root


def play(source: Path, into: Path, speed: str) -> list[str]:
    return ["live", "--into", str(into), *WHO, "--replay", str(source), "--speed", speed, "--no-page"]


def came_to_disk(into: Path) -> dict[str, float]:
    """By system the time of the last whole line of the journal."""
    last = {}
    for table in journal_folder(into, NAMED).glob("*.tsv"):
        lines = table.read_bytes().split(b"\n")[:-1]
        last[table.stem] = float(lines[-1].split(b"\t")[0]) if lines else -np.inf
    return last


def killed_again_and_again(source: Path, into: Path, seed: int, kills: int = KILLS_EACH) -> list[float]:
    """Seconds lost by each of some kills."""
    rng, lost = random.Random(seed), []
    for _ in range(kills):
        command = [sys.executable, "-c", TELLING, *play(source, into, "1")]
        run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        assert run.stdout is not None
        first = next((line for line in run.stdout if line.startswith("now ")), None)
        assert first is not None, "it ended before it played"
        time.sleep(rng.uniform(0.2, 3.0))
        run.send_signal(signal.SIGKILL)
        told = [first, *run.stdout]
        run.wait()
        assert run.returncode == -signal.SIGKILL, told[-3:]
        now = max(float(line.split()[1]) for line in told if line.startswith("now "))
        held = came_to_disk(into)
        # Clocks of the simulated sensors began within half a second of each other: by the first one's.
        lost.append(now - held["chest"])
    return lost


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
def test_twenty_random_kills_lose_at_most_a_second_and_the_rest_is_whole(source: Path, tmp_path: Path) -> None:
    folders = [tmp_path / f"into{number}" for number in range(CHAINS)]
    with ThreadPoolExecutor(CHAINS) as pool:
        losses = [*pool.map(killed_again_and_again, [source] * CHAINS, folders, range(CHAINS))]
    assert len(np.concatenate(losses)) == CHAINS * KILLS_EACH
    assert np.concatenate(losses).max() < LONGEST_LOSS_S, losses
    came = next(iter(imuswing.read_all(source)))
    for folder in folders[:2]:
        assert main(play(source, folder, "inf")) == 0
        held = next(iter(imuswing.read_all(folder)))
        # The player goes on where the journal ends, so that a whole recording shows that nothing was lost or doubled.
        for point, stream in came.sensors.items():
            np.testing.assert_array_equal(held.sensors[point].time, stream.time)
            np.testing.assert_array_equal(held.sensors[point].gyr, stream.gyr)
        assert held.events == came.events
        assert not journal_folder(folder, NAMED).exists()


def test_an_interrupted_recording_can_be_made_whole_without_its_sensors(source: Path, tmp_path: Path) -> None:
    into = tmp_path / "into"
    killed_again_and_again(source, into, 9, kills=1)
    last = came_to_disk(into)
    assert main(["live", "--into", str(into), *WHO, "--finish"]) == 0
    held = next(iter(imuswing.read_all(into)))
    assert held.sensors["chest"].time[-1] == pytest.approx(last["chest"], abs=1e-9)
    assert main(["live", "--into", str(into), *WHO, "--finish"]) == 2


def test_half_a_line_is_taken_off(source: Path, tmp_path: Path) -> None:
    into = tmp_path / "into"
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    recording = next(iter(imuswing.read_all(source)))
    heads = heads_of(recording)
    started = Journal.start(into, NAMED, heads)
    started.close()
    table = started.table("chest")
    row = "\t".join(["0.5"] * heads[0].columns)
    table.write_text(f"{row}\n{row.replace('0.5', '1.5')}\n2.5\t0.1")
    resumed = Journal.resume(into, NAMED)
    assert resumed is not None
    resumed.close()
    assert table.read_text().splitlines() == [row, row.replace("0.5", "1.5")]


def heads_of(recording: Recording) -> list[SystemHead]:
    return [SystemHead.of([stream]) for stream in recording.sensors.values()]


def test_stopped_while_it_is_made_whole_it_can_be_made_whole_again(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    short = write(cut(next(iter(imuswing.read_all(source))), 5.0), tmp_path / "short")
    real, left = os.replace, [10**6]

    def replaced(*names: str) -> None:
        if "sub-P1" in str(names[1]) and "sourcedata" not in str(names[1]):
            left[0] -= 1
            if left[0] < 0:
                raise KeyboardInterrupt
        real(*names)

    monkeypatch.setattr(os, "replace", replaced)
    assert main(play(short, tmp_path / "calm", "inf")) == 0
    renamed = 10**6 - left[0]
    assert renamed > 9, "three tables, three sidecars, three channels, the scans and the verdicts"
    for step in range(renamed):
        into, left[0] = tmp_path / f"into{step}", step
        assert main(play(short, into, "inf")) == 130
        left[0] = 10**6
        assert main(["live", "--into", str(into), *WHO, "--finish"]) == 0
        held = next(iter(imuswing.read_all(into)))
        assert set(held.sensors) == {"chest", "lead_forearm", "lead_hand"}
        assert len(list(into.rglob("shown.parquet"))) == 1
        assert not journal_folder(into, NAMED).exists()


class Stops(Replay):
    """A replay that breaks off, as when the computer dies."""

    end_s = 100.0

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        for arrival in super().arrivals(after):
            if arrival.now > self.end_s:
                raise ConnectionError
            yield arrival


def test_a_lesson_taken_up_again_goes_on_with_its_shots_and_numbers(tmp_path: Path) -> None:
    into, recording = tmp_path / "into", short_lesson()
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    first: list[Message] = []
    live = Live(into, NAMED, Stops(recording, speed=math.inf), hub=Hub(), say=first.append)
    with pytest.raises(ConnectionError):
        live.run()
    live.journal.close()
    then: list[Message] = []
    again = Live(into, NAMED, Replay(recording, speed=math.inf), hub=Hub(), say=then.append)
    assert again.resumed
    finished = again.run()
    told = [[m for m in messages if isinstance(m, Shot) and not m.revised] for messages in (first, then)]
    assert [shot.number for shot in told[1]] == [len(told[0]) + k + 1 for k in range(len(told[1]))]
    struck = [shot for shot in (*told[0], *told[1]) if shot.kind == "shot"]
    swings = imuswing.analyze(imuswing.read(finished.path)).swings
    offline = swings[swings["kind"] == "shot"]
    assert len(offline) == 4
    np.testing.assert_allclose([shot.impact_s for shot in struck], offline["impact_s"], atol=0.010)
    assert [shot.verdict for shot in struck] == list(offline["chest_verdict"])
    shown = pd.read_parquet(finished.shown)
    assert (shown["kind"] == "shot").sum() == 4


@pytest.mark.parametrize("after_s", [0.15, 1.0])
def test_a_crash_in_the_middle_of_a_shot_leaves_each_swing_its_number(tmp_path: Path, after_s: float) -> None:
    # After 0.15 s its verdict has not been told; after 1 s its second look is still to come.
    into, recording = tmp_path / "into", short_lesson()
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    impacts = imuswing.analyze(recording).swings.query("kind == 'shot'")["impact_s"].to_numpy()
    stops = Stops(recording, speed=math.inf)
    stops.end_s = float(impacts[2]) + after_s
    told: list[Message] = []
    live = Live(into, NAMED, stops, hub=Hub(), say=told.append)
    with pytest.raises(ConnectionError):
        live.run()
    live.journal.close()
    hub = Hub()
    finished = Live(into, NAMED, Replay(recording, speed=math.inf), hub=hub, say=told.append).run()
    shots = [message for message in told if isinstance(message, Shot)]
    for number in {shot.number for shot in shots}:
        at = [shot.impact_s for shot in shots if shot.number == number]
        assert max(at) - min(at) < 0.1, (number, at)
    shown = pd.read_parquet(finished.shown).query("kind == 'shot'")
    np.testing.assert_allclose(shown["impact_s"], impacts, atol=0.015)
    # A page that is opened anew shows those of the last minute again.
    again: list[str] = []
    hub.attach(again.append)
    assert sum('"type": "shot"' in text for text in again) >= len(impacts) - 1


def test_a_full_disk_is_said_and_nothing_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    into = tmp_path / "into"
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    head = heads_of(short_lesson())[0]
    made = Journal.start(into, NAMED, [head])
    real = journal_module._append
    full = [True]

    def append(file: object, content: bytes) -> None:
        if full[0]:
            raise OSError(28, os.strerror(28))
        real(file, content)

    monkeypatch.setattr(journal_module, "_append", append)
    monkeypatch.setattr(journal_module, "AGAIN_S", 0.1)
    rows = np.arange(3.0 * head.columns).reshape(3, -1)
    made.add(Chunk(system=head.name, rows=rows, arrival=0.0))
    wait_for(lambda: made.trouble is not None)
    assert "make room" in str(made.trouble)
    assert os.strerror(28) in str(made.trouble)
    full[0] = False
    wait_for(lambda: made.trouble is None)
    made.close()
    np.testing.assert_array_equal(np.loadtxt(made.table(head.name)), rows)


def test_two_cannot_record_into_one_journal(tmp_path: Path) -> None:
    into = tmp_path / "into"
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    made = Journal.start(into, NAMED, heads_of(short_lesson()))
    with pytest.raises(SettingsError, match="another imuswing live"):
        Journal.resume(into, NAMED)
    made.close()
    again = Journal.resume(into, NAMED)
    assert again is not None
    again.close()


def test_a_fault_in_the_computation_is_said_and_costs_no_sample(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    into, recording = tmp_path / "into", cut(next(iter(imuswing.read_all(source))), 12.0)
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    real = session_module.step

    def failing(state: State, settings: LiveSettings) -> tuple[State, list[Message]]:
        if 5.0 < state.now < 6.0:
            raise FloatingPointError("made up")
        return real(state, settings)

    monkeypatch.setattr(session_module, "step", failing)
    told: list[Message] = []
    finished = Live(into, NAMED, Replay(recording, speed=math.inf), hub=Hub(), say=told.append).run()
    problems = [message for message in told if isinstance(message, Problem)]
    assert len(problems) == 1
    assert "made up" in problems[0].text
    held = imuswing.read(finished.path)
    for point, stream in recording.sensors.items():
        np.testing.assert_array_equal(held.sensors[point].gyr, stream.gyr)


def wait_for(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)
