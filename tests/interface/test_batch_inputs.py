"""What a resumed batch does again: whatever a recording's results rest on has changed, and nothing else.

What is expected is the contract of the command (issue "batch and speed"). The recordings are of one visit: a
calibration, and chips without a routine of their own that rest on it.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from batch_for_tests import assert_same, tables

from imuswing.batch import work
from imuswing.batch.ledger import Entry, read_ledgers
from imuswing.cli import main
from imuswing.recording.dataset import add_participant
from imuswing.recording.write import start_dataset, write_recording
from imuswing.simulate import simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dataset and its results: not to be changed."""
    folder = tmp_path_factory.mktemp("visit")
    root = folder / "dataset"
    start_dataset(root, name="Test", description="Simulated; no real person.", simulated=True)
    recording, _ = simulate_recording(seed=12, shots=2, rate=100.0, preset="realistic")
    bare = recording.with_events(tuple(e for e in recording.events if e.trial_type not in CALIBRATION_STEPS))
    for participant in ("S00", "S01"):
        mine = {"participant": participant, "session": "01"}
        write_recording(replace(recording, task="calibration", **mine), root, acq_time=None)
        write_recording(replace(bare, task="chip", run="1", **mine), root, acq_time=None)
    assert run(folder) == 0
    return folder


@pytest.fixture
def mine(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "mine")
    return tmp_path / "mine"


def run(folder: Path, out: str = "out") -> int:
    return main(["batch", str(folder / "dataset"), "--out", str(folder / out), "--workers", "1"])


def found(folder: Path, pattern: str) -> Path:
    (path,) = (folder / "dataset").rglob(pattern)
    return path


def entries(folder: Path) -> dict[str, Entry]:
    told = [entry for ledger in read_ledgers(folder / "out") for entry in ledger.entries]
    return {entry.path.split("/")[-1].split("_tracksys")[0]: entry for entry in told}


def todo(folder: Path, capsys: pytest.CaptureFixture[str]) -> int:
    capsys.readouterr()
    assert main(["batch", str(folder / "dataset"), "--out", str(folder / "out"), "--dry-run"]) == 0
    return int(capsys.readouterr().out.split(", ")[1].split()[0])


def test_a_recording_rests_on_the_one_it_is_calibrated_by(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = entries(mine)
    assert told["sub-S00_ses-01_task-calibration"].calibrated_here
    chip = told["sub-S00_ses-01_task-chip"]
    assert not chip.calibrated_here
    assert any("task-calibration" in file.path and file.path.endswith("motion.tsv") for file in chip.inputs)
    assert all(file.hash for file in chip.inputs)
    assert todo(mine, capsys) == 0
    events = found(mine, "sub-S00*task-calibration*events.tsv")
    events.write_text(events.read_text().replace("\tbow\t", "\ttap\t", 1))
    assert todo(mine, capsys) == 2
    assert run(mine) == 0
    assert run(mine, "anew") == 0
    assert_same(mine / "out", mine / "anew")


def test_one_that_failed_for_its_calibration_is_done_again_when_that_is_repaired(
    mine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = found(mine, "sub-S01*task-calibration*motion.tsv")
    good = table.read_bytes()
    table.write_text("broken\n")
    assert run(mine) == 3
    told = entries(mine)
    assert told["sub-S01_ses-01_task-chip"].failure is not None
    assert todo(mine, capsys) == 0
    table.write_bytes(good)
    assert todo(mine, capsys) == 2
    assert run(mine) == 0
    assert set(tables(mine / "out")[0]["participant"]) == {"S00", "S01"}


def test_one_that_failed_for_anothers_events_is_done_again_when_they_are_repaired(
    mine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    events = found(mine, "sub-S01*task-calibration*events.tsv")
    good = events.read_bytes()
    events.write_text(events.read_text().replace("\tbow\t", "\tbowe\t", 1))
    assert run(mine) == 3
    assert todo(mine, capsys) == 0
    events.write_bytes(good)
    assert todo(mine, capsys) == 2


def test_a_newer_calibration_is_seen(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for path in found(mine, "sub-S00*task-calibration*motion.tsv").parent.glob("*task-calibration*"):
        shutil.copy(path, path.with_name(path.name.replace("_tracksys-imus", "_tracksys-imus_run-2")))
    # The new recording itself, and the chip that comes after it.
    assert todo(mine, capsys) == 2


def test_files_that_come_or_go_are_seen(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found(mine, "sub-S00*task-chip*events.tsv").unlink()
    assert todo(mine, capsys) == 1
    assert run(mine) == 0
    found(mine, "sub-S00*task-chip*motion.tsv").with_name("sub-S00_ses-01_task-chip_run-1_events.tsv").write_text(
        "onset\tduration\ttrial_type\n1.0\t0.0\ttap\n"
    )
    assert todo(mine, capsys) == 1


def test_a_new_student_costs_the_others_nothing_but_a_changed_side_is_seen(
    mine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    add_participant(mine / "dataset", participant="S77", lead_side="right")
    assert todo(mine, capsys) == 0
    participants = mine / "dataset" / "participants.tsv"
    lines = participants.read_text().splitlines(keepends=True)
    lines = [line.replace("left", "right") if line.startswith("sub-S01") else line for line in lines]
    participants.write_text("".join(lines))
    assert todo(mine, capsys) == 2


def test_a_file_that_changes_while_it_is_read_is_read_again(mine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = found(mine, "sub-S00*task-chip*motion.tsv")
    lines = table.read_text().splitlines(keepends=True)
    genuine, calls = work.read, []

    def read(path: Path) -> object:
        recording = genuine(path)
        if path == table and len(calls) < 1:
            calls.append(path)
            table.write_text("".join(lines[:-50]))
        return recording

    monkeypatch.setattr(work, "read", read)
    shutil.rmtree(mine / "out")
    assert run(mine) == 0
    monkeypatch.undo()
    assert len(calls) == 1
    assert run(mine, "anew") == 0
    assert_same(mine / "out", mine / "anew")


def test_a_file_that_never_rests_is_left_for_another_run(mine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = found(mine, "sub-S00*task-chip*motion.tsv")
    genuine = work.read

    def read(path: Path) -> object:
        if path == table:
            with table.open("a") as file:
                file.write("\n")
        return genuine(path)

    monkeypatch.setattr(work, "read", read)
    shutil.rmtree(mine / "out")
    assert run(mine) == 3
    assert "changed while they were read" in (mine / "out" / "failures.tsv").read_text()
