"""`imuswing check` on a recording whose calibration steps nobody marked."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from imuswing.cli import main
from imuswing.recording.dataset import add_participant, start_dataset
from imuswing.recording.write import write_recording
from imuswing.simulate import simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS


def test_check_says_that_the_routine_was_found_in_the_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, _ = simulate_recording(seed=40, shots=2, preset="realistic")
    bare = recording.with_events(tuple(e for e in recording.events if e.trial_type not in CALIBRATION_STEPS))
    start_dataset(tmp_path / "lessons", name="made up", description="simulated", simulated=True)
    add_participant(tmp_path / "lessons", participant=bare.participant, lead_side=bare.lead_side)
    paths = write_recording(bare, tmp_path / "lessons", acq_time=datetime(2024, 5, 31, 14, 0))
    assert main(["check", str(paths[0])]) == 0
    printed = capsys.readouterr().out
    assert "calibration (found in the data):" in printed
    assert "bow: found in the data; used; its axes fit the others to" in printed
    assert "club_hang" not in printed  # no club sensor is worn
    assert (
        "ADVICE: No calibration step is marked; these were found in the data: stand, bow, table, wrist bend," in printed
    )
