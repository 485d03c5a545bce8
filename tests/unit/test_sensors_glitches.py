"""Rows with wrong numbers are told from everything that bodies, balls and sensors do; the open recordings have none."""

from __future__ import annotations

import numpy as np
import pytest
from sensors_for_tests import OPEN_DATA

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import SensorStream
from imuswing.sensors.clean import Clean, clean
from imuswing.sensors.glitches import glitched_rows
from imuswing.sensors.settings import SensorSettings

SETTINGS = SensorSettings()


def turning(rate: float, *, fastest_dps: float = 1800.0, width_s: float = 0.05) -> FloatArray:
    """(N, 3) rad/s, four seconds: still, one hump of a fast hand, still; with a little noise."""
    time = np.arange(0.0, 4.0, 1.0 / rate)
    hump = np.radians(fastest_dps) * np.exp(-0.5 * ((time - 2.0) / width_s) ** 2)
    noise = np.random.default_rng(3).normal(0.0, np.radians(0.2), (len(time), 3))
    return hump[:, None] * np.array([0.6, -0.7, 0.4]) + noise


@pytest.mark.parametrize("rate", [100.0, 200.0, 400.0])
@pytest.mark.parametrize("at_s", [0.5, 1.95, 2.04])
def test_a_wrong_row_is_found(rate: float, at_s: float) -> None:
    gyr = turning(rate)
    row = round(at_s * rate)
    gyr[row] += np.radians([300.0, -500.0, 100.0])
    assert np.flatnonzero(glitched_rows(gyr, settings=SETTINGS)).tolist() == [row]


@pytest.mark.parametrize("rate", [100.0, 200.0, 400.0, 1000.0])
def test_a_fast_hand_is_no_glitch_and_a_struck_ball_is_hardly_ever_one(rate: float) -> None:
    assert glitched_rows(turning(rate), settings=SETTINGS).sum() == 0
    # Rings of 40 to 140 Hz that fade within 12 ms (common practice, no source), begun anywhere between two samples. Few
    # show in one row only; that one is bridged like a lost one, and a ring turns nothing for good.
    time = np.arange(0.0, 4.0, 1.0 / rate)
    taken = []
    for frequency in np.arange(40.0, 141.0, 10.0):
        for start in 2.0 + np.arange(10) / 10.0 / rate:
            since = np.maximum(time - start, 0.0)
            ring = np.radians(600.0) * np.exp(-since / 0.012) * np.sin(2.0 * np.pi * frequency * since)
            taken.append(glitched_rows(turning(rate) + ring[:, None] * np.array([0.2, 0.9, -0.3]), settings=SETTINGS))
    assert np.sum(taken) < 0.1 * len(taken)


def test_too_short_a_stream_has_none() -> None:
    for count in range(6):
        assert not glitched_rows(np.zeros((count, 3)), settings=SETTINGS).any()


def test_a_wrong_row_counts_as_lost_and_turns_nothing() -> None:
    rate = 200.0
    gyr = turning(rate)
    acc = np.tile([0.0, 0.0, 9.81], (len(gyr), 1)) + np.random.default_rng(4).normal(0.0, 0.03, (len(gyr), 3))
    wrong_gyr, wrong_acc = np.array(gyr), np.array(acc)
    wrong_gyr[390], wrong_acc[390] = np.radians([900.0, 1500.0, -700.0]), [60.0, -90.0, 10.0]

    def cleaned(gyr: FloatArray, acc: FloatArray) -> Clean:
        time = np.arange(len(gyr)) / rate
        stream = SensorStream(tracked_point="lead_hand", tracking_system="imu", rate=rate, time=time, gyr=gyr, acc=acc)
        return clean(stream, settings=SETTINGS)

    right, found = cleaned(gyr, acc), cleaned(wrong_gyr, wrong_acc)
    assert np.flatnonzero(found.lost).tolist() == [390]
    # 1800 °/s for 5 ms are 9°; the bridge over one row keeps the turn to a tenth of a degree.
    turned = np.degrees(np.abs((found.gyr - right.gyr).sum(axis=0)) / rate)
    assert turned.max() < 0.1
    assert np.abs(found.acc - right.acc).max() < 0.2


@pytest.mark.skipif(not OPEN_DATA.exists(), reason=f"no open recordings in {OPEN_DATA}")
def test_open_recordings_have_none() -> None:
    # Laidig et al. 2021 (BROAD, Data 6:72) and others, five of hands and rigs in motion, one of them tapped throughout.
    looked = 0
    for file in sorted(OPEN_DATA.glob("*.npz")):
        with np.load(file) as data:
            for name in data.files:
                if "gyr" in name and data[name].ndim == 2 and data[name].shape[1] == 3:
                    assert glitched_rows(data[name], settings=SETTINGS).sum() == 0, (file.name, name)
                    looked += 1
    assert looked > 5
