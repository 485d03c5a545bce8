"""Matching axes: against scipy's weighted vector matching, by hand, and the covariance against repeated draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motions_for_tests import rotation_of
from scipy.spatial.transform import Rotation

from imuswing.body.alignment import UNKNOWN_SD, Alignment, AxisObservation, align, following, joint_covariance
from imuswing.orientation.quaternion import FloatArray, inverse, log, rotate

X, Y, Z = np.eye(3)


def seen(sensor_axis: FloatArray, segment_axis: FloatArray, sd_deg: float = 2.0, step: str = "a") -> AxisObservation:
    unit = np.asarray(sensor_axis) / np.linalg.norm(sensor_axis)
    return AxisObservation(sensor_axis=unit, segment_axis=segment_axis, sd=float(np.radians(sd_deg)), step=step)


def fitted(*observations: AxisObservation) -> Alignment:
    result = align("chest", observations)
    assert result is not None
    return result


def leaning(degrees: float) -> FloatArray:
    """Y turned about Z towards −X by some degrees."""
    return np.asarray(Rotation.from_euler("z", degrees, degrees=True).apply(Y))


@pytest.mark.parametrize("seed", range(8))
def test_the_rotation_is_scipys_for_the_same_weights(seed: int) -> None:
    # scipy.spatial.transform.Rotation.align_vectors (Wahba's problem): weights of squared distances, 1/sd².
    rng = np.random.default_rng(seed)
    mount = Rotation.random(random_state=seed)
    axes = [X, -Y, Z, Y][: 2 + seed % 3]
    sds = rng.uniform(0.5, 8.0, len(axes))
    observed = [Rotation.from_rotvec(0.1 * rng.standard_normal(3)).apply(mount.apply(axis)) for axis in axes]
    ours = fitted(*(seen(o, a, s) for o, a, s in zip(observed, axes, sds, strict=True)))
    theirs, _ = Rotation.align_vectors(observed, axes, weights=1.0 / np.radians(sds) ** 2)
    assert (rotation_of(ours.q_sensor_from_segment).inv() * theirs).magnitude() < 1e-6


def test_perfect_axes_give_the_mount_and_no_residuals() -> None:
    mount = Rotation.from_euler("xyz", [170.0, -60.0, 95.0], degrees=True)
    result = fitted(seen(mount.apply(Y), Y, step="stand"), seen(mount.apply(-Z), -Z, 5.0, step="bow"))
    assert (rotation_of(result.q_sensor_from_segment).inv() * mount).magnitude() < 1e-7
    assert max(result.residuals.values()) < 1e-7
    assert result.steps == ("stand", "bow")


@pytest.mark.parametrize(("sd_x", "sd_y"), [(2.0, 2.0), (2.0, 4.0), (6.0, 1.5)])
def test_a_misfit_is_shared_out_by_weight(sd_x: float, sd_y: float) -> None:
    # By hand: two axes seen 80° apart that should be 90° apart. The loss w₁(1 − cos a) + w₂(1 − cos b), a + b = 10°, is
    # least where w₁ sin a = w₂ sin b, that is tan a = w₂ sin 10° / (w₁ + w₂ cos 10°).
    w1, w2, off = sd_x**-2, sd_y**-2, np.radians(10.0)
    result = fitted(seen(X, X, sd_x, "x"), seen(leaning(-10.0), Y, sd_y, "y"))
    of_x = np.arctan2(w2 * np.sin(off), w1 + w2 * np.cos(off))
    assert result.residuals["x"] == pytest.approx(of_x, abs=1e-9)
    assert result.residuals["y"] == pytest.approx(off - of_x, abs=1e-9)


def test_of_several_observations_of_one_step_the_largest_misfit_is_told() -> None:
    # By hand: Y seen twice, 4° to either side of the fit; Z fits.
    result = fitted(seen(leaning(4.0), Y), seen(leaning(-4.0), Y), seen(Z, Z, step="b"))
    assert np.degrees(result.residuals["a"]) == pytest.approx(4.0)
    assert result.residuals["b"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    "observations",
    [[], [seen(X, X)], [seen(X, X), seen(leaning(80.0), X)], [seen(Y, Y), seen(Y, -Y)]],
    ids=["none", "one", "one twice", "one and its opposite"],
)
def test_one_axis_is_not_enough(observations: list[AxisObservation]) -> None:
    # A rotation about the only axis seen would be free.
    assert align("chest", observations) is None


def test_the_covariance_of_two_axes_by_hand() -> None:
    # By hand: Y seen with σ tells the turns about X and Z to σ, Z seen with τ those about X and Y to τ; the wide prior
    # adds 1/UNKNOWN_SD².
    prior = UNKNOWN_SD**-2
    result = fitted(seen(Y, Y, 2.0), seen(Z, Z, 5.0, "b"))
    first, second = np.radians(2.0) ** -2, np.radians(5.0) ** -2
    wanted = [1 / (first + second + prior), 1 / (second + prior), 1 / (first + prior)]
    np.testing.assert_allclose(result.covariance, np.diag(wanted), atol=1e-12)
    np.testing.assert_allclose(result.sd**2, wanted)


def test_the_covariance_is_what_repeated_draws_show() -> None:
    # Monte Carlo: each observed axis turned by a random small rotation of the stated SD about every axis.
    rng = np.random.default_rng(5)
    mount = Rotation.random(random_state=9)
    axes, sds = (Y, -X, Z), (6.0, 2.5, 4.0)
    errors = []
    for _ in range(3000):
        observed = [
            seen(mount.apply(Rotation.from_rotvec(np.radians(sd) * rng.standard_normal(3)).apply(axis)), axis, sd)
            for axis, sd in zip(axes, sds, strict=True)
        ]
        # The error model of the segments: estimate = truth · exp(error), error in segment axes.
        errors.append((mount.inv() * rotation_of(fitted(*observed).q_sensor_from_segment)).as_rotvec())
    # An alignment C stands right of the orientation, so an error of C shows in segment axes as here; its SD over 3000
    # draws is known to 1.3 %, and 4 % are left for what is not linear at 6°.
    stated = fitted(*(seen(axis, axis, sd) for axis, sd in zip(axes, sds, strict=True))).sd
    np.testing.assert_allclose(np.std(errors, axis=0), stated, rtol=0.05)
    np.testing.assert_allclose(np.mean(errors, axis=0), 0.0, atol=np.radians(0.15))


def test_what_a_follower_shares_with_its_leader_is_what_repeated_draws_show() -> None:
    # Monte Carlo: two poses are off by their SD, for both sensors alike; in both, the second segment lies as the first
    # but for errors of its own. Its axes are taken from where the first one's alignment puts gravity. The errors
    # weighted by the inverse covariance have mean 6 (chi-squared with 6 degrees of freedom), SD √12 each.
    rng = np.random.default_rng(12)
    poses, off, own = (Y, -X), (6.0, 2.5), (4.0, 2.0)

    def turned(axis: FloatArray, sd: float) -> FloatArray:
        return np.asarray(Rotation.from_rotvec(np.radians(sd) * rng.standard_normal(3)).apply(axis))

    def pair(*, errors: float) -> tuple[Alignment, Alignment]:
        gravity = [turned(axis, errors * sd) for axis, sd in zip(poses, off, strict=True)]
        roll = turned(Y, errors * 3.0)
        leader = fitted(*(seen(g, a, s) for g, a, s in zip(gravity, poses, off, strict=True)), seen(roll, Y, 3.0))
        back = inverse(leader.q_sensor_from_segment)
        followed = [
            replace(seen(turned(g, errors * s), rotate(back, g), s), followed=True)
            for g, s in zip(gravity, own, strict=True)
        ]
        return leader, following(fitted(*followed, seen(turned(Z, errors * 5.0), Z, 5.0)), leader)

    stated = joint_covariance(*pair(errors=0.0))
    errors = [np.concatenate([log(one.q_sensor_from_segment) for one in pair(errors=1.0)]) for _ in range(2000)]
    weighted = [e @ np.linalg.solve(stated, e) for e in errors]
    assert np.mean(weighted) == pytest.approx(6.0, abs=3.0 * np.sqrt(12.0 / 2000.0) + 0.1)
    # Told as if nothing was shared, the difference of the two would be far too uncertain.
    difference = np.std([e[3:] - e[:3] for e in errors], axis=0)
    across = stated[3:, 3:] + stated[:3, :3] - stated[3:, :3] - stated[:3, 3:]
    np.testing.assert_allclose(difference, np.sqrt(np.diag(across)), rtol=0.06)


def test_a_reading_that_is_loose_one_way_pulls_less_that_way() -> None:
    # By hand, small angles: the long axis is seen 6° off towards X with SD 4°, the palm's axis exactly with SD 2°. Both
    # tell the turn about Z, by weights 1/4² and 1/2²: it is 6° · (1/16) / (1/16 + 1/4) = 1.2°. Towards Z the long axis,
    # off by 3°, is the only one to tell, so that the turn about X is all of the 3°.
    aside, up = np.radians(6.0), np.radians(3.0)
    direction = np.array([aside, 1.0, up])
    found = align(
        "lead_forearm",
        [
            AxisObservation(
                sensor_axis=direction / np.linalg.norm(direction), segment_axis=Y, sd=np.radians(1.0),
                step="forearm_roll", loose=X, loose_sd=np.radians(4.0),
            ),
            AxisObservation(
                sensor_axis=X, segment_axis=X, sd=np.radians(2.0), step="table",
            ),
        ],
    )  # fmt: skip
    assert found is not None
    turn = np.degrees(log(found.q_sensor_from_segment))
    np.testing.assert_allclose(turn[[0, 2]], [3.0, -1.2], atol=0.05)
    expected = 1.0 / np.sqrt(1.0 / 1.0**2), 1.0 / np.sqrt(1.0 / 4.0**2 + 1.0 / 2.0**2)
    np.testing.assert_allclose(np.degrees(found.sd[[0, 2]]), expected, rtol=0.01)


def test_how_badly_axes_disagree_is_told_in_their_own_errors() -> None:
    # By hand: two axes that should be square and are 10° short of it share that as their variances are; what is
    # left is δ²/(σ₁² + σ₂²) = 100/(4 + 9). Two axes tell four numbers, a rotation takes three.
    square, short = (seen(axis, Z, 3.0) for axis in (Z, Rotation.from_euler("x", 10.0, degrees=True).apply(Z)))
    assert fitted(seen(Y, Y, 2.0), square).misfit == pytest.approx(0.0, abs=1e-12)
    found = fitted(seen(Y, Y, 2.0), short)
    assert found.misfit == pytest.approx(100.0 / 13.0, rel=0.02)
    assert found.freedom == 1
