"""One sensor of the table of `scripts/orientation_accuracy` on simulated golfers: every method gives a figure."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np

from imuswing.sensors.prepare import prepare
from imuswing.simulate.lesson import simulate_recording

SCRIPT = Path(__file__).parents[2] / "scripts" / "orientation_golfers.py"


def test_the_default_is_no_worse_than_any_other_way_that_costs_as_little() -> None:
    # The simulator's truth of the sensor itself; medians, so that one swing with a hard shock does not decide.
    spec = importlib.util.spec_from_file_location("orientation_golfers", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    sys.modules["orientation_golfers"] = script
    spec.loader.exec_module(script)
    recording, truth = simulate_recording(seed=31, task="pitch", shots=8, preset="realistic")
    errors = script.sensor_errors(prepare(recording).motions["lead_forearm"], truth)
    middle = {name: np.median(rows, axis=0) for name, rows in errors.items()}
    assert len(middle) == 8
    assert all(np.isfinite(rows).all() for rows in errors.values())
    default = middle.pop("closed by gravity, sensor learnt")
    for name in ("filter, forward", "filter, offline", "strapdown from the address", "strapdown closed by gravity"):
        assert default[:3].sum() < middle[name][:3].sum(), name
