"""Clocks aligned by a joint, on two bodies that a ball joint connects, in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation
from sensors_for_tests import turning_sensor

from imuswing.recording.model import Recording, SensorStream
from imuswing.sensors.clean import Clean, clean
from imuswing.sensors.clock_chain import joints_between
from imuswing.sensors.clock_joint import joint_fit
from imuswing.sensors.clock_lines import Line
from imuswing.sensors.clock_rough import rough_lines
from imuswing.sensors.clocks import align
from imuswing.sensors.settings import DEFAULT_SETTINGS

LEVERS = {"lead_forearm": np.array([0.02, -0.21, 0.01]), "lead_hand": np.array([-0.01, 0.07, 0.02])}


class Joint:
    """Two bodies turning at random about a joint whose centre is pushed about at random, for 80 s."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.fine = np.arange(0.0, 80.0, 0.002)
        calm = np.interp(self.fine, *self.calm(rng))

        def random(columns: int, size: float, hz: float) -> np.ndarray:
            knots = np.arange(0.0, 82.0, 0.5 / hz)
            return CubicSpline(knots, size * rng.standard_normal((len(knots), columns)))(self.fine) * calm[:, None]

        self.force = np.array([0.0, 0.0, 9.81]) + random(3, 1.5, 2.5)
        shared = random(3, 2.0, 1.2)
        self.omega = {name: shared + random(3, 0.7, 1.5) for name in LEVERS}

    @staticmethod
    def calm(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Lively for some seconds, still for some, at random."""
        edges = np.cumsum(rng.uniform(1.5, 5.0, 40))
        times = np.sort(np.concatenate((edges, edges + 0.4)))
        return times, np.repeat(np.arange(40) % 2, 2).astype(float)

    def sensor(self, name: str, *, offset: float, drift: float, rate: float, noise: float) -> SensorStream:
        """Chained rotations give the body's orientation; acc at the sensor is that of the joint, moved by the lever."""
        omega = self.omega[name]
        q = Rotation.identity()
        frames = np.empty((len(self.fine), 3, 3))
        steps = Rotation.from_rotvec(0.002 * 0.5 * (omega[1:] + omega[:-1]))
        for k in range(len(self.fine)):
            frames[k] = q.as_matrix()
            if k < len(steps):
                q = q * steps[k]
        lever = -LEVERS[name]
        turn = np.gradient(omega, 0.002, axis=0)
        acc = np.einsum("nji,nj->ni", frames, self.force)
        acc = acc + np.cross(turn, lever) + np.cross(omega, np.cross(omega, lever))
        rng = np.random.default_rng(len(name))
        own = np.arange(0.0, (78.0 - offset) / (1.0 + drift), 1.0 / rate)
        common = offset + (1.0 + drift) * own
        mount = Rotation.random(random_state=len(name)).as_matrix()
        gyr, acc = (CubicSpline(self.fine, values)(common) @ mount for values in (omega, acc))
        return SensorStream(
            tracked_point=name,
            tracking_system="a" if name == "lead_forearm" else "b",
            rate=rate,
            time=own,
            gyr=gyr + np.radians(noise) * rng.standard_normal(gyr.shape),
            acc=acc + 0.2 * noise * rng.standard_normal(acc.shape),
        )


@pytest.fixture(scope="module")
def pair() -> tuple[Clean, Clean]:
    joint = Joint(0)
    forearm = joint.sensor("lead_forearm", offset=0.0, drift=0.0, rate=200.0, noise=0.1)
    hand = joint.sensor("lead_hand", offset=1.37, drift=70e-6, rate=100.0, noise=0.1)
    return clean(forearm, settings=DEFAULT_SETTINGS), clean(hand, settings=DEFAULT_SETTINGS)


def test_liveliness_gives_a_first_guess(pair: tuple[Clean, Clean]) -> None:
    (guess,) = rough_lines(*pair, hint=None)
    assert guess.sure
    at = np.array([guess.line.at])
    assert guess.line(at)[0] == pytest.approx(1.37 + (1.0 + 70e-6) * guess.line.at, abs=0.1)


def test_a_stationary_pair_tells_nothing() -> None:
    streams = [
        turning_sensor(turn=0.0, seed=k, tracked_point=name, tracking_system="ab"[k]) for k, name in enumerate(LEVERS)
    ]
    recording = Recording(participant="1", lead_side="left", sensors={s.tracked_point: s for s in streams})
    sensors = {s.tracked_point: clean(s, settings=DEFAULT_SETTINGS) for s in streams}
    assert align(sensors, recording)["b"].source == "none"
    assert align(sensors, recording)["b"].se > 1.0


@pytest.mark.parametrize("off", [-0.25, -0.04, 0.0, 0.13])
def test_offset_drift_and_error_from_the_joint(pair: tuple[Clean, Clean], off: float) -> None:
    fit = joint_fit(*pair, ("a", "b"), Line(offset=1.37 + off, drift=0.0, at=0.0), reach_s=0.3)
    assert fit is not None
    assert fit.depth > 1.0
    error = fit.cue.line(np.array([0.0, 75.0])) - (1.37 + (1.0 + 70e-6) * np.array([0.0, 75.0]))
    assert np.abs(error).max() < 0.0005
    assert 0.0005 < np.sqrt(np.linalg.inv(fit.cue.information)[0, 0]) < 0.0015


def test_a_wrong_offset_is_not_believed(pair: tuple[Clean, Clean]) -> None:
    for offset in (1.37 + 2.0, 1.37 - 3.3, 1.37 + 7.0):
        assert joint_fit(*pair, ("a", "b"), Line(offset=offset, drift=0.0, at=0.0), reach_s=0.3) is None


def test_joints_are_counted_along_the_arm() -> None:
    assert joints_between("chest", "lead_hand") == joints_between("lead_hand", "chest") == 3
    assert joints_between("pelvis", "chest") == joints_between("lead_hand", "club") == 1
