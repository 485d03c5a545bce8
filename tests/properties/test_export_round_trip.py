"""What is exported and imported again is the same recording: numbers to the bit, times to a microsecond."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import imuswing
from imuswing.cli import main
from imuswing.recording.find import find_recordings
from imuswing.recording.model import Event, Recording, SensorStream
from imuswing.recording.write import TIME_TOLERANCE_S, start_dataset, write_recording
from imuswing.simulate import simulate_recording

LABELS = ["--participant", "S001", "--session", "01", "--task", "chip", "--lead-side", "left", "--yes"]


@cache
def simulated() -> Recording:
    return simulate_recording(seed=12, shots=2, rate=100.0, preset="realistic")[0]


def changed(stream: SensorStream, system: str, *, seed: int, mag: bool, lost: int) -> SensorStream:
    """The stream on another clock, with numbers that need all their digits, lost samples and a magnetometer."""
    random = np.random.default_rng(seed)
    gyr, acc = (values * (1.0 + 1e-9 * random.random()) for values in (stream.gyr, stream.acc))
    rows = random.integers(0, len(gyr), size=lost)
    gyr[rows], acc[rows, 1] = np.nan, np.nan
    field = random.normal(scale=40.0, size=gyr.shape) if mag else None
    time = np.arange(len(gyr)) / 100.0 * (1.0 + 1e-4 * random.random())
    return replace(stream, tracking_system=system, gyr=gyr, acc=acc, mag=field, time=time)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 1000),
    apart=st.booleans(),
    mag=st.booleans(),
    lost=st.integers(0, 200),
    note=st.text(alphabet=st.characters(categories=["L", "N"]), min_size=1, max_size=20),
)
def test_export_and_import_give_the_same_recording(
    kind: str, seed: int, apart: bool, mag: bool, lost: int, note: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("round")
    base = simulated()
    shortest = min(len(stream.time) for stream in base.sensors.values())
    sensors = {}
    for number, (point, stream) in enumerate(base.sensors.items()):
        cut = replace(
            stream, time=stream.time[:shortest], gyr=stream.gyr[:shortest], acc=stream.acc[:shortest], mag=None
        )
        system = point.replace("_", "") if apart else "imu"
        sensors[point] = changed(cut, system, seed=seed + number * apart, mag=mag, lost=lost)
    events = (*base.events, Event(onset=5.25, duration=0.0, trial_type="tap", note=note))
    recording = replace(base, participant="S001", session="01", task="chip", sensors=sensors, start_hints={})
    start_dataset(folder / "first", name="Test", description="Simulated; no real person.")
    write_recording(recording.with_events(events), folder / "first", acq_time=None)

    before = imuswing.read(find_recordings(folder / "first")[0])
    after = around(folder, "first", "second", kind)
    assert_same(before, after)
    around(folder, "second", "third", kind)
    first, second = (sorted((folder / f"from_{name}").iterdir()) for name in ("first", "second"))
    assert [path.name for path in first] == [path.name for path in second]
    if kind == "csv" and apart:
        # Only the names of clocks that sensors share are new.
        assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def around(folder: Path, source: str, target: str, kind: str) -> Recording:
    out = folder / f"from_{source}"
    assert main(["export", str(folder / source), "--format", kind, "--out", str(out)]) == 0
    assert main(["export", str(folder / source), "--format", "csv", "--out", str(out), "--overwrite"]) == 0
    samples, events = (next(out.glob(f"*_{what}.{end}")) for what, end in (("samples", kind), ("events", "csv")))
    into = str(folder / target)
    assert main(["import", str(samples), "--events", str(events), "--into", into, *LABELS]) == 0
    return imuswing.read(find_recordings(folder / target)[0])


def assert_same(before: Recording, after: Recording) -> None:
    assert list(after.sensors) == list(before.sensors)
    clocks = [{p: r.sensors[p].tracking_system for p in r.sensors} for r in (before, after)]
    for point, stream in before.sensors.items():
        told = after.sensors[point]
        np.testing.assert_array_equal(told.gyr, stream.gyr)
        np.testing.assert_array_equal(told.acc, stream.acc)
        assert (told.mag is None) == (stream.mag is None)
        if stream.mag is not None and told.mag is not None:
            np.testing.assert_array_equal(told.mag, stream.mag)
        np.testing.assert_allclose(told.time, stream.time, rtol=0, atol=TIME_TOLERANCE_S)
        assert told.rate == stream.rate
        # Sensors that shared a clock still do.
        shared = [{q for q in clocks[k] if clocks[k][q] == clocks[k][point]} for k in (0, 1)]
        assert shared[0] == shared[1]
    assert after.events == before.events
