"""One sensor on an arm that swings, in closed form: the bench of `orientation_accuracy` and of the smoother's tests.

Not a golfer and not the project's simulator: smooth steps of three angles about fixed axes, a lever arm, quiet stands
with sway, a shock, and a sensor's errors. Orientation, angular velocity and acceleration are exact (the steps are
polynomials with three smooth derivatives, differentiated analytically), so nothing here is integrated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GRAVITY = 9.81


@dataclass(frozen=True, kw_only=True)
class Flaws:
    """Sizes of a sensor's errors (standard deviations unless a range). All sizes are assumptions, typical of MEMS."""

    gyro_scale: float = 0.005
    gyro_cross: float = 0.005
    gyro_bias_dps: float = 0.03
    gyro_noise_dps: float = 0.1
    gyro_range_dps: float = np.inf
    acc_scale: float = 0.003
    acc_bias_mps2: float = 0.04
    acc_noise_mps2: float = 0.03
    acc_range_mps2: float = 16 * GRAVITY
    shock_mps2: float = 300.0
    shock_gyro_dps: float = 150.0
    sway_mm: float = 5.0
    sway_deg: float = 0.4


IDEAL = Flaws(
    gyro_scale=0.0,
    gyro_cross=0.0,
    gyro_bias_dps=0.0,
    gyro_noise_dps=0.0,
    acc_scale=0.0,
    acc_bias_mps2=0.0,
    acc_noise_mps2=0.0,
    acc_range_mps2=np.inf,
    shock_mps2=0.0,
    shock_gyro_dps=0.0,
    sway_mm=0.0,
    sway_deg=0.0,
)


@dataclass(frozen=True, kw_only=True)
class Session:
    """Samples of one sensor over many swings and the truth: matrix (N, 3, 3) earth from sensor, moments as indices,
    gyro_gain (3, 3): reading = gain · true rate + bias + noise.
    """

    rate: float
    time: np.ndarray
    gyr: np.ndarray
    acc: np.ndarray
    clipped: np.ndarray
    matrix: np.ndarray
    gyro_gain: np.ndarray
    still: np.ndarray
    address: np.ndarray
    top: np.ndarray
    impact: np.ndarray
    finish: np.ndarray


def step(time: np.ndarray, start: float, duration: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A smooth step from 0 to 1 and its first two derivatives: 35 x⁴ − 84 x⁵ + 70 x⁶ − 20 x⁷."""
    x = np.clip((time - start) / duration, 0.0, 1.0)
    value = x**4 * (35.0 + x * (-84.0 + x * (70.0 - 20.0 * x)))
    slope = 140.0 * x**3 * (1.0 - x) ** 3 / duration
    bend = 420.0 * x**2 * (1.0 - x) ** 2 * (1.0 - 2.0 * x) / duration**2
    return value, slope, bend


def _turn(axis: int, angle: np.ndarray) -> np.ndarray:
    c, s, one, zero = np.cos(angle), np.sin(angle), np.ones_like(angle), np.zeros_like(angle)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    m = np.zeros((*angle.shape, 3, 3))
    m[..., axis, axis], m[..., i, i], m[..., j, j], m[..., i, j], m[..., j, i] = one, c, c, -s, s + zero
    return m


def motion(time: np.ndarray, tracks: np.ndarray, lever: np.ndarray, path: np.ndarray) -> tuple[np.ndarray, ...]:
    """Orientation Rz(a)·Rx(b)·Ry(c), body rates and specific force from the angles' tracks (3 angles, 3 derivatives,
    N), a lever arm (3,) in the body and the pivot's acceleration `path` (N, 3) in the earth frame.
    """
    order = (2, 0, 1)
    turns = [_turn(axis, tracks[k, 0]) for k, axis in enumerate(order)]
    matrix = turns[0] @ turns[1] @ turns[2]
    omega = np.zeros((len(time), 3))
    alpha = np.zeros((len(time), 3))
    # From the outer joint inwards: components in the frame after each turn; each new joint adds its own rate.
    for k, axis in enumerate(order):
        back = np.swapaxes(turns[k], -1, -2)
        unit = np.eye(3)[axis]
        omega = np.einsum("nij,nj->ni", back, omega)
        alpha = np.einsum("nij,nj->ni", back, alpha) + np.cross(omega, tracks[k, 1][:, None] * unit)
        omega = omega + tracks[k, 1][:, None] * unit
        alpha = alpha + tracks[k, 2][:, None] * unit
    centripetal = np.cross(alpha, lever) + np.cross(omega, np.cross(omega, lever))
    force = np.einsum("nji,nj->ni", matrix, path + np.array([0.0, 0.0, GRAVITY])) + centripetal
    return matrix, omega, force


def session(*, seed: int, rate: float, swings: int, flaws: Flaws, lead_in_s: float = 15.0) -> Session:
    """A sensor's samples (instants) over `swings` swings of an arm, 14 s apart, after a still lead-in."""
    rng = np.random.default_rng(seed)
    period = 14.0
    time = np.arange(0.0, lead_in_s + swings * period, 1.0 / rate)
    tracks = np.zeros((3, 3, len(time)))
    tracks[1, 0] += rng.uniform(-0.6, 0.6)
    path = np.zeros((len(time), 3))
    moments: list[tuple[float, float, float, float]] = []
    moving = np.zeros(len(time), dtype=bool)
    span = rng.uniform(0.5, 1.0)
    for swing in range(swings):
        address = lead_in_s + swing * period + 3.0
        back, down, through = rng.uniform(0.75, 0.95), rng.uniform(0.25, 0.32), rng.uniform(0.35, 0.5)
        amplitudes = span * rng.normal(1.0, 0.04) * np.radians([[-95, 70, -85], [110, -60, 110], [95, -50, 80]])
        starts = (address, address + back + 0.02, address + back + 0.5 * down)
        lengths = (back, 1.35 * down, through)
        end = starts[2] + lengths[2]
        returns = max(end, starts[1] + 0.9) + rng.uniform(0.8, 1.6)
        for angle in range(3):
            pieces = [*zip(starts, lengths, amplitudes[:, angle], strict=True)]
            pieces.append((returns, 1.8, -float(amplitudes[:, angle].sum())))
            for start, length, size in pieces:
                tracks[angle] += size * np.stack(step(time, start, length))
        for direction in range(2):
            for start, size in ((starts[0], -0.15), (starts[1], 0.2), (returns, rng.normal(0, 0.5))):
                path[:, direction] += size * step(time, start, 0.9)[2]
        # Between shots the arm moves about: other directions than the swing's, for whoever learns from them.
        for _ in range(3):
            start, length = returns + 2.0 + rng.uniform(0.0, 1.5), rng.uniform(0.7, 1.2)
            size = np.radians(rng.normal(0, 45, 3))
            for angle in range(3):
                tracks[angle] += size[angle] * (np.stack(step(time, start, length)))
                tracks[angle] -= size[angle] * (np.stack(step(time, start + length + 0.1, length)))
        moving |= (time > address) & (time < max(end, starts[1] + 0.9))
        moving |= (time > returns) & (time < returns + 6.2)
        moments.append((address, address + back, address + back + 0.02 + 0.75 * down, end))
    sway = [rng.uniform(0.2, 0.8, 6), rng.uniform(0, 6.28, 6)]
    for k in range(3):
        w = 2 * np.pi * sway[0][k]
        phase = w * time + sway[1][k]
        size = np.radians(flaws.sway_deg)
        tracks[k] += size * np.stack((np.sin(phase), w * np.cos(phase), -(w**2) * np.sin(phase)))
        w = 2 * np.pi * sway[0][3 + k]
        path[:, k] -= 1e-3 * flaws.sway_mm * w**2 * np.sin(w * time + sway[1][3 + k])
    matrix, omega, force = motion(time, tracks, np.array([0.05, -0.6, 0.02]), path)
    mount = _random_matrix(rng)
    matrix, omega, force = matrix @ mount, omega @ mount, force @ mount
    events = np.array(moments)
    gyr, acc, clipped, gain = _measure(omega, force, time, events[:, 2], rate=rate, flaws=flaws, rng=rng)
    indices = np.floor(events * rate).astype(int)  # the last sample before: at impact, before the ring
    return Session(
        rate=rate,
        time=time,
        gyr=gyr,
        acc=acc,
        clipped=clipped,
        matrix=matrix,
        gyro_gain=gain,
        still=~moving,
        address=indices[:, 0],
        top=indices[:, 1],
        impact=indices[:, 2],
        finish=indices[:, 3],
    )


def _measure(
    omega: np.ndarray,
    force: np.ndarray,
    time: np.ndarray,
    impacts: np.ndarray,
    *,
    rate: float,
    flaws: Flaws,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Readings gyr, acc (N, 3), which were clipped (N,), and the gyro's gain."""
    gyro = np.eye(3) + flaws.gyro_cross * rng.normal(size=(3, 3))
    gyro[np.diag_indices(3)] = 1.0 + flaws.gyro_scale * rng.normal(size=3)
    accelerometer = np.eye(3) + flaws.acc_scale * rng.normal(size=(3, 3))
    shock = np.zeros((len(time), 6))
    for impact in impacts:
        since = time - impact
        ring = np.where(since >= 0.0, np.exp(-np.maximum(since, 0.0) / 0.012), 0.0)
        for axis in range(3):
            tone = np.sin(2 * np.pi * rng.uniform(30, 120) * since + rng.uniform(0, 6.28))
            shock[:, axis] += flaws.shock_mps2 * rng.normal() * ring * tone
            # Skin and strap ring: the sensor turns forth and back by an angle that starts smoothly and dies away, and
            # the gyro sees its derivative. The truth, asked for at impact and after the ring, leaves it out.
            w, x = 2 * np.pi * rng.uniform(15, 40), np.maximum(since, 0.0) / 0.012
            swinging = (2 * x - x**2) / (0.012 * w) * np.sin(w * since) + x**2 * np.cos(w * since)
            shock[:, 3 + axis] += np.radians(flaws.shock_gyro_dps) * rng.normal() * ring * swinging
    gyr = (omega + shock[:, 3:]) @ gyro.T + np.radians(flaws.gyro_bias_dps) * rng.normal(size=3)
    acc = (force + shock[:, :3]) @ accelerometer.T + flaws.acc_bias_mps2 * rng.normal(size=3)
    # Noise is given for 100 Hz of bandwidth and grows with the root of the rate.
    gyr += np.radians(flaws.gyro_noise_dps) * np.sqrt(rate / 200.0) * rng.normal(size=gyr.shape)
    acc += flaws.acc_noise_mps2 * np.sqrt(rate / 200.0) * rng.normal(size=acc.shape)
    limit = np.radians(flaws.gyro_range_dps)
    clipped = (np.abs(gyr) >= limit).any(axis=1)
    acc_limit = flaws.acc_range_mps2
    return np.clip(gyr, -limit, limit), np.clip(acc, -acc_limit, acc_limit), clipped, gyro


def _random_matrix(rng: np.random.Generator) -> np.ndarray:
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else -q
