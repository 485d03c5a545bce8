"""Standard errors of a swing's moments, against the errors that a badly known axis or clock truly makes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import savgol_filter
from scipy.spatial.transform import Rotation

from imuswing.swings.events import ArmCurves, EventSettings, Moments, place, without_ringing
from imuswing.swings.find import Candidate
from imuswing.swings.impact import Impact
from imuswing.swings.surprise import ShockWindow, SurpriseSettings, surprises

RATE = 200.0
TAKEAWAY, TOP, IMPACT, SETTLED = 1.0, 1.8, 2.1, 2.8


def smooth(time: np.ndarray, first: float, last: float) -> np.ndarray:
    """From 0 to 1 with no jerk at the ends (Flash & Hogan 1985, eq. of the minimum-jerk movement, from memory)."""
    s = np.clip((time - first) / (last - first), 0.0, 1.0)
    return np.asarray(s**3 * (10.0 - 15.0 * s + 6.0 * s**2))


def arm(
    tilt: np.ndarray, *, axis_sd: float, after: float = 0.0, after_s: float = 3.2, rocking: float = np.nan
) -> ArmCurves:
    """A forearm that swings by 90° and back to 60° beyond, and rolls by 60° with other timing; `tilt` (2,) rad is how
    far the axis that is followed is off the true one.  after: ° of a little movement that follows the rest, from
    `after_s` on for 0.4 s.
    rocking: phase of a skin that rocks at 5 Hz by `EventSettings.top_arc_error` RMS."""
    time = np.arange(0.0, 6.0, 1.0 / RATE)
    swing = (
        -90.0 * smooth(time, TAKEAWAY, TOP)
        + 150.0 * smooth(time, TOP, SETTLED)
        + after * smooth(time, after_s, after_s + 0.4)
    )
    if np.isfinite(rocking):
        size = np.degrees(np.sqrt(2.0) * EventSettings().top_arc_error)
        swing += size * np.sin(2.0 * np.pi * 5.0 * time + rocking)
    roll = 60.0 * smooth(time, TAKEAWAY + 0.1, TOP - 0.2) - 90.0 * smooth(time, TOP + 0.1, SETTLED)
    body = Rotation.from_euler("XY", np.stack([swing, roll], axis=1), degrees=True)
    axis = body.apply(np.array([tilt[0], 1.0, tilt[1]]) / np.linalg.norm([tilt[0], 1.0, tilt[1]]))
    whole = (body[:-1].inv() * body[1:]).magnitude() * RATE
    speed = np.linalg.norm(np.gradient(axis, 1.0 / RATE, axis=0), axis=1)
    rate = np.maximum(np.append(whole, 0.0), speed)
    still = np.zeros(len(time))
    return ArmCurves(
        time=time, long_axis=axis, speed=speed, rate=rate, chest_rate=still, calm_rate=rate, calm_chest_rate=still,
        axis_sd=axis_sd,
    )  # fmt: skip


def moments(curves: ArmCurves, settings: EventSettings) -> Moments:
    candidate = Candidate(
        start=TAKEAWAY, top=TOP, back=IMPACT, end=SETTLED + 0.5, arc=1.5, miss=0.0, through=1.0,
        speed_back=3.0, speed_down=6.0, speed_before=0.0,
    )  # fmt: skip
    struck = Impact(time=IMPACT, se=0.001, unclear=False)
    return place(curves, candidate, IMPACT, struck, settings=settings)


NO_SKIN = EventSettings(speed_error=1e-6, speed_error_share=0.0, top_arc_error=1e-6)


@pytest.mark.parametrize("moment", ["takeaway", "top"])
def test_an_axis_that_is_off_moves_a_moment_by_as_much_as_its_standard_error_says(moment: str) -> None:
    sd = float(np.deg2rad(2.5))
    rng = np.random.default_rng(5)
    true = getattr(moments(arm(np.zeros(2), axis_sd=0.0), NO_SKIN), moment)
    placed = [moments(arm(rng.normal(size=2) * sd, axis_sd=sd), NO_SKIN) for _ in range(60)]
    errors = np.array([getattr(m, moment) for m in placed]) - true
    told = np.median([getattr(m, f"{moment}_se") for m in placed])
    rms = float(np.sqrt(np.mean(errors**2)))
    # Within a factor of two and a half, or both under half a sample: the size comes from a straight-line argument.
    assert (told / rms < 2.5 and rms / told < 2.5) or max(told, rms) < 0.5 / RATE, (told, rms)


def test_a_clock_that_is_unsure_makes_takeaway_and_top_as_unsure() -> None:
    sure = moments(arm(np.zeros(2), axis_sd=0.0), EventSettings())
    unsure = moments(replace(arm(np.zeros(2), axis_sd=0.0), clock_se=0.01), EventSettings())
    for moment in ("takeaway_se", "top_se"):
        assert getattr(unsure, moment) ** 2 - getattr(sure, moment) ** 2 == pytest.approx(0.01**2, rel=1e-6)


def test_a_chest_in_the_arms_place_tells_takeaway_and_top_less_well() -> None:
    settings = EventSettings()
    chest = moments(replace(arm(np.zeros(2), axis_sd=0.0), stands_in=True), settings)
    assert min(chest.takeaway_se, chest.top_se) >= settings.stand_in_se_s


def test_a_little_movement_after_the_rest_makes_the_finish_unsure() -> None:
    """A rise to 5 to 10 % of the fastest rate, 0.3 s after the first rest: the finish may be either."""
    fastest = np.degrees(arm(np.zeros(2), axis_sd=0.0).rate.max())
    small = 0.075 * fastest * 0.4 / 1.875  # the peak rate of that movement of 0.4 s is 1.875 sizes a duration
    plain = moments(arm(np.zeros(2), axis_sd=0.0), EventSettings())
    doubtful = moments(arm(np.zeros(2), axis_sd=0.0, after=small), EventSettings())
    last_loud = 3.48  # where a minimum-jerk movement falls through two thirds of its fastest rate
    assert plain.finish_se < 0.1
    assert doubtful.finish + 1.96 * doubtful.finish_se > last_loud


def test_skin_that_rocks_moves_the_top_by_as_much_as_its_standard_error_says() -> None:
    """Skin that rocks by as much as the arc's error moves the top about the plateau that lies within that error."""
    true = moments(arm(np.zeros(2), axis_sd=0.0), NO_SKIN).top
    placed = [
        moments(arm(np.zeros(2), axis_sd=0.0, rocking=phase), EventSettings()) for phase in np.arange(0.0, 6.2, 0.4)
    ]
    rms = float(np.sqrt(np.mean((np.array([m.top for m in placed]) - true) ** 2)))
    told = float(np.median([m.top_se for m in placed]))
    assert told / rms < 2.5
    assert rms / told < 2.5


def test_an_arm_that_pauses_at_the_top_leaves_the_top_anywhere_in_the_pause() -> None:
    """A pause of 0.1 s: a uniform distribution's standard deviation is its length over the square root of 12."""
    plain = arm(np.zeros(2), axis_sd=0.0)
    held = plain.time - np.clip(plain.time - TOP, 0.0, 0.1)
    axis = np.stack([np.interp(held, plain.time, part) for part in plain.long_axis.T], axis=1)
    paused = moments(replace(plain, long_axis=axis), NO_SKIN)
    assert paused.top_se == pytest.approx(0.1 / np.sqrt(12.0), abs=0.3 / RATE)


def test_a_restless_arm_sets_off_less_surely() -> None:
    """Skin rides on an arm that trembles before it sets off: by the share of its quiet speed that the settings say, the
    level is crossed earlier or later. By hand: over half the time between both crossings of the minimum-jerk speed."""
    plain = arm(np.zeros(2), axis_sd=0.0)
    settings = EventSettings(takeaway_error=1e-6, speed_error_share=0.0)
    trembling = np.where(plain.time < TAKEAWAY - 0.06, np.deg2rad(5.0), 0.0)
    found = moments(replace(plain, speed=np.maximum(plain.speed, trembling)), settings)
    before = (plain.time > TAKEAWAY) & (plain.time < 0.5 * (TAKEAWAY + TOP))
    level, error = 0.05 * plain.speed[before].max(), settings.restless_share * np.deg2rad(5.0)
    low, high = np.interp([level - error, level + error], plain.speed[before], plain.time[before])
    assert moments(plain, settings).takeaway_se < 1e-4
    assert found.takeaway_se == pytest.approx(0.5 * (high - low), rel=0.15)


def test_who_moves_on_without_a_rest_finishes_in_the_lull() -> None:
    """A lull of 0.1 s and then walking off: the finish is in it, not where the curves end."""
    plain = arm(np.zeros(2), axis_sd=0.0)
    settled = moments(plain, EventSettings()).finish
    walking = np.where(plain.time > settled + 0.1, 0.3 * plain.rate.max(), plain.rate)
    off = moments(replace(plain, rate=walking, calm_rate=walking), EventSettings())
    assert settled <= off.finish <= settled + 0.1
    assert abs(off.finish - settled) < 1.96 * off.finish_se < 0.5


def test_what_the_chests_sensor_rings_on_may_be_the_skins_or_true() -> None:
    """Ringing at 15 % of the fastest rate when all has settled (5 %): the standard error reaches as far."""
    plain = arm(np.zeros(2), axis_sd=0.0)
    settled = moments(plain, EventSettings()).finish
    turn = np.exp(-0.5 * ((plain.time - IMPACT) / 0.1) ** 2)
    ring = 0.15 * np.exp(-0.5 * ((plain.time - settled - 0.08) / 0.015) ** 2)
    ringing = moments(replace(plain, chest_rate=5.0 * (turn + ring), calm_chest_rate=5.0 * turn), EventSettings())
    assert ringing.finish == pytest.approx(settled, abs=0.01)
    assert settled + 0.08 < ringing.finish + 1.96 * ringing.finish_se < settled + 0.3


def test_smoothing_for_the_finish_is_a_parabola_and_loses_what_rings() -> None:
    """Against scipy's Savitzky-Golay filter; 8 Hz loses most of its size, a turn that lasts 0.7 s next to nothing."""
    time = np.arange(0.0, 3.0, 1.0 / RATE)
    turn = np.gradient(smooth(time, 1.0, 1.7), time)
    ring = np.sin(2.0 * np.pi * 8.0 * time)
    omega = np.stack([turn, ring, turn - 0.1 * ring], axis=1)
    calm = without_ringing(omega, rate=RATE)
    np.testing.assert_allclose(calm[20:-20], savgol_filter(omega, 41, 2, axis=0)[20:-20], atol=1e-12)
    assert np.abs(calm[20:-20, 1]).max() < 0.35
    np.testing.assert_allclose(calm[:, 0], turn, atol=0.03 * turn.max())


def test_kinks_of_a_smooth_movement_without_noise_are_no_shocks() -> None:
    """A minimum-jerk movement ends with a jump of its third derivative: that is no ball, even in data without noise."""
    time = np.arange(0.0, 1.2, 1.0 / RATE)
    acc = np.stack([9.8 + 0.5 * smooth(time, 0.0, 0.6), 0.3 * smooth(time, 0.0, 0.6), np.zeros(len(time))], axis=1)
    full = np.zeros(len(time), np.bool_)
    window = ShockWindow(
        tracked_point="lead_hand", time=time, acc=acc, gyr=0.1 * acc, acc_full=full, gyr_full=full, clock_se=0.0
    )
    found = surprises([[window]], [(0.1, 0.6)], settings=SurpriseSettings())
    assert found
    assert max(float(np.abs(s.error).max()) for s in found if s.quantity == "acc") < 10.0


def test_an_arm_that_creeps_near_the_level_before_it_sets_off_makes_the_takeaway_unsure() -> None:
    """The arm drifts at 4.5 % of its fastest for 0.3 s before: a little error and the takeaway is that early."""
    calm = arm(np.zeros(2), axis_sd=0.0)
    near = (calm.time > TAKEAWAY - 0.3) & (calm.time < TAKEAWAY + 0.1)
    level = 0.05 * calm.speed[calm.time < TOP].max()
    creep = replace(calm, speed=np.where(near, np.maximum(calm.speed, 0.9 * level), calm.speed))
    assert moments(calm, EventSettings()).takeaway_se < 0.01
    assert 0.1 < moments(creep, EventSettings()).takeaway_se < 0.2


def test_a_practice_swing_told_by_another_segment_is_placed_as_the_sessions_shots_were() -> None:
    candidate = Candidate(
        start=TAKEAWAY, top=TOP, back=IMPACT, end=SETTLED + 0.5, arc=1.5, miss=0.0, through=1.0,
        speed_back=3.0, speed_down=6.0, speed_before=0.0,
    )  # fmt: skip
    forearm = arm(np.zeros(2), axis_sd=0.0)
    chest = replace(forearm, stands_in=True)
    own, untold, told, ignored = (
        place(curves, candidate, IMPACT, None, lag=lag, settings=EventSettings())
        for curves, lag in ((forearm, np.nan), (chest, np.nan), (chest, 0.03), (forearm, 0.03))
    )
    assert told.impact - own.impact == pytest.approx(0.03, abs=1e-9)
    assert untold.impact == own.impact == ignored.impact
    assert untold.impact_se > told.impact_se > own.impact_se


@pytest.mark.parametrize("after_s", [3.4, 4.2])
@pytest.mark.parametrize("share", [0.92, 1.08])
def test_a_late_movement_that_may_or_may_not_be_over_the_level_stands_in_the_finishs_error(
    after_s: float, share: float
) -> None:
    # By hand: a minimum-jerk move of 0.4 s is fastest, at 1.875 times its mean speed, in its middle (Flash & Hogan
    # 1985, from memory). Made a little slower or faster than 5 % of the swing's fastest, it leaves the golfer settled
    # before it or in its middle, and 95 % of what is told for either must reach the other.
    fastest = float(np.degrees(arm(np.zeros(2), axis_sd=0.0).rate.max()))
    size = share * 0.05 * fastest * 0.4 / 1.875
    told = moments(arm(np.zeros(2), axis_sd=0.0, after=size, after_s=after_s), EventSettings(settle_s=4.0))
    middle = after_s + 0.2
    other = middle if share < 1.0 else SETTLED
    assert abs(told.finish - other) < 1.96 * told.finish_se + 0.1
    quiet = moments(arm(np.zeros(2), axis_sd=0.0), EventSettings(settle_s=4.0))
    assert quiet.finish_se < 0.05
