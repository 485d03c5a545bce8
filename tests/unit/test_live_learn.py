"""Clocks live: how far a line may be off at a time, and what was seen before on the clocks as they are known now."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.live.learn import error_at
from imuswing.live.shots import Past, retimed
from imuswing.sensors.clocks import ClockLine
from imuswing.swings.events import ArmCurves
from imuswing.swings.find import Candidate
from imuswing.swings.judge import Sight
from imuswing.swings.surprise import ShockWindow


def test_beyond_its_stretch_a_line_is_as_unsure_as_a_regression_says() -> None:
    # numpy.polyfit's covariance of a straight line through even points, each with an error of 1 ms.
    time = np.linspace(20.0, 80.0, 2001)
    _, covariance = np.polyfit(time, np.zeros_like(time), 1, w=np.full_like(time, 1e3), cov="unscaled")

    def expected(at: float) -> float:
        slope = np.array([at, 1.0])
        return float(np.sqrt(slope @ covariance @ slope))

    over_all = float(np.sqrt(np.mean([expected(at) ** 2 for at in time.tolist()])))
    drift_se = float(np.sqrt(covariance[0, 0]))
    line = ClockLine(offset=0.0, drift=0.0, se=over_all, drift_se=drift_se, source="motion")
    for at in (50.0, 80.0, 92.0, 200.0):
        assert error_at(line, (20.0, 80.0), at) == pytest.approx(expected(at), rel=2e-3)
    # As the settings say of a fifth beyond it.
    assert error_at(line, (20.0, 80.0), 92.0) / error_at(line, (20.0, 80.0), 80.0) == pytest.approx(1.3, abs=0.05)


def clock(offset: float, drift: float) -> ClockLine:
    return ClockLine(offset=offset, drift=drift, se=0.002, drift_se=1e-5, source="motion")


def test_what_was_seen_on_an_early_clock_stands_on_the_one_known_now() -> None:
    own = np.linspace(100.0, 101.0, 201)
    early, now, steady = clock(2.0, 0.0), clock(2.01, 5e-5), clock(0.0, 0.0)
    nothing = np.zeros((len(own), 3))
    windows = [
        ShockWindow(
            tracked_point=point,
            time=line(own),
            acc=nothing,
            gyr=nothing,
            acc_full=np.zeros(len(own), np.bool_),
            gyr_full=np.zeros(len(own), np.bool_),
            clock_se=line.se,
        )
        for point, line in (("chest", steady), ("lead_forearm", early))
    ]
    arm = ArmCurves(
        time=early(own), long_axis=nothing, speed=own, rate=own, chest_rate=own, calm_rate=own, calm_chest_rate=own,
        axis_sd=0.0, clock_se=0.002,
    )  # fmt: skip
    candidate = Candidate(
        start=102.0, top=102.4, back=102.7, end=103.0,
        arc=1.0, miss=0.0, through=0.5, speed_back=2.0, speed_down=5.0, speed_before=0.0,
    )  # fmt: skip
    sight = Sight(candidate=candidate, arm=arm, windows=windows, signatures={})
    past = Past(sight=sight, wrist=None, frame=(None, None), ups={}, clocks={"chest": steady, "lead_forearm": early})
    seen = retimed(past, {"chest": steady, "lead_forearm": now})
    # By hand: own time 100.7 s is 102.7 s on the early clock, 2.01 + 1.00005 · 100.7 s on the later one.
    assert seen.candidate.back == pytest.approx(2.01 + 1.00005 * 100.7)
    np.testing.assert_allclose(seen.arm.time, 2.01 + 1.00005 * own, atol=1e-9)
    np.testing.assert_allclose(seen.windows[1].time, 2.01 + 1.00005 * own, atol=1e-9)
    np.testing.assert_array_equal(seen.windows[0].time, own)
