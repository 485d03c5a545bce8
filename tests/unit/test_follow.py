"""Swings followed together against each by itself, and the likelihood of a wandering bias against the dense formula."""

from __future__ import annotations

import numpy as np
import pytest
from motions_for_tests import make_motion, scalar_first
from scipy.spatial.transform import Rotation
from scipy.stats import multivariate_normal

from imuswing.body.alignment import Alignment
from imuswing.body.follow import Span, follow_segment, follow_segments
from imuswing.body.segments import SegmentSettings, error_maps
from imuswing.sensors.bias import _log_likelihood

RATE = 200.0
TIME = np.arange(6000) / RATE
SPANS = [
    Span(start=3.0, end=5.0, address=2.9),
    Span(start=9.0, end=9.4, address=8.9),
    Span(start=15.0, end=18.3, address=14.9),
    Span(start=29.0, end=29.5, address=28.9),
    Span(start=40.0, end=41.0, address=39.9),
    Span(start=0.5, end=2.0, address=0.4),
]


def test_swings_followed_together_are_as_each_by_itself() -> None:
    # Short, long, cut off by either end of the recording, and outside it: padding one must not touch another.
    angles = np.column_stack((np.sin(2.0 * TIME), 0.7 * np.sin(1.3 * TIME), np.sin(0.9 * TIME)))
    sensor = Rotation.from_euler("ZXY", angles)
    motion = make_motion("lead_forearm", sensor, rate=RATE)
    fitted = Alignment(
        tracked_point="lead_forearm", q_sensor_from_segment=np.array([0.8, 0.6, 0.0, 0.0]), covariance=np.eye(3)
    )
    q = scalar_first(sensor)
    together = follow_segments(motion, q, fitted, SPANS, settings=SegmentSettings())
    assert [segment is None for segment in together] == [False, False, False, False, True, False]
    for span, one in zip(SPANS, together, strict=True):
        alone = follow_segment(
            motion, q, fitted, start=span.start, end=span.end, address=span.address, settings=SegmentSettings()
        )
        if one is None or alone is None:
            assert one is alone
            continue
        np.testing.assert_array_equal(one.time, alone.time)
        np.testing.assert_allclose(one.q, alone.q, atol=1e-12)
        np.testing.assert_allclose(one.omega, alone.omega, atol=1e-12)
        np.testing.assert_allclose(one.error_covariance, alone.error_covariance, rtol=1e-9, atol=1e-15)
        places = [0, 37, len(one.time) // 2, len(one.time) - 1]
        # The errors of many swings and samples at once, too, are those of each by itself.
        first, last = error_maps([alone, one], np.array([places, places[::-1]]))
        for k, index in enumerate(places):
            np.testing.assert_allclose(first[k], alone.error_map[index], atol=1e-10)
            np.testing.assert_allclose(last[-1 - k], alone.error_map[index], atol=1e-10)


@pytest.mark.parametrize("scale", [1.0, 4.0])
def test_the_likelihood_of_a_wandering_bias_is_that_of_the_multivariate_normal(scale: float) -> None:
    # Random walk about an unknown level: Rasmussen & Williams 2006, Gaussian Processes for Machine Learning,
    # equation 2.30 with a Wiener covariance; scipy's density is the reference.
    rng = np.random.default_rng(4)
    at = np.sort(rng.uniform(0.0, 600.0, 25))
    seen, se = rng.normal(size=(25, 3)), rng.uniform(0.1, 0.5, 25)
    wander, loose = np.array([0.0, 0.003]), 50.0
    found = _log_likelihood(at, seen, se, wander, np.full(2, scale), loose)
    dense = []
    for each in wander:
        covariance = loose + each * np.minimum(at[:, None] - at[0], at - at[0]) + np.diag((scale * se) ** 2)
        density = multivariate_normal(np.zeros(25), covariance)
        dense.append(sum(density.logpdf(seen[:, axis]) for axis in range(3)))
    # Constants are left out.
    assert found[1] - found[0] == pytest.approx(dense[1] - dense[0], rel=1e-9)
