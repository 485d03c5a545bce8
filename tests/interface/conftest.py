"""A small simulated dataset on disk, made once, for the tests of commands."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from imuswing.recording.write import start_dataset, write_recording
from imuswing.simulate import simulate_recording


@pytest.fixture(scope="session")
def simulated_dataset(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The dataset that `small_dataset` copies; not to be changed."""
    root = tmp_path_factory.mktemp("simulated") / "lessons"
    start_dataset(root, name="Test", description="Simulated; no real person.")
    recording, _ = simulate_recording(seed=12, shots=3, rate=100.0, preset="realistic")
    apart = {
        point: replace(stream, tracking_system=point.replace("_", "")) for point, stream in recording.sensors.items()
    }
    write_recording(replace(recording, sensors=apart), root, acq_time=None)
    return root


@pytest.fixture
def small_dataset(simulated_dataset: Path, tmp_path: Path) -> Path:
    """A dataset of one recording with three shots: chest, lead forearm, lead hand at 100 Hz, each in its own files."""
    return Path(shutil.copytree(simulated_dataset, tmp_path / "lessons"))
