"""Clocks put out of step by a known offset and drift, on real recordings, and found again.

Two-segment rig: as carried by the MIT-licensed repository `dfjimu` (Weygers & Kok 2020, IEEE Sensors J); a walking
person: example data of the library `qmt`, MIT, © 2021 Bo Yang. Whether the makers' own clocks agree to better than a
millisecond is not known.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from sensors_for_tests import OPEN_DATA, recording_of

from imuswing.recording.model import SensorStream
from imuswing.sensors.prepare import prepare

RIGS = sorted(OPEN_DATA.glob("joint_rig_*.npz"))
PERSON = OPEN_DATA / "upper_body_100hz.npz"

pytestmark = pytest.mark.skipif(not RIGS or not PERSON.exists(), reason=f"no open recordings in {OPEN_DATA}")


def out_of_step(
    gyr: np.ndarray, acc: np.ndarray, rate: float, *, point: str, system: str, offset: float, drift: float
) -> SensorStream:
    """The sensor on a clock of its own: first time = second time · (1 + drift) + offset, the first starting at 2 s."""
    own = np.arange(int((len(gyr) / rate - 5.0) * rate)) / rate
    recorded = 2.0 + offset + (1.0 + drift) * own
    at = np.arange(len(gyr)) / rate
    return SensorStream(
        tracked_point=point,
        tracking_system=system,
        rate=rate,
        time=own,
        gyr=CubicSpline(at, gyr.astype(float))(recorded),
        acc=CubicSpline(at, acc.astype(float))(recorded),
    )


def misses(streams: list[SensorStream], offset: float, drift: float) -> tuple[np.ndarray, float]:
    """Errors in ms at three times of the recording, and the standard error told, of the last stream's clock."""
    report = prepare(recording_of(*streams)).reports[streams[-1].tracked_point]
    own = np.array([0.0, 0.5, 1.0]) * streams[-1].time[-1]
    told = report.clock_offset_s + (1.0 + 1e-6 * report.clock_drift_ppm) * own
    return 1e3 * (told - offset - (1.0 + drift) * own), 1e3 * report.clock_se_s


@pytest.mark.parametrize(("offset", "drift"), [(0.0, 0.0), (0.313, 50e-6), (-0.77, -50e-6)])
@pytest.mark.parametrize("path", RIGS, ids=lambda path: path.stem)
def test_two_segment_rig(path: object, offset: float, drift: float) -> None:
    """One to three hinges at 50 Hz, slow: within 3 ms everywhere, 1 ms and the told error in the middle."""
    with np.load(path) as data:  # type: ignore[call-overload]
        arrays = {name: data[name] for name in ("gyr1", "acc1", "gyr2", "acc2")}
    rate = 50.0
    first = out_of_step(arrays["gyr1"], arrays["acc1"], rate, point="lead_forearm", system="a", offset=0.0, drift=0.0)
    second = out_of_step(
        arrays["gyr2"], arrays["acc2"], rate, point="lead_hand", system="b", offset=offset, drift=drift
    )
    errors, se = misses([first, second], offset, drift)
    assert np.abs(errors).max() < 3.0
    assert abs(errors[1]) < 1.2
    assert abs(errors[1]) < 1.96 * se


BODY = {
    "chest": "upper_back",
    "pelvis": "hip",
    "lead_upper_arm": "upper_arm_left",
    "lead_forearm": "forearm_left",
    "lead_hand": "hand_left",
}


def person(point: str, system: str, offset: float, drift: float) -> SensorStream:
    with np.load(PERSON) as data:
        gyr, acc = data[f"{BODY[point]}_gyr"], data[f"{BODY[point]}_acc"]
    return out_of_step(gyr, acc, 100.0, point=point, system=system, offset=offset, drift=drift)


@pytest.mark.parametrize(("offset", "drift"), [(0.7, 40e-6), (-1.234, -80e-6)])
@pytest.mark.parametrize(
    ("first", "second", "most_ms"),
    [
        ("lead_forearm", "lead_hand", 1.5),
        ("lead_upper_arm", "lead_forearm", 3.0),
        ("chest", "pelvis", 6.0),
        ("chest", "lead_forearm", 8.0),
        ("chest", "lead_hand", 16.0),
        ("pelvis", "lead_hand", 16.0),
    ],
)
def test_a_walking_person(first: str, second: str, most_ms: float, offset: float, drift: float) -> None:
    """Within the arm to a millisecond or two; through shoulder and spine, where soft parts delay steps, less well, and
    the told error says so. A minute and a half without a tap, so the drift is hardly known."""
    errors, se = misses([person(first, "a", 0.0, 0.0), person(second, "b", offset, drift)], offset, drift)
    assert abs(errors[1]) < most_ms
    assert abs(errors[1]) < 1.96 * se


def test_three_clocks_of_a_person() -> None:
    """All at once: forearm and hand agree to the 3 ms that are aimed for, the back to what soft parts allow."""
    streams = [
        person("chest", "a", 0.0, 0.0),
        person("lead_forearm", "b", 0.7, 40e-6),
        person("lead_hand", "c", -0.9, -30e-6),
    ]
    reports = prepare(recording_of(*streams)).reports

    def told(point: str, own: float) -> float:
        report = reports[point]
        return report.clock_offset_s + (1.0 + 1e-6 * report.clock_drift_ppm) * own

    forearm = told("lead_forearm", 45.0) - (0.7 + (1.0 + 40e-6) * 45.0)
    hand = told("lead_hand", 45.0) - (-0.9 + (1.0 - 30e-6) * 45.0)
    assert abs(forearm - hand) < 0.003
    assert max(abs(forearm), abs(hand)) < 0.008
