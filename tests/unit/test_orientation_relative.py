"""Heading offsets, lever arms and hinge axes on joints that move in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from orientation_chain_for_tests import chain

from imuswing.errors import SettingsError
from imuswing.orientation.joint import JointSettings, relative_orientation
from imuswing.orientation.quaternion import angle_between, exp, from_matrix, inverse, log, multiply, rotate
from imuswing.orientation.relative import (
    estimate_lever_arms,
    heading_offset_from_hinges,
    heading_offset_from_joint_centre,
    joint_centre_force,
    two_hinge_axes,
    with_heading,
)

RATE = 100.0
TIME = np.arange(0.0, 20.0, 1.0 / RATE)
X, Y, Z = np.eye(3)
DELTA = np.radians(-137.0)
ARM1, ARM2 = np.array([0.12, -0.01, 0.03]), np.array([-0.15, 0.02, 0.01])


def waves(seed: int, *, size_deg: float = 50.0, fastest_hz: float = 0.9) -> np.ndarray:
    """(3, N): value, first and second derivative of a sum of sines, rad."""
    rng = np.random.default_rng(seed)
    out = np.zeros((3, len(TIME)))
    for _ in range(4):
        w, phase = 2 * np.pi * rng.uniform(0.15, fastest_hz), rng.uniform(0, 2 * np.pi)
        size = np.radians(size_deg) * rng.uniform(0.3, 0.6)
        angle = w * TIME + phase
        out += size * np.stack((np.sin(angle), w * np.cos(angle), -(w**2) * np.sin(angle)))
    return out


def about(axis: np.ndarray, angle: np.ndarray) -> np.ndarray:
    return exp(angle[:, None] * axis)


def hinged() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """q1, q2 in one earth and body rates: 2 = 1 · turn about Z · turn about X, the wrist's model."""
    first = np.stack([waves(seed) for seed in (1, 2, 3)])
    matrix, rates1, _ = chain.motion(TIME, first, np.zeros(3), np.zeros((len(TIME), 3)))
    q1 = from_matrix(matrix)
    flexion, deviation = waves(4), waves(5, size_deg=25.0)
    after_first = about(Z, flexion[0])
    after_second = about(X, deviation[0])
    q2 = multiply(multiply(q1, after_first), after_second)
    carried = rotate(inverse(after_first), rates1) + flexion[1][:, None] * Z
    rates2 = rotate(inverse(after_second), carried) + deviation[1][:, None] * X
    return q1, q2, rates1, rates2


def ball() -> dict[str, np.ndarray]:
    """Two segments on a ball joint whose centre moves: orientations in one earth, rates and specific forces."""
    path = np.stack([waves(seed, size_deg=20.0)[2] for seed in (11, 12, 13)], axis=1)
    out: dict[str, np.ndarray] = {}
    for name, seeds, arm in (("1", (21, 22, 23), ARM1), ("2", (24, 25, 26), ARM2)):
        tracks = np.stack([waves(seed) for seed in seeds])
        matrix, out["gyr" + name], out["acc" + name] = chain.motion(TIME, tracks, -arm, path)
        out["q" + name] = from_matrix(matrix)
    return out


def test_heading_offset_of_a_two_hinge_joint() -> None:
    q1, q2, _, _ = hinged()
    found = heading_offset_from_hinges(q1, with_heading(q2, -DELTA), Z, X)
    assert np.degrees(found.delta - DELTA) == pytest.approx(0.0, abs=1e-3)
    assert found.rms < 1e-6
    assert np.max(angle_between(multiply(found.quaternion, with_heading(q2, -DELTA)), q2)) < 1e-4


def test_hinges_that_are_not_square_to_each_other() -> None:
    q1, q2, _, _ = hinged()
    slanted = np.array([0.0, np.sin(0.2), np.cos(0.2)])
    # A slanted axis of 2 that stays at a constant angle to the hinge: X itself tilted would not; use 1's own frame.
    q_same = multiply(q1, about(slanted, waves(6)[0]))
    found = heading_offset_from_hinges(q1, with_heading(q_same, -DELTA), Z, slanted, cosine=np.cos(0.2))
    assert abs(np.degrees(found.delta - DELTA)) < 0.05
    assert np.isfinite(q2).all()


def test_standard_error_of_the_heading_offset_covers() -> None:
    """200 draws of slow errors of the hand's orientation: |error| < 1.96 se in about 95 %; ± 2.5 of its spread."""
    q1, q2, _, _ = hinged()
    inside, errors = 0, []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        knots = rng.normal(scale=np.radians(2.0), size=(25, 3))
        slow = np.column_stack([np.interp(TIME, np.linspace(0, 20, 25), knots[:, axis]) for axis in range(3)])
        found = heading_offset_from_hinges(q1, with_heading(multiply(q2, exp(slow)), -DELTA), Z, X)
        errors.append(found.delta - DELTA)
        inside += abs(found.delta - DELTA) < 1.96 * found.se
    assert 0.90 <= inside / 200 <= 0.99
    assert np.degrees(np.std(errors)) < 1.0


def test_motion_about_one_hinge_tells_of_a_second_minimum() -> None:
    """The first hinge still and nearly level, the second unused: turned by half a circle it fits nearly as well."""
    q1 = np.tile(exp(np.array([np.pi / 2 - 0.1, 0.0, 0.0])), (len(TIME), 1))
    q2 = multiply(q1, about(Z, waves(4)[0]))
    found = heading_offset_from_hinges(q1, q2, Z, X)
    assert abs(np.degrees(found.delta)) < 0.1
    assert found.other is not None
    assert found.other_rms is not None
    assert abs(np.degrees(found.other)) > 120.0
    assert found.rms < found.other_rms < 0.25


def test_weights_leave_samples_out() -> None:
    q1, q2, _, _ = hinged()
    spoilt = q2.copy()
    spoilt[500:900] = multiply(q2[500:900], exp(np.array([0.5, 0.5, 0.5])))
    weights = np.ones(len(TIME))
    weights[500:900] = 0.0
    assert abs(np.degrees(heading_offset_from_hinges(q1, spoilt, Z, X, weights=weights).delta)) < 1e-3
    assert abs(np.degrees(heading_offset_from_hinges(q1, spoilt, Z, X).delta)) > 0.1
    for wrong in (np.zeros(len(TIME)), np.ones(3), -weights):
        with pytest.raises(SettingsError, match="weights"):
            heading_offset_from_hinges(q1, q2, Z, X, weights=wrong)


def test_heading_offset_from_the_joint_centre() -> None:
    data = ball()
    arms = {"1": ARM1, "2": ARM2}
    forces = [joint_centre_force(data["acc" + n], data["gyr" + n], arm, rate=RATE) for n, arm in arms.items()]
    inner = slice(3, -3)
    f1, f2 = rotate(data["q1"], forces[0])[inner], rotate(data["q2"], forces[1])[inner]
    np.testing.assert_allclose(f1, f2, atol=0.01)  # one point, one acceleration
    turned = with_heading(data["q2"], -DELTA)
    found = heading_offset_from_joint_centre(data["q1"][inner], turned[inner], forces[0][inner], forces[1][inner])
    assert abs(np.degrees(found.delta - DELTA)) < 0.05
    assert np.degrees(found.se) < 0.1


def test_lever_arms_need_no_orientation() -> None:
    data = ball()
    found = estimate_lever_arms(data["acc1"], data["gyr1"], data["acc2"], data["gyr2"], rate=RATE)
    np.testing.assert_allclose(found.arm1, ARM1, atol=1e-3)
    np.testing.assert_allclose(found.arm2, ARM2, atol=1e-3)
    assert found.rms < 0.02


def test_lever_arm_along_an_axis_about_which_alone_it_turned_is_told_as_unknown() -> None:
    data = ball()
    spin = waves(31)
    tracks = np.zeros((3, 3, len(TIME)))
    tracks[2] = spin  # about Y only
    for name, arm in (("1", ARM1), ("2", ARM2)):
        _, data["gyr" + name], data["acc" + name] = chain.motion(TIME, tracks, -arm, np.zeros((len(TIME), 3)))
        tracks[2] = waves(32)
    found = estimate_lever_arms(data["acc1"], data["gyr1"], data["acc2"], data["gyr2"], rate=RATE, longest_m=0.3)
    se = np.sqrt(np.diag(found.covariance))
    assert se[1] > 0.1
    assert se[0] < 0.02


@pytest.mark.parametrize("seed", range(4))
def test_hinge_axes_from_movement(seed: int) -> None:
    """Sensors strapped on anyhow: the axes come out in their own frames, up to sign."""
    _, _, rates1, rates2 = hinged()
    q1, q2, _, _ = hinged()
    rng = np.random.default_rng(seed)
    mount1, mount2 = (exp(rng.normal(scale=1.5, size=3)) for _ in range(2))
    relative = multiply(multiply(inverse(mount1), multiply(inverse(q1), q2)), mount2)
    found = two_hinge_axes(rotate(inverse(mount1), rates1), rotate(inverse(mount2), rates2), relative)
    for axis, true in ((found.axis1, rotate(inverse(mount1), Z)), (found.axis2, rotate(inverse(mount2), X))):
        assert np.degrees(np.arccos(min(1.0, abs(float(axis @ true))))) < 0.05
    assert abs(found.cosine) < 1e-3
    assert found.rms < 1e-3


def test_hinge_axes_with_noise_lie_within_their_errors() -> None:
    q1, q2, rates1, rates2 = hinged()
    relative = multiply(inverse(q1), q2)
    scores = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        noisy = [rates + rng.normal(scale=np.radians(2.0), size=rates.shape) for rates in (rates1, rates2)]
        found = two_hinge_axes(*noisy, relative, guess=(Z, X))
        error = np.concatenate((found.axis1 - Z * np.sign(found.axis1 @ Z), found.axis2 - X * np.sign(found.axis2 @ X)))
        scores.append(error @ np.linalg.pinv(found.covariance, rcond=1e-6) @ error / 4)
    assert 0.4 < np.median(scores) < 2.5
    with pytest.raises(SettingsError, match="20 at least"):
        two_hinge_axes(rates1[:10], rates2[:10], relative[:10])


@pytest.mark.parametrize("sample_meaning", ["instant", "mean"])
def test_relative_orientation_without_any_help(sample_meaning: str) -> None:
    """Unknown arms, biases of 0.5 °/s and noise: the relative orientation over 20 s, closed form for truth."""
    data = ball()
    rng = np.random.default_rng(5)
    seen = {}
    for name in "12":
        seen["gyr" + name] = data["gyr" + name] + np.radians(rng.normal(scale=0.5, size=3))
        seen["acc" + name] = data["acc" + name].copy()
        if sample_meaning == "mean":
            for kind in ("gyr", "acc"):
                values = seen[kind + name]
                seen[kind + name] = np.concatenate((values[:1], 0.5 * (values[1:] + values[:-1])))
        seen["gyr" + name] += np.radians(0.1) * rng.normal(size=data["gyr1"].shape)
        seen["acc" + name] += 0.03 * rng.normal(size=data["gyr1"].shape)
    got = relative_orientation(
        seen["gyr1"],
        seen["acc1"],
        seen["gyr2"],
        seen["acc2"],
        rate=RATE,
        sample_meaning=sample_meaning,  # type: ignore[arg-type]
    )
    truth = multiply(inverse(data["q1"]), data["q2"])
    error = angle_between(got.q_1_from_2, truth)
    assert np.degrees(np.sqrt(np.mean(error**2))) < 0.3
    assert np.degrees(np.max(error)) < 1.0
    np.testing.assert_allclose(got.arm1, ARM1, atol=0.005)
    np.testing.assert_allclose(got.arm2, ARM2, atol=0.005)
    assert np.mean(error < 2.8 * got.se) > 0.9  # 2.8: the 95 % point of the length of a vector of three
    other = relative_orientation(
        seen["gyr1"],
        seen["acc1"],
        seen["gyr2"],
        seen["acc2"],
        rate=RATE,
        sample_meaning="mean" if sample_meaning == "instant" else "instant",
    )
    wrong = angle_between(other.q_1_from_2, truth)
    assert np.mean(wrong**2) > np.mean(error**2)


def test_stated_errors_of_the_relative_orientation_are_true() -> None:
    data = ball()
    truth = multiply(inverse(data["q1"]), data["q2"])
    ratios = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        noisy = {}
        for name in "12":
            bias = np.radians(rng.normal(scale=0.5, size=3))
            noisy["gyr" + name] = data["gyr" + name] + bias + np.radians(0.2) * rng.normal(size=data["gyr1"].shape)
            noisy["acc" + name] = data["acc" + name] + 0.2 * rng.normal(size=data["gyr1"].shape)
        settings = JointSettings(walk_deg=0.1)
        got = relative_orientation(
            noisy["gyr1"],
            noisy["acc1"],
            noisy["gyr2"],
            noisy["acc2"],
            rate=RATE,
            sample_meaning="instant",
            settings=settings,
        )
        error = np.linalg.norm(log(multiply(inverse(truth), got.q_1_from_2)), axis=1)
        ratios.append(np.mean((error / got.se) ** 2))
    assert 0.2 < np.mean(ratios) < 3.0  # 3 axes, `se` that of the greatest: between 1 and 3 if all are true


def test_hinges_help_a_joint_that_is_hardly_accelerated() -> None:
    q1, q2, rates1, rates2 = hinged()
    rng = np.random.default_rng(3)
    up = np.array([0.0, 0.0, 9.81])
    sway = 0.05 * np.stack([waves(seed)[0] for seed in (41, 42, 43)], axis=1)
    forces = [rotate(inverse(q), up + sway) + 0.05 * rng.normal(size=sway.shape) for q in (q1, q2)]
    axes = two_hinge_axes(rates1, rates2, multiply(inverse(q1), q2))
    gyr1, gyr2 = (rates + np.radians(rng.normal(scale=0.3, size=3)) for rates in (rates1, rates2))
    truth = multiply(inverse(q1), q2)
    errors = []
    for hinges in (None, axes):
        got = relative_orientation(gyr1, forces[0], gyr2, forces[1], rate=RATE, sample_meaning="instant", hinges=hinges)
        errors.append(np.degrees(np.sqrt(np.mean(angle_between(got.q_1_from_2, truth) ** 2))))
    assert errors[1] < 1.0, errors
    assert errors[1] < 0.5 * errors[0], errors


def test_shapes_are_checked() -> None:
    zeros = np.zeros((50, 3))
    with pytest.raises(SettingsError, match=r"all must be \(N, 3\)"):
        relative_orientation(zeros, zeros, zeros, zeros[:40], rate=RATE, sample_meaning="mean")
    with pytest.raises(SettingsError, match="N ≥ 20"):
        relative_orientation(zeros[:9], zeros[:9], zeros[:9], zeros[:9], rate=RATE, sample_meaning="mean")
