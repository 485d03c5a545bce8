"""The tie of the headings of forearm and hand: on poses made by hand, and its covariance against repeated draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motions_for_tests import THUMB_UP, make_segment, rotation_of, scalar_first
from scipy.spatial.transform import Rotation
from scipy.stats import kstest
from wrist_sessions_for_tests import ARM, FOREARM_SD, HAND_SD, SETTINGS, Session, heading, still_segment, wrapped

from imuswing.body.segments import SegmentMotion
from imuswing.body.tie import TablePose, Tie, WristSwing, _at_addresses, chance_of, tie_headings
from imuswing.body.wrist_centre import headings_from_wrist_centre
from imuswing.orientation.quaternion import FloatArray


@pytest.mark.parametrize("seed", range(5))
def test_without_errors_the_tie_is_exact(seed: int) -> None:
    # By hand: the table's wrist is straight, so both headings agree there.
    session = Session(np.random.default_rng(seed), size=0.0)
    ties = tie_headings(session.swings, session.table, ARM, lead_side="left", settings=SETTINGS)
    for number, tie in enumerate(ties):
        assert tie is not None
        np.testing.assert_allclose(session.errors(tie, number), 0.0, atol=1e-6)


def test_turning_one_sensors_earth_turns_the_tie_as_much() -> None:
    # No magnetometer: every sensor's heading is its own, and none is better.
    session = Session(np.random.default_rng(3), size=1.0)
    first = tie_headings(session.swings, session.table, ARM, lead_side="left", settings=SETTINGS)
    # By some of these turns a few angles are just under 180° and the others just over -180°.
    for turn in np.radians(np.arange(2, 402, 4)):
        turned = [replace(s, hand=s.hand.turned_about_vertical(turn)) for s in session.swings]
        q_hand = scalar_first(heading(turn) * rotation_of(session.table.q_hand))
        second = tie_headings(turned, replace(session.table, q_hand=q_hand), ARM, lead_side="left", settings=SETTINGS)
        for one, two in zip(first, second, strict=True):
            assert one is not None
            assert two is not None
            assert wrapped(one.angle - turn - two.angle) == pytest.approx(0.0, abs=1e-6)
            np.testing.assert_allclose(one.hand_error, two.hand_error, atol=1e-6)


def test_a_heading_lost_over_a_gap_is_found_anew() -> None:
    # By hand: the hand's sensor misses 40° of a turn between the second swing and the third. Told so, the ties follow
    # it and the alignments stay; not told, the wrist would have to be bent by the jump. Another turn of 360° is none.
    for jump in (np.radians(40.0), np.radians(-170.0)):
        session = Session(np.random.default_rng(5), size=0.0, swings=4)
        swings = [
            replace(s, hand=s.hand.turned_about_vertical(jump if k >= 2 else 0.0), turn_lost=float(k >= 2))
            for k, s in enumerate(session.swings)
        ]
        ties = tie_headings(swings, session.table, ARM, lead_side="left", settings=SETTINGS)
        for number, tie in enumerate(ties):
            assert tie is not None
            errors = session.errors(tie, number)
            errors[0] = wrapped(errors[0] + (jump if number >= 2 else 0.0))
            # The gap's own prior, 0 ± 57°, pulls the jump against what the address tells to a few degrees.
            np.testing.assert_allclose(errors, 0.0, atol=np.radians(3.0))
            assert np.abs(errors[0]) < 2.0 * np.sqrt(tie.covariance[0, 0])


def test_an_address_without_the_hand_tells_nothing() -> None:
    # By hand: what stands in for lost samples may be anything; the other swings' ties and both alignments do not move.
    session = Session(np.random.default_rng(9), size=0.5, swings=4)
    lost = session.swings[2].hand
    spoilt = replace(lost, q=scalar_first(Rotation.from_euler("x", 50, degrees=True) * rotation_of(lost.q)))
    spoilt = replace(spoilt, unusable=np.ones(len(lost.time), dtype=bool))
    ties = []
    for hand in (spoilt, replace(lost, unusable=spoilt.unusable)):
        swings = [*session.swings[:2], replace(session.swings[2], hand=hand), session.swings[3]]
        ties.append(tie_headings(swings, session.table, ARM, lead_side="left", settings=SETTINGS))
    for one, two in zip(*ties, strict=True):
        assert one is not None
        assert two is not None
        assert wrapped(one.angle - two.angle) == pytest.approx(0.0, abs=1e-9)
        np.testing.assert_allclose(one.hand_error, two.hand_error, atol=1e-9)


def test_an_address_with_a_mount_that_may_have_shifted_hardly_turns_the_alignments() -> None:
    # By hand: the hand's sensor turned by 40° about its long axis before the last two of four swings.
    session = Session(np.random.default_rng(10), size=0.0, swings=4)
    shift = np.radians([0.0, 40.0, 0.0])
    swings = list(session.swings)
    for k in (2, 3):
        moved = replace(swings[k].hand.realigned(shift), mount_variance=0.5 * float(shift @ shift))
        swings[k] = replace(swings[k], hand=moved)
    told = tie_headings(swings, session.table, ARM, lead_side="left", settings=SETTINGS)[0]
    unaware = [replace(swing, hand=replace(swing.hand, mount_variance=0.0)) for swing in swings]
    naive = tie_headings(unaware, session.table, ARM, lead_side="left", settings=SETTINGS)[0]
    assert told is not None
    assert naive is not None
    away = [np.degrees(np.abs([*tie.forearm_error, *tie.hand_error]).max()) for tie in (told, naive)]
    # Two addresses that are known to 40°/√2 against two known to 5°.
    assert away[0] < 0.3 * away[1], away


def test_the_covariance_is_what_repeated_draws_show() -> None:
    # Monte Carlo: every error drawn with the stated size; the squared errors weighted by the inverse covariance have
    # mean 7 and standard deviation √14 (chi-squared with 7 degrees of freedom); the ratios to the stated SD have SD 1,
    # known to 6 % (three times that is allowed).
    weighted, ratios = [], []
    for seed in range(150):
        session = Session(np.random.default_rng([7, seed]), size=1.0, swings=3)
        tie = tie_headings(session.swings, session.table, ARM, lead_side="left", settings=SETTINGS)[-1]
        assert tie is not None
        errors = session.errors(tie, -1)
        weighted.append(errors @ np.linalg.solve(tie.covariance, errors))
        ratios.append(errors / np.sqrt(np.diag(tie.covariance)))
    assert np.mean(weighted) == pytest.approx(7.0, abs=3.0 * np.sqrt(14.0 / 150.0))
    np.testing.assert_allclose(np.std(ratios, axis=0), 1.0, atol=0.17)


def test_without_table_and_with_a_level_thumb_up_forearm_nothing_tells() -> None:
    # By hand: with Z upright a turn of the heading is a bend of the wrist, which is free, so an address says nothing,
    # and a motion that stands still says nothing either.
    posture = THUMB_UP["right"]
    swing = WristSwing(
        forearm=still_segment("lead_forearm", posture, 9.6, FOREARM_SD),
        hand=still_segment("lead_hand", posture, 9.6, HAND_SD),
        address=10.0,
        top=10.0,
        impact=10.0,
    )
    assert tie_headings([swing], None, ARM, lead_side="left", settings=SETTINGS) == [None]
    assert tie_headings([], None, ARM, lead_side="left", settings=SETTINGS) == []


def test_where_nothing_tells_of_the_axes_their_errors_stay_as_the_routine_left_them() -> None:
    # By hand: the same posture, with a table pose for the heading. What forearm and hand share stays shared.
    posture = THUMB_UP["right"]
    forearm, hand = (
        still_segment(f"lead_{name}", posture, 9.6, sd) for name, sd in (("forearm", FOREARM_SD), ("hand", HAND_SD))
    )
    swing = WristSwing(forearm=forearm, hand=hand, address=10.0, top=10.0, impact=10.0)
    table = TablePose(q_forearm=forearm.q[0], q_hand=hand.q[0], time=5.0)
    (tie,) = tie_headings([swing], table, ARM, lead_side="left", settings=SETTINGS)
    assert tie is not None
    np.testing.assert_allclose(tie.covariance[1:, 1:], ARM, rtol=1e-6, atol=1e-9)


def test_the_further_the_table_the_less_it_tells() -> None:
    session = Session(np.random.default_rng(1), size=1.0, swings=12)
    ties = tie_headings(session.swings, session.table, ARM, lead_side="left", settings=SETTINGS)
    sds = [float(np.sqrt(tie.covariance[0, 0])) for tie in ties if tie is not None]
    assert len(sds) == 12
    assert sds[-1] > sds[0]


def swinging_arm(delta: float) -> tuple[SegmentMotion, SegmentMotion, float, float]:
    """A forearm and hand that swing about a shoulder, with what each accelerometer feels; the hand's heading is off.

    Positions, and accelerations by second differences, come from the geometry alone: the wrist 0.6 m down the arm, the
    sensors 2 cm and 5 cm, or 1.5 cm and 6 cm, away from it.
    """
    rate, step = 200.0, 1e-3
    time = np.arange(0.0, 2.0, 1.0 / rate)

    def posture(at: FloatArray) -> tuple[Rotation, Rotation]:
        sweep = -90.0 * np.sin(np.pi * at / 1.4) ** 2
        arm = Rotation.from_euler("ZXY", np.stack((sweep, 50.0 + 0.2 * sweep, 0.5 * sweep), axis=1), degrees=True)
        bend = np.stack((-10.0 + 0.1 * sweep, 15.0 + 0.3 * sweep, 0.0 * sweep), axis=1)
        return arm, arm * Rotation.from_euler("ZXY", bend, degrees=True)

    def places(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        arm, hand = posture(at)
        wrist = arm.apply([0.0, -0.6, 0.0])
        return wrist - arm.apply([0.02, -0.05, 0.0]), wrist - hand.apply([0.015, 0.06, 0.0])

    before, here, after = places(time - step), places(time), places(time + step)
    felt = [(a - 2.0 * b + c) / step**2 + [0.0, 0.0, 9.81] for a, b, c in zip(before, here, after, strict=True)]
    arm, hand = posture(time)
    own = heading(-delta) * hand
    segments = (
        make_segment("lead_forearm", arm, rate=rate, acc=arm.inv().apply(felt[0])),
        make_segment("lead_hand", own, rate=rate, acc=hand.inv().apply(felt[1])),
    )
    return (*segments, 0.7, 1.25)


@pytest.mark.parametrize("delta_deg", [-40.0, 5.0, 25.0])
def test_the_wrists_acceleration_shows_the_heading(delta_deg: float) -> None:
    # Both sensors feel the acceleration of the one wrist (Weygers & Kok 2020, IEEE Sensors J 20:7969).
    guess = np.array([np.radians(delta_deg + 12.0)])
    angles, sds = headings_from_wrist_centre([swinging_arm(np.radians(delta_deg))], guess)
    assert np.degrees(angles[0]) == pytest.approx(delta_deg, abs=1.0)
    assert 0.0 < sds[0] < np.radians(30.0)


def test_what_the_wrists_acceleration_is_off_by_at_every_swing_alike_is_not_averaged_away() -> None:
    # By hand: without a table pose the wrist's acceleration, off by 3° in a session, and the addresses, off by 15° in
    # common, are all that tell. However many swings there are, no heading is known better than both together let it.
    forearm, hand, top, impact = swinging_arm(np.radians(10.0))
    swing = WristSwing(forearm=forearm, hand=hand, address=0.35, top=top, impact=impact)
    ties = tie_headings([swing] * 40, None, ARM, lead_side="left", settings=SETTINGS)
    least = (SETTINGS.shared_centre**-2 + SETTINGS.shared_turn**-2) ** -0.5
    for tie in ties:
        assert tie is not None
        sd = float(np.sqrt(tie.covariance[0, 0]))
        assert least < sd < 1.3 * SETTINGS.shared_centre


def test_samples_not_to_be_believed_give_no_heading() -> None:
    forearm, hand, top, impact = swinging_arm(0.0)
    unusable = np.zeros(len(hand.time), dtype=bool)
    unusable[round(1.0 * hand.rate)] = True
    angles, sds = headings_from_wrist_centre([(forearm, replace(hand, unusable=unusable), top, impact)], np.zeros(1))
    assert np.isnan(angles[0])
    assert np.isinf(sds[0])


@pytest.mark.parametrize("axis", range(3))
def test_what_an_alignment_error_adds_to_an_address_is_what_turning_the_segment_does(axis: int) -> None:
    # Central differences: a segment found at true · exp(e) shows a heading that is off by the reading's share of e.
    session, size = Session(np.random.default_rng(7), size=1.0), 1e-4
    guesses = np.array(session.angles)
    plain = _at_addresses(session.swings, guesses, SETTINGS)
    for name in ("forearm", "hand"):
        values = []
        for sign in (1.0, -1.0):
            error = -sign * size * np.eye(3)[axis]
            turned = [replace(s, **{name: getattr(s, name).realigned(error)}) for s in session.swings]
            values.append([reading.value for reading in _at_addresses(turned, guesses, SETTINGS)])
        slopes = (np.array(values[0]) - np.array(values[1])) / (2.0 * size)
        told = np.array([getattr(reading, f"from_{name}")[axis] for reading in plain])
        np.testing.assert_allclose(told, slopes, atol=1e-5)


def test_what_is_learnt_by_chance_is_seldom_held_against_the_routine() -> None:
    """Bayes' rule for a linear reading, its covariance and mean by hand: the chance told is uniform over many draws."""
    random = np.random.default_rng(5)
    reading = random.standard_normal((4, 6))
    noise = np.diag([0.02, 0.03, 0.05, 0.5]) ** 2
    after = np.linalg.inv(np.linalg.inv(ARM) + reading.T @ np.linalg.inv(noise) @ reading)
    gain = after @ reading.T @ np.linalg.inv(noise)
    covariance = np.zeros((7, 7))
    covariance[1:, 1:] = after

    def chance(error: FloatArray) -> float:
        seen = gain @ (reading @ error + np.sqrt(np.diag(noise)) * random.standard_normal(4))
        return chance_of(Tie(angle=0.0, forearm_error=seen[:3], hand_error=seen[3:], covariance=covariance), ARM)

    errors = random.multivariate_normal(np.zeros(6), ARM, size=2000)
    assert kstest([chance(error) for error in errors], "uniform").pvalue > 0.01
    # Six times the routine's error is no chance; where nothing was learnt nothing is held against it.
    assert max(chance(6.0 * np.sign(error) * np.sqrt(np.diag(ARM))) for error in errors[:20]) < 0.05
    covariance[1:, 1:] = ARM
    assert chance(errors[0]) == 1.0


def test_errors_of_the_size_that_the_routine_states_contradict_nothing_and_a_turned_strap_does() -> None:
    # By its own meaning a chance of 1e-5 comes in 60 sessions one time in 1700; a strap turned by 70° is none. Of
    # addresses that turn by 1° only, much is learnt of the alignments.
    settings = replace(SETTINGS, shared_turn=np.radians(1.0), address_turn=np.radians(1.0))

    def contradicted(seed: int, turn_deg: float) -> bool:
        random = np.random.default_rng([11, seed])
        session = Session(random, size=0.0)
        error = random.multivariate_normal(np.zeros(6), ARM)
        off = Rotation.from_rotvec(error[:3]), Rotation.from_rotvec(error[3:])
        table = TablePose(
            q_forearm=scalar_first(rotation_of(session.table.q_forearm) * off[0]),
            q_hand=scalar_first(rotation_of(session.table.q_hand) * off[1]),
            time=session.table.time,
        )
        swings = [
            replace(
                swing,
                forearm=swing.forearm.realigned(-error[:3]),
                hand=swing.hand.realigned(-error[3:]).realigned(np.radians([0.0, turn_deg, 0.0])),
            )
            for swing in session.swings
        ]
        ties = tie_headings(swings, table, ARM, lead_side="left", settings=settings)
        told = {tie.contradicts for tie in ties if tie is not None}
        assert len(told) == 1  # the routine serves all swings or none
        return told.pop()

    assert not any(contradicted(seed, 0.0) for seed in range(60))
    assert all(contradicted(seed, 70.0) for seed in range(10))
