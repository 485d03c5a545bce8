"""The hill and its bite on curves whose answer is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.report.chest_plot import _between_level
from imuswing.report.plot_parts import decoded
from imuswing.report.shapes import SHOWN_S, Hill, Limits, common_scale, hill_of, limits_from, on_grid
from imuswing.report.views import SwingView

LIMITS = Limits(before_s=0.05, after_s=0.15, turning=0.7, stalled=0.4)


def swing(rate: np.ndarray, time: np.ndarray, verdict: str | None, **values: float | None) -> SwingView:
    known = {"impact_s": 10.0, "top_s": 9.7, **values}
    return SwingView(
        key="r0n0",
        number=1,
        kind="shot",
        verdict=verdict,
        values=known,
        block=None,
        intent=None,
        outcome=None,
        flags=(),
        curve={"time_s": time, "chest_turn_rate_dps": rate},
    )


def triangle(low: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Up to 300 °/s at -0.05 s, straight down to `low` at 0.05 s, straight up to 300 again at 0.15 s; 1 kHz."""
    time = np.arange(-500, 501) / 1000.0
    return time, np.interp(time, [-0.35, -0.05, 0.05, 0.15], [0.0, 300.0, low, 300.0])


def hill(verdict: str | None = "stalled", low: float = 0.0, continuity: float | None = 0.0) -> Hill:
    time, rate = triangle(low)
    made = hill_of(
        swing(
            rate,
            time,
            verdict,
            chest_turn_rate_peak_dps=300.0,
            chest_turn_rate_min_dps=low,
            chest_continuity=continuity,
        ),
        LIMITS,
    )
    assert made is not None
    return made


def test_the_level_starts_where_the_curve_was_fastest_on_the_way_down() -> None:
    assert hill().level_dps == 300.0
    assert hill().level_from_s == pytest.approx(-0.05)


def test_the_slowest_moment_is_placed_at_the_tables_value() -> None:
    assert hill(low=15.0, continuity=0.05).slowest == pytest.approx((0.05, 15.0))


def test_a_stalled_stretch_lies_under_the_limit() -> None:
    # 0.4 · 300 = 120 °/s is crossed at 0.05 ± 0.04 s (slope 3000 °/s²); on the 5 ms grid the first points inside are
    # 0.015 and 0.085 s, for at 0.01 and 0.09 s the curve stands at 120 itself.
    ((start, end),) = hill().stalled_s
    assert (start, end) == pytest.approx((0.015, 0.085))


def test_only_a_stall_has_a_stalled_stretch() -> None:
    assert hill(verdict="slowing").stalled_s == ()
    assert hill(verdict=None).stalled_s == ()


def test_a_chest_that_hardly_turned_is_stalled_all_through_the_ball() -> None:
    assert hill(continuity=None).stalled_s == ((-LIMITS.before_s, LIMITS.after_s),)


def test_the_bite_has_the_area_between_level_and_curve() -> None:
    # A triangle of base 0.2 s and height 300 °/s: 30°.
    (bite,) = _between_level(hill(), -0.05, 0.15, {})
    x, y = decoded(bite["x"]), decoded(bite["y"])
    area = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
    assert area == pytest.approx(30.0, abs=1e-3)


def test_a_curve_above_its_level_loses_nothing() -> None:
    time = np.arange(-500, 501) / 1000.0
    faster = swing(300.0 + 400.0 * np.clip(time, 0, None), time, "turning", chest_turn_rate_peak_dps=300.0)
    made = hill_of(faster, LIMITS)
    assert made is not None
    (bite,) = _between_level(made, 0.0, 0.15, {})
    assert np.ptp(decoded(bite["y"])) == 0.0


def test_unknown_samples_stay_unknown_and_no_curve_gives_no_hill() -> None:
    time, rate = triangle()
    rate[(time > -0.2) & (time < -0.1)] = np.nan
    made = hill_of(swing(rate, time, "turning", chest_turn_rate_peak_dps=300.0), LIMITS)
    assert made is not None
    assert np.isnan(made.rate_dps[np.isclose(made.time_s, -0.15)]).all()
    assert np.isfinite(made.between(*SHOWN_S)[1]).all()
    assert hill_of(swing(np.full_like(time, np.nan), time, None), LIMITS) is None
    assert hill_of(swing(rate[:50], time[:50], None), LIMITS) is None


def test_the_grid_interpolates_by_straight_lines_and_never_beyond_the_curve() -> None:
    laid = on_grid(np.array([0.0, 1.0]), np.array([2.0, 4.0]), np.array([-0.1, 0.25, 1.0, 1.1]))
    np.testing.assert_array_equal(laid, [np.nan, 2.5, 4.0, np.nan])


def test_the_scale_holds_every_hill_and_the_ground() -> None:
    low, high = common_scale([hill(), hill(low=-80.0, continuity=-0.27)])
    assert low < -80.0 < 300.0 < high
    assert common_scale([])[0] < 0.0 < common_scale([])[1]


def test_limits_come_from_the_settings_wherever_they_stand() -> None:
    # Defaults: the definition of the measures (0.05 s before to 0.15 s after impact; 0.7 and 0.4).
    assert limits_from({}) == LIMITS
    told = limits_from({"settings": {"measures": {"rates": {"turning_from": 0.8, "slowing_from": 0.5}}}})
    assert told == Limits(before_s=0.05, after_s=0.15, turning=0.8, stalled=0.5)
