"""Quaternion operations against SciPy's `Rotation` (scipy.spatial.transform) and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation, Slerp

from imuswing.orientation import quaternion as qn

RNG = np.random.default_rng(7)
P, Q = (Rotation.random(50, random_state=seed) for seed in (1, 2))
V = RNG.normal(size=(50, 3))


def scalar_first(rotation: Rotation) -> np.ndarray:
    return rotation.as_quat()[..., [3, 0, 1, 2]]


def assert_same_rotation(q: np.ndarray, expected: Rotation, tolerance_rad: float = 1e-12) -> None:
    assert np.all(np.isfinite(q))
    angle = (Rotation.from_quat(q[..., [1, 2, 3, 0]]).inv() * expected).magnitude()
    assert np.max(angle) < tolerance_rad


def test_multiply_is_scipys_product() -> None:
    assert_same_rotation(qn.multiply(scalar_first(P), scalar_first(Q)), P * Q)


def test_multiply_i_j_k() -> None:
    i, j, k = np.eye(4)[1:]
    np.testing.assert_array_equal(qn.multiply(i, j), k)  # Hamilton 1843
    np.testing.assert_array_equal(qn.multiply(j, i), -k)


def test_inverse_rotate_and_matrices() -> None:
    q = scalar_first(P)
    assert_same_rotation(qn.inverse(q), P.inv())
    np.testing.assert_allclose(qn.rotate(q, V), P.apply(V), atol=1e-12)
    np.testing.assert_allclose(qn.to_matrix(q), P.as_matrix(), atol=1e-12)
    assert_same_rotation(qn.from_matrix(P.as_matrix()), P)


def test_rotate_broadcasts_one_vector_over_many_and_many_over_one() -> None:
    np.testing.assert_allclose(qn.rotate(scalar_first(P), V[0]), P.apply(V[0]), atol=1e-12)
    np.testing.assert_allclose(qn.rotate(scalar_first(P)[0], V), P[0].apply(V), atol=1e-12)


def test_cross_is_numpys() -> None:
    np.testing.assert_allclose(qn.cross(V, V[::-1]), np.cross(V, V[::-1]), atol=1e-14)
    np.testing.assert_allclose(qn.cross(V[0], V), np.cross(V[0], V), atol=1e-14)


def test_matrix_to_quaternion_at_half_turns() -> None:
    half_turns = Rotation.from_rotvec(np.pi * np.eye(3))
    assert_same_rotation(qn.from_matrix(half_turns.as_matrix()), half_turns, 1e-7)


@pytest.mark.parametrize("size", [0.0, 1e-14, 1e-9, 1e-3, 1.0, 3.0])
def test_exp_and_log_are_scipys(size: float) -> None:
    vectors = size * V / np.linalg.norm(V, axis=1, keepdims=True)
    assert_same_rotation(qn.exp(vectors), Rotation.from_rotvec(vectors), 1e-8)
    np.testing.assert_allclose(qn.log(qn.exp(vectors)), vectors, rtol=1e-9, atol=1e-16)


def test_log_takes_the_short_way_round() -> None:
    q = -qn.exp(np.array([0.1, 0.2, 0.3]))
    np.testing.assert_allclose(qn.log(q), [0.1, 0.2, 0.3], atol=1e-12)


@pytest.mark.parametrize("count", [1, 2, 3, 7, 8, 50])
def test_cumulative_product_is_the_loop(count: int) -> None:
    expected = [P[0]]
    for k in range(1, count):
        expected.append(expected[-1] * P[k])
    got = qn.cumulative_product(scalar_first(P)[:count])
    assert got.shape == (count, 4)
    assert_same_rotation(got, Rotation.concatenate(expected))


def test_cumulative_product_runs_along_the_second_last_axis() -> None:
    both = np.stack((scalar_first(P), scalar_first(Q)))
    got = qn.cumulative_product(both)
    np.testing.assert_allclose(got[0], qn.cumulative_product(both[0]), atol=1e-12)
    np.testing.assert_allclose(got[1], qn.cumulative_product(both[1]), atol=1e-12)


def test_slerp_is_scipys_and_holds_its_ends() -> None:
    time = np.array([0.0, 1.0, 1.5, 4.0])
    at = np.linspace(0.0, 4.0, 33)
    assert_same_rotation(qn.slerp(scalar_first(P)[:4], time, at), Slerp(time, P[:4])(at), 1e-7)
    ends = qn.slerp(scalar_first(P)[:4], time, np.array([-1.0, 9.0]))
    assert_same_rotation(ends, P[[0, 3]], 1e-7)


def test_angle_between_is_scipys_magnitude() -> None:
    expected = (P.inv() * Q).magnitude()
    np.testing.assert_allclose(qn.angle_between(scalar_first(P), scalar_first(Q)), expected, atol=1e-10)
