"""What is written reads back as the same numbers, whatever the recording; the order of columns changes nothing."""

from __future__ import annotations

import random
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from recordings_for_tests import make_recording

from imuswing.recording.model import Event, Recording, SensorStream
from imuswing.recording.read import read
from imuswing.recording.tables import NOT_AVAILABLE
from imuswing.recording.write import start_dataset, write_recording
from imuswing.vocabulary import LEAD_SIDES, SAMPLE_MEANINGS, TRACKED_POINTS, TRIAL_TYPES

LABELS = st.text("abcXYZ0189", min_size=1, max_size=5)
NUMBERS = st.floats(allow_nan=True, allow_infinity=False)
SECONDS = st.floats(0.0, 1e6)
TEXTS = st.none() | st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Zs", "Zl", "Zp")), min_size=1, max_size=8
).filter(lambda text: text != NOT_AVAILABLE and text.strip() == text)


@st.composite
def clocks(draw: st.DrawFn) -> tuple[float, np.ndarray]:
    """A rate and times that start at 0 and increase, evenly or with jitter."""
    rate, count = draw(st.sampled_from([50.0, 100.0, 285.714, 1000.0])), draw(st.integers(1, 6))
    jitter = draw(arrays(np.float64, count, elements=st.floats(0.0, 0.4))) if draw(st.booleans()) else np.zeros(count)
    times = (np.arange(count) + jitter) / rate
    return rate, times - times[0]


@st.composite
def samples(draw: st.DrawFn, count: int) -> np.ndarray:
    """(count, 3) with lost samples, but not all of them."""
    array = draw(arrays(np.float64, (count, 3), elements=NUMBERS))
    array[0, 0] = 1.0 if np.isnan(array[0, 0]) else array[0, 0]
    return array


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    systems = draw(st.lists(LABELS, min_size=1, max_size=2, unique_by=str.lower))
    kept = {system: draw(clocks()) for system in systems}
    points = draw(st.lists(st.sampled_from(TRACKED_POINTS), min_size=len(systems), max_size=4, unique=True))
    streams = []
    for index, point in enumerate(points):
        system = systems[index % len(systems)]
        rate, times = kept[system]
        streams.append(
            SensorStream(
                tracked_point=point,
                tracking_system=system,
                rate=rate,
                time=times,
                gyr=draw(samples(len(times))),
                acc=draw(samples(len(times))),
                mag=draw(st.none() | samples(len(times))),
                sample_meaning=draw(st.sampled_from(SAMPLE_MEANINGS)),
                gyr_range=draw(st.none() | st.floats(1e-3, 1e3)),
                acc_range=draw(st.none() | st.floats(1e-3, 1e3)),
            )
        )
    event = st.builds(
        Event,
        onset=SECONDS,
        duration=SECONDS,
        trial_type=st.sampled_from(TRIAL_TYPES),
        block=TEXTS,
        intent=TEXTS,
        outcome=TEXTS,
        note=TEXTS,
    )
    return make_recording(
        *streams,
        events=draw(st.lists(event, max_size=3, unique=True)),
        participant=draw(LABELS),
        session=draw(st.none() | LABELS),
        task=draw(LABELS),
        acq=draw(st.none() | LABELS),
        run=draw(st.none() | st.sampled_from(["1", "02"])),
        lead_side=draw(st.sampled_from(LEAD_SIDES)),
        start_hints={min(systems): 0.0, max(systems): draw(st.integers(-(10**9), 10**9)) / 1e6}
        if len(systems) > 1
        else {min(systems): 0.0},
    )


def written(recording: Recording, folder: str) -> list[Path]:
    start_dataset(folder, name="Generated", description="Random numbers for a test.")
    return write_recording(recording, folder, acq_time=datetime(2024, 5, 1))


def check_same(found: Recording, recording: Recording) -> None:
    for label in ("participant", "session", "task", "acq", "run", "lead_side"):
        assert getattr(found, label) == getattr(recording, label)
    assert dict(found.start_hints) == dict(recording.start_hints)
    assert sorted(found.events, key=repr) == sorted(recording.events, key=repr)
    assert list(found.sensors) == list(recording.sensors)
    for point, stream in recording.sensors.items():
        other = found.sensors[point]
        for name in ("tracking_system", "rate", "sample_meaning", "gyr_range", "acc_range"):
            assert getattr(other, name) == getattr(stream, name)
        np.testing.assert_allclose(other.time, stream.time, rtol=0.0, atol=1e-6)
        np.testing.assert_array_equal(other.gyr, stream.gyr)
        np.testing.assert_array_equal(other.acc, stream.acc)
        assert (other.mag is None) == (stream.mag is None)
        if stream.mag is not None:
            np.testing.assert_array_equal(other.mag, stream.mag)


@settings(max_examples=60, deadline=None)
@given(recording=recordings())
def test_written_and_read_is_the_same(recording: Recording) -> None:
    with TemporaryDirectory() as folder:
        for path in written(recording, folder):
            check_same(read(path), recording)


@settings(max_examples=30, deadline=None)
@given(recording=recordings(), seed=st.integers(0, 1000))
def test_the_order_of_columns_changes_nothing(recording: Recording, seed: int) -> None:
    with TemporaryDirectory() as folder:
        paths = written(recording, folder)
        for path in paths:
            channels = path.with_name(path.name.replace("motion.tsv", "channels.tsv"))
            header, *rows = channels.read_text().splitlines()
            order = list(range(len(rows)))
            random.Random(seed).shuffle(order)
            channels.write_text("\n".join([header, *(rows[column] for column in order)]) + "\n")
            cells = [line.split("\t") for line in path.read_text().splitlines()]
            path.write_text("".join("\t".join(line[column] for column in order) + "\n" for line in cells))
        check_same(read(paths[0]), recording)
