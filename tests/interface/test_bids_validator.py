"""The official BIDS validator (bids-validator-deno) accepts what we write with no error."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from recordings_for_tests import make_recording, make_stream

from imuswing.recording.model import Event
from imuswing.recording.write import add_participant, start_dataset, write_recording
from imuswing.vocabulary import TRIAL_TYPES

START = datetime(2024, 5, 1, 10, 0, 0)
FOUND = shutil.which("bids-validator-deno", path=str(Path(sys.executable).parent)) or shutil.which(
    "bids-validator-deno"
)

pytestmark = pytest.mark.skipif(FOUND is None, reason="bids-validator-deno is not installed (pip install .[test])")


def validate(root: Path) -> tuple[int, list[str]]:
    """Exit status and the codes of the errors."""
    assert FOUND is not None
    command = [FOUND, str(root), "--max-rows", "-1", "-r", "--json"]
    run = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    issues = json.loads(run.stdout)["issues"]["issues"]
    return run.returncode, [issue["code"] for issue in issues if issue["severity"] == "error"]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A dataset with all that we write: two clocks, sample times, all events, both sides, more columns, derivatives."""
    root = tmp_path / "dataset"
    start_dataset(root, name="Generated numbers", description="Random numbers for a test.")
    add_participant(root, participant="01", lead_side="left", columns={"consent": "yes", "goals": 'a "flat" wrist'})
    jitter = np.arange(40) / 200.0 + np.linspace(0.0, 1e-3, 40)
    streams = (
        make_stream("chest", tracking_system="a", gyr_range=35.0),
        make_stream("pelvis", tracking_system="a"),
        make_stream("lead_hand", tracking_system="b", time=jitter, with_mag=True, sample_meaning="mean"),
    )
    events = [Event(onset=index * 0.01, duration=0.01, trial_type=kind) for index, kind in enumerate(TRIAL_TYPES)]
    events.append(
        Event(onset=0.15, duration=0.0, trial_type="shot", block="drill", intent="pin", outcome='"thin"', note="é")
    )
    recording = make_recording(*streams, events=events, acq="hard", run="2", start_hints={"b": 0.125})
    write_recording(recording, root, acq_time=START)
    write_recording(make_recording(task="calibration"), root, acq_time=None)
    write_recording(make_recording(participant="02", lead_side="right", session=None), root, acq_time=START)
    tables = root / "derivatives" / "imuswing-tables" / "sub-01"
    tables.mkdir(parents=True)
    (tables / "swings.parquet").write_bytes(b"PAR1")
    (tables / "quality.json").write_text("{}")
    return root


def test_the_validator_accepts_what_we_write(root: Path) -> None:
    assert validate(root) == (0, [])


def test_the_validator_would_notice_a_missing_field(root: Path) -> None:
    """Guards the test above: the validator does look at these files."""
    sidecar = next(root.rglob("*_motion.json"))
    sidecar.write_text('{"SamplingFrequency": 200}')
    status, errors = validate(root)
    assert status != 0
    assert errors
