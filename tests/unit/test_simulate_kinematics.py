"""The simulated body against scipy: splines, orientations, and derivatives taken numerically from its positions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.anatomy import CHAIN, COORDINATES, INDEX, SEGMENTS, Anatomy
from imuswing.simulate.kinematics import Body
from imuswing.simulate.sensors import Strap, skin_motion
from imuswing.simulate.splines import UniformSpline
from imuswing.vocabulary import CHEST, CLUB, LEAD_HAND, PELVIS, STANDARD_GRAVITY, LeadSide

SIDES: tuple[LeadSide, ...] = ("left", "right")
MIRROR = np.diag([1.0, 1.0, -1.0])
EARTH_FROM_ROOT = Rotation.from_euler("X", 90.0, degrees=True)


def random_body(side: LeadSide, *, seed: int = 4) -> Body:
    """A body whose coordinates wander fast: up to some thousand °/s."""
    rng = np.random.default_rng(seed)
    coefficients = 0.5 * rng.standard_normal((len(COORDINATES), 60))
    coefficients[:3] *= 0.3
    return Body(
        motion=UniformSpline(start=0.0, step=0.05, coefficients=coefficients), anatomy=Anatomy(), lead_side=side
    )


def poses(body: Body, time: FloatArray) -> dict[str, tuple[Rotation, FloatArray]]:
    """Orientation and place (N, 3) of every segment in the earth, by scipy's rotations alone.

    A golfer who leads with the right is the left one mirrored: R → M·R·M and p → M·p in the root frame.
    """
    values = body.motion.evaluate(time, derivatives=0)[0]
    found: dict[str, tuple[Rotation, FloatArray]] = {}

    def chain(segment: str) -> Rotation:
        axes = "".join("XYZ"[axis] for _, axis, _ in CHAIN[segment])
        angles = np.stack([sign * values[INDEX[name]] for name, _, sign in CHAIN[segment]], axis=1)
        return Rotation.from_euler(axes, angles)

    heading = Rotation.from_euler("Y", values[INDEX["heading"]][:, None])
    place = values[:3].T
    turned = {PELVIS: heading * chain(PELVIS), CHEST: heading * chain(CHEST)}
    places = {PELVIS: place, CHEST: place + turned[PELVIS].apply(body.anatomy.lumbar)}
    for before, segment in pairwise(SEGMENTS[1:]):
        turned[segment] = turned[before] * chain(segment)
        places[segment] = places[before] + turned[before].apply(body.anatomy.proximal[before])
    for segment in SEGMENTS:
        rotation, where = turned[segment], places[segment]
        if body.lead_side == "right":
            rotation, where = Rotation.from_matrix(MIRROR @ rotation.as_matrix() @ MIRROR), where @ MIRROR
        found[segment] = (EARTH_FROM_ROOT * rotation, EARTH_FROM_ROOT.apply(where))
    return found


def second_difference(values: FloatArray, step: float) -> FloatArray:
    """Second derivative at the middle of nine even samples, error O(step⁸) (Fornberg 1988, table 1; from memory)."""
    weights = np.array([-1 / 560, 8 / 315, -1 / 5, 8 / 5, -205 / 72, 8 / 5, -1 / 5, 8 / 315, -1 / 560])
    return np.asarray(np.tensordot(weights, values, axes=1) / step**2)


def test_splines_are_those_of_scipy() -> None:
    # scipy.interpolate.BSpline on the same knots.
    rng = np.random.default_rng(0)
    coefficients, step = rng.normal(size=(2, 40)), 0.01
    spline = UniformSpline(start=0.3, step=step, coefficients=coefficients)
    reference = BSpline(0.3 + step * (np.arange(46) - 3), coefficients.T, 5)
    time = np.linspace(0.35, 0.60, 77)
    for order, values in enumerate(spline.evaluate(time)):
        expected = reference(time, nu=order).T
        np.testing.assert_allclose(values, expected, atol=1e-10 * np.max(np.abs(expected)))


@pytest.mark.parametrize("side", SIDES)
def test_orientations_are_products_of_scipy_rotations(side: LeadSide) -> None:
    body, time = random_body(side), np.linspace(0.3, 2.5, 40)
    motion, expected = body.segments(time, *SEGMENTS), poses(body, time)
    for segment in SEGMENTS:
        ours = Rotation.from_quat(motion[segment].q, scalar_first=True)
        assert np.degrees((ours.inv() * expected[segment][0]).magnitude()).max() < 1e-6, segment


@pytest.mark.parametrize("side", SIDES)
def test_angular_velocity_is_the_derivative_of_the_orientation(side: LeadSide) -> None:
    body, time, step = random_body(side), np.linspace(0.3, 2.5, 40), 1e-5
    motion = body.segments(time, *SEGMENTS)
    before, after = (poses(body, time + shift) for shift in (-step, step))
    for segment in SEGMENTS:
        expected = (before[segment][0].inv() * after[segment][0]).as_rotvec() / (2.0 * step)
        np.testing.assert_allclose(motion[segment].omega, expected, atol=1e-6 * np.max(np.abs(expected)))


@pytest.mark.parametrize("side", SIDES)
def test_specific_force_is_acceleration_minus_gravity_at_the_sensor(side: LeadSide) -> None:
    # Places by scipy, differentiated numerically; gravity 9.80665 m/s² (3rd CGPM 1901).
    body, time, step = random_body(side), np.linspace(0.3, 2.5, 25), 2e-3
    for point in (PELVIS, CHEST, LEAD_HAND, CLUB):
        offset = body.anatomy.sensors[point]
        track = []
        for shift in np.arange(-4, 5) * step:
            rotation, place = poses(body, time + shift)[point]
            track.append(place + rotation.apply(body.place(offset)))
        rotation = poses(body, time)[point][0]
        acceleration = second_difference(np.array(track), step)
        expected = rotation.inv().apply(acceleration + np.array([0.0, 0.0, STANDARD_GRAVITY]))
        strap = Strap(q_segment_from_sensor=np.array([1.0, 0.0, 0.0, 0.0]), offset=offset)
        ours = skin_motion(body, point, strap, time).force
        np.testing.assert_allclose(ours, expected, atol=1e-5 * np.max(np.abs(expected)))


@pytest.mark.parametrize("side", SIDES)
def test_a_sensor_on_moving_skin_feels_the_skin(side: LeadSide) -> None:
    # As above with the skin turning and shifting on its segment.
    rng = np.random.default_rng(8)
    soft = UniformSpline(
        start=0.0, step=0.05, coefficients=rng.normal(size=(6, 60)) * np.repeat([[0.1], [0.01]], 3, axis=0)
    )
    body, time, step = random_body(side), np.linspace(0.3, 2.5, 25), 2e-3
    offset = body.anatomy.sensors[CHEST]
    strap = Strap(q_segment_from_sensor=np.array([1.0, 0.0, 0.0, 0.0]), offset=offset, soft=soft)

    def skin(at: FloatArray) -> tuple[Rotation, FloatArray]:
        rotation, place = poses(body, at)[CHEST]
        values = soft.evaluate(at, derivatives=0)[0].T
        turn = Rotation.from_euler("ZXY", values[:, :3])
        shift = values[:, 3:]
        if side == "right":
            turn, shift = Rotation.from_matrix(MIRROR @ turn.as_matrix() @ MIRROR), shift @ MIRROR
        return rotation * turn, place + rotation.apply(body.place(offset) + shift)

    motion = skin_motion(body, CHEST, strap, time)
    track = np.array([skin(time + shift)[1] for shift in np.arange(-4, 5) * step])
    rotation = skin(time)[0]
    force = rotation.inv().apply(second_difference(track, step) + np.array([0.0, 0.0, STANDARD_GRAVITY]))
    np.testing.assert_allclose(motion.force, force, atol=1e-5 * np.max(np.abs(force)))
    small = 1e-5
    omega = (skin(time - small)[0].inv() * skin(time + small)[0]).as_rotvec() / (2.0 * small)
    np.testing.assert_allclose(motion.omega, omega, atol=1e-6 * np.max(np.abs(omega)))


def test_a_body_at_rest_feels_gravity_only() -> None:
    body = Body(
        motion=UniformSpline(start=0.0, step=0.1, coefficients=np.full((len(COORDINATES), 20), 0.3)),
        anatomy=Anatomy(),
        lead_side="left",
    )
    motion = body.segments(np.array([1.0]), *SEGMENTS)
    for segment in SEGMENTS:
        up = Rotation.from_quat(motion[segment].q, scalar_first=True).apply(motion[segment].force)
        np.testing.assert_allclose(up, [[0.0, 0.0, STANDARD_GRAVITY]], atol=1e-9)
