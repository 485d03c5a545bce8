"""Standard errors of angles: closed-form cases, and linear propagation against repeated draws of the stated errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motions_for_tests import GRAVITY, UPRIGHT_TRUNK, make_motion, make_segment, rotation_of, scalar_first
from scipy.spatial.transform import Rotation
from wrist_sessions_for_tests import ARM, Session
from wrist_sessions_for_tests import SETTINGS as TIE

from imuswing.body.alignment import Alignment
from imuswing.body.definitions import wrist_angles_free_of_roll
from imuswing.body.follow import follow_segment
from imuswing.body.segments import ALIGNMENT, PARAMETERS, SegmentMotion, SegmentSettings
from imuswing.body.tie import Tie, tie_headings
from imuswing.measures.pose import BETWEEN_WEARERS, MOMENTS, SoftTissue, SwingMotion, angles, estimate_angles, left_out
from imuswing.orientation.quaternion import FloatArray, slerp
from imuswing.swings.events import Moments
from imuswing.vocabulary import LeadSide

NO_SKIN = SoftTissue(trunk=(0.0, 0.0, 0.0), trunk_share=0.0, forearm=(0.0, 0.0, 0.0), hand=(0.0, 0.0, 0.0))
RATE = 200.0


def moments(**changes: float) -> Moments:
    nothing = dict.fromkeys(("takeaway_se", "top_se", "impact_se", "finish_se"), 0.0)
    return Moments(**({"address": 2.5, "takeaway": 2.6, "top": 3.6, "impact": 4.1, "finish": 5.0} | nothing | changes))


def with_alignment_sd(segment: SegmentMotion, *sd_deg: float) -> SegmentMotion:
    """An error of the alignment only."""
    covariance = np.zeros((PARAMETERS, PARAMETERS))
    covariance[ALIGNMENT, ALIGNMENT] = np.diag(np.radians(sd_deg) ** 2)
    error_map = np.zeros((len(segment.time), 3, PARAMETERS))
    error_map[:, :, ALIGNMENT] = np.eye(3)
    return replace(segment, error_map=error_map, error_covariance=covariance)


def turning_trunk() -> SegmentMotion:
    """An upright trunk that turns about the vertical: 0° at the address, −60° at the top, 40° at impact."""
    time = np.arange(1400) / RATE
    turn = np.interp(time, [0.0, 2.6, 3.6, 4.1, 4.6, 7.0], [0.0, 0.0, -60.0, 40.0, 100.0, 100.0])
    return make_segment("chest", UPRIGHT_TRUNK * Rotation.from_euler("y", turn[:, None], degrees=True))


@pytest.mark.parametrize("axis", range(3))
def test_a_pure_turn_does_not_feel_an_alignment_error(axis: int) -> None:
    # By hand: exp(−e)·R_y(t)·exp(e) is R_y(t) for e about Y; for e about X or Z it differs by a rotation across Y,
    # which the third angle of Z-X-Y does not show while the first two are zero.
    sd = [0.0, 0.0, 0.0]
    sd[axis] = 3.0
    chest = with_alignment_sd(turning_trunk(), *sd)
    found = estimate_angles({"chest": chest}, moments(), lead_side="left", tie=None, soft=NO_SKIN)
    assert np.degrees(found["chest_turn_impact"].value) == pytest.approx(40.0, abs=0.01)
    assert np.degrees(found["chest_turn_top"].value) == pytest.approx(-60.0, abs=0.01)
    assert np.degrees(found["chest_turn_impact"].se) < 1e-3


def test_tilt_and_lean_of_an_upright_trunk_feel_alignment_by_hand() -> None:
    # By hand: the side-to-side axis rises with a turn about X, one to one; the long axis leans along it by
    # the same turn; turns about Y and Z change neither of an upright trunk.
    chest = with_alignment_sd(turning_trunk(), 3.0, 5.0, 7.0)
    found = estimate_angles({"chest": chest}, moments(), lead_side="left", tie=None, soft=NO_SKIN)
    assert np.degrees(found["shoulder_tilt_address"].se) == pytest.approx(3.0, abs=1e-3)
    assert np.degrees(found["chest_lean_address"].se) == pytest.approx(3.0, abs=1e-3)


def test_a_moments_error_counts_by_the_angles_speed() -> None:
    # By hand: from −60° to 40° in 0.5 s is 200 °/s, and 200 °/s before impact and after: 10 ms are 2°.
    time = np.arange(1400) / RATE
    turn = np.clip((time - 3.6) * 200.0 - 60.0, -60.0, 140.0)
    chest = make_segment("chest", UPRIGHT_TRUNK * Rotation.from_euler("y", turn[:, None], degrees=True))
    late = moments(impact_se=0.01)
    found = estimate_angles({"chest": chest}, late, lead_side="left", tie=None, soft=NO_SKIN)
    assert np.degrees(found["chest_turn_impact"].se) == pytest.approx(2.0, rel=1e-3)
    assert np.degrees(found["shoulder_tilt_address"].se) < 1e-4


def test_the_skin_of_a_trunk_counts_by_its_turn() -> None:
    # By hand: a chest that turned by 60° at the top and 40° at impact; 2 % of that, and 0.5° at either moment, half of
    # it at address; all 2.776 / 1.96 times, as two more tests say.
    soft = SoftTissue(trunk=(0.0, float(np.radians(0.5)), 0.0), trunk_share=0.02)
    chest = with_alignment_sd(turning_trunk(), 0.0, 0.0, 0.0)
    found = estimate_angles({"chest": chest}, moments(), lead_side="left", tie=None, soft=soft)
    for moment, turn in (("top", 60.0), ("impact", 40.0)):
        by_hand = BETWEEN_WEARERS * np.linalg.norm([0.02 * turn, 0.5, 0.25])
        assert np.degrees(found[f"chest_turn_{moment}"].se) == pytest.approx(by_hand, rel=0.01)


def test_wearers_that_differ_are_held_95_times_in_100() -> None:
    # Gelman et al. 2013, Bayesian Data Analysis, section 3.2 (from memory): a scale for each wearer by a scaled inverse
    # chi-squared with four degrees of freedom, an error of that scale. 200,000 wearers: 0.05 % standard error.
    rng = np.random.default_rng(8)
    errors = rng.standard_normal(200_000) * np.sqrt(4.0 / rng.chisquare(4.0, 200_000))
    assert np.mean(np.abs(errors) < 1.96 * BETWEEN_WEARERS) == pytest.approx(0.95, abs=0.002)


def test_a_mount_that_may_have_shifted_counts_about_every_axis() -> None:
    # By hand: the tilt of an upright trunk feels a turn about X one to one: √(3² + 4²) = 5; the turn about the vertical
    # feels none.
    chest = replace(with_alignment_sd(turning_trunk(), 3.0, 3.0, 3.0), mount_variance=float(np.radians(4.0) ** 2))
    found = estimate_angles({"chest": chest}, moments(), lead_side="left", tie=None, soft=NO_SKIN)
    assert np.degrees(found["shoulder_tilt_address"].se) == pytest.approx(5.0, abs=1e-3)
    assert np.degrees(found["chest_turn_impact"].se) < 1e-3


@pytest.mark.parametrize("side", ["left", "right"])
def test_skin_counts_by_axis(side: LeadSide) -> None:
    # By hand: a level forearm with Z upright rises by a turn about X alone.
    level = make_segment("lead_forearm", Rotation.from_matrix([np.eye(3)] * 1400))
    soft = SoftTissue(forearm=(0.02, 0.3, 0.5))
    found = estimate_angles({"lead_forearm": level}, moments(), lead_side=side, tie=None, soft=soft)
    assert found["arm_height_top"].value == pytest.approx(0.0, abs=1e-9)
    assert found["arm_height_top"].se == pytest.approx(0.02, rel=1e-6)


def test_the_hand_gives_no_angle_without_a_tie() -> None:
    arm = make_segment("lead_forearm", Rotation.identity(1400))
    hand = make_segment("lead_hand", Rotation.identity(1400))
    both = {"lead_forearm": arm, "lead_hand": hand}
    found = estimate_angles(both, moments(), lead_side="left", tie=None, soft=NO_SKIN)
    assert not [name for name in found if name.startswith("wrist")]
    assert "arm_height_top" in found


# --- Repeated draws ---------------------------------------------------------------------------------------------------


def swinging(point: str) -> Rotation:
    """A bent trunk or an arm through a swing, earth from segment."""
    time = np.arange(1400) / RATE
    share = np.interp(time, [0.0, 2.6, 3.6, 4.1, 4.6, 7.0], [0.0, 0.0, -1.0, 0.4, 1.0, 1.0])
    kernel = np.hanning(61) / np.hanning(61).sum()
    share = np.convolve(np.pad(share, 30, mode="edge"), kernel, mode="valid")
    if point == "chest":
        angles_deg = np.stack((-35.0 + 5.0 * share, 6.0 + 8.0 * share, 60.0 * share), axis=1)
        return UPRIGHT_TRUNK * Rotation.from_euler("ZXY", angles_deg, degrees=True)
    arm = Rotation.from_euler("ZXY", np.stack((25.0 + 70.0 * share, 55.0 - 20 * share, 40.0 * share), 1), degrees=True)
    if point == "lead_forearm":
        return arm
    return arm * Rotation.from_euler(
        "ZXY", np.stack((-12.0 - 15.0 * share, 18.0 + 20 * share, 0 * share), 1), degrees=True
    )


def followed(point: str, seed: int) -> SegmentMotion:
    """A segment with the error model of a turned sensor with a bias and a wrong scale."""
    mount = Rotation.random(random_state=seed)
    sensor = swinging(point) * mount.inv()
    spread = np.random.default_rng(seed).standard_normal((3, 3)) * np.radians(1.2)
    alignment = Alignment(
        tracked_point=point,
        q_sensor_from_segment=scalar_first(mount),
        covariance=spread @ spread.T + np.eye(3) * np.radians(1.5) ** 2,
    )
    motion = make_motion(point, sensor, acc=sensor.inv().apply(GRAVITY), bias_se=float(np.radians(0.1)))
    settings = SegmentSettings(tilt_prior=float(np.radians(5.0)))
    found = follow_segment(motion, scalar_first(sensor), alignment, start=2.6, end=4.8, address=2.5, settings=settings)
    assert found is not None
    return found


def a_tie() -> Tie:
    """A tie with errors of all sizes that hang together."""
    mix = np.random.default_rng(8).standard_normal((7, 7)) * np.radians(0.8)
    return Tie(angle=0.0, forearm_error=np.zeros(3), hand_error=np.zeros(3), covariance=mix @ mix.T + np.eye(7) * 1e-4)


def spoilt(
    segments: dict[str, SegmentMotion], tie: Tie, rng: np.random.Generator, when: Moments, count: int
) -> dict[tuple[str, str], FloatArray]:
    """Orientations (count, 4) of all places with errors drawn as the segments and the tie state them."""
    left = rng.multivariate_normal(np.zeros(7), tie.covariance, count)  # true minus found: heading, forearm, hand
    alignment = {"lead_forearm": left[:, 1:4], "lead_hand": left[:, 4:7]}
    places = {}
    for point, segment in segments.items():
        p = rng.multivariate_normal(np.zeros(PARAMETERS), segment.error_covariance, count, method="eigh")
        p[:, ALIGNMENT] = alignment.get(point, p[:, ALIGNMENT])
        turn = np.zeros((count, 3))
        turn[:, 2] = -left[:, 0] if point == "lead_hand" else 0.0
        for moment in MOMENTS:
            at = getattr(when, moment)
            error = p @ segment.error_map[int(np.searchsorted(segment.time, at))].T
            true = rotation_of(slerp(segment.q, segment.time, np.array([at]))[0])
            places[point, moment] = scalar_first(Rotation.from_rotvec(turn) * true * Rotation.from_rotvec(error))
    return places


@pytest.mark.parametrize("side", ["left", "right"])
def test_linear_propagation_is_what_repeated_draws_show(side: LeadSide) -> None:
    # Monte Carlo: the SD of 4000 draws is known to 1 %; 10 % allow for what is not linear.
    segments = {point: followed(point, k) for k, point in enumerate(("chest", "lead_forearm", "lead_hand"))}
    tie, when = a_tie(), moments()
    stated = estimate_angles(segments, when, lead_side=side, tie=tie, soft=NO_SKIN)
    draws = angles(spoilt(segments, tie, np.random.default_rng(11), when, 4000), side)
    assert len(stated) == 14
    for name, estimate in stated.items():
        assert np.std(draws[name]) == pytest.approx(estimate.se, rel=0.10), name
        off = abs(float(np.mean(draws[name])) - estimate.value)
        assert off < max(0.15 * estimate.se, np.radians(0.05)), name


def test_the_wrists_errors_are_what_whole_sessions_show() -> None:
    # Monte Carlo over sessions: table, headings, skin and both alignments drawn with their stated sizes, tied, and the
    # wrist read with its stated error. 360 readings of 120 sessions leave about 7 %.
    ratios: dict[str, list[float]] = {"wrist_flexion_address": [], "wrist_ulnar_address": []}
    for seed in range(120):
        session = Session(np.random.default_rng([9, seed]), size=1.0, swings=3)
        ties = tie_headings(session.swings, session.table, ARM, lead_side="left", settings=TIE)
        for swing, tie, (forearm, hand) in zip(session.swings, ties, session.true, strict=True):
            assert tie is not None
            error_map = np.zeros((len(swing.forearm.time), 3, PARAMETERS))
            error_map[:, :, ALIGNMENT] = np.eye(3)
            segments = {
                "lead_forearm": replace(swing.forearm.realigned(tie.forearm_error), error_map=error_map),
                "lead_hand": replace(
                    swing.hand.turned_about_vertical(tie.angle).realigned(tie.hand_error), error_map=error_map
                ),
            }
            when = moments(address=swing.address, top=swing.address, impact=swing.address)
            found = estimate_angles(segments, when, lead_side="left", tie=tie, soft=NO_SKIN)
            true = wrist_angles_free_of_roll(scalar_first(forearm), scalar_first(hand), "left")
            for name, value in zip(ratios, true, strict=True):
                ratios[name].append((found[name].value - float(value)) / found[name].se)
    for name, values in ratios.items():
        assert np.std(values) == pytest.approx(1.0, abs=0.17), name


def test_errors_that_hang_together_are_not_lost_between_moments() -> None:
    # By hand: the arc of a long axis since address does not feel a tilt of the earth that both moments share.
    segment = followed("lead_forearm", 3)
    only_tilt = np.zeros((PARAMETERS, PARAMETERS))
    only_tilt[3:5, 3:5] = np.eye(2) * np.radians(2.0) ** 2
    found = estimate_angles(
        {"lead_forearm": replace(segment, error_covariance=only_tilt)},
        moments(),
        lead_side="left",
        tie=None,
        soft=NO_SKIN,
    )
    assert np.degrees(found["backswing_arc"].se) < 0.01
    assert np.degrees(found["arm_height_top"].se) > 0.5


def lifted_forearm() -> SegmentMotion:
    """A forearm that hangs at the address and is raised sideways by 40° at the top, about the earth's Y."""
    time = np.arange(1400) / RATE
    lifted = np.interp(time, [0.0, 2.6, 3.6, 4.1, 7.0], [0.0, 0.0, 40.0, 0.0, 0.0])
    return make_segment("lead_forearm", Rotation.from_euler("y", lifted[:, None], degrees=True) * HANGING)


HANGING = Rotation.from_matrix(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]))
"""Earth from a forearm whose Y points up."""


def test_the_arc_needs_no_more_than_the_long_axis() -> None:
    # By geometry: a vector square to the axis of a turn goes through the turn's angle, whatever turns about itself.
    arm = with_alignment_sd(lifted_forearm(), 3.0, 100.0, 3.0)
    found = estimate_angles({"lead_forearm": arm}, moments(), lead_side="left", tie=None, soft=NO_SKIN)
    assert np.degrees(found["backswing_arc"].value) == pytest.approx(40.0, abs=0.01)
    assert np.degrees(found["backswing_arc"].se) < 3.0
    assert np.degrees(found["arm_height_top"].value) == pytest.approx(-50.0, abs=0.01)


def test_an_arc_about_an_unknown_axis_is_not_told_though_its_first_derivative_is_small() -> None:
    # By geometry: an axis e aside, in the plane of the turn's axis, goes through 2 asin(cos e sin 20°) in place of 40°:
    # nothing to first order, 23° for e = 60°.
    arm = with_alignment_sd(lifted_forearm(), 60.0, 60.0, 60.0)
    swing = SwingMotion(segments={"lead_forearm": arm}, moments=moments(), tie=None)
    found = estimate_angles(swing.segments, swing.moments, lead_side="left", tie=None, soft=NO_SKIN)
    assert found == {}
    assert left_out(swing, found) == ["backswing_arc", "arm_height_top"]
