"""Normal gravity against published values."""

from __future__ import annotations

import math

import pytest

from imuswing.sensors.gravity import GREATEST_GRAVITY, LEAST_GRAVITY, normal_gravity, scale_error
from imuswing.vocabulary import STANDARD_GRAVITY


@pytest.mark.parametrize(
    ("latitude_deg", "gravity"),
    [(0.0, 9.7803253359), (30.0, 9.7932472692), (45.0, 9.8061977694), (60.0, 9.8191769531), (90.0, 9.83218493786)],
)
def test_wgs84_normal_gravity(latitude_deg: float, gravity: float) -> None:
    """NIMA TR8350.2, 3rd edition: equation 4-1; equator and pole also in its table 3.4 (second hand, recomputed)."""
    assert normal_gravity(math.radians(latitude_deg)) == pytest.approx(gravity, abs=1e-9)
    assert normal_gravity(-math.radians(latitude_deg)) == pytest.approx(gravity, abs=1e-9)


def test_standard_gravity_is_possible_and_off_scale_readings_are_told() -> None:
    """Standard gravity: 3rd CGPM 1901 (from memory)."""
    assert LEAST_GRAVITY < STANDARD_GRAVITY < GREATEST_GRAVITY
    assert scale_error(STANDARD_GRAVITY) == 0.0
    assert scale_error(1.02 * GREATEST_GRAVITY) == pytest.approx(0.02)
    assert scale_error(0.98 * LEAST_GRAVITY) == pytest.approx(-0.02)
