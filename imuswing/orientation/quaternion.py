"""Unit quaternions as plain arrays, scalar first, (..., 4): the few operations that the pipeline needs, vectorised.

A quaternion `q_a_from_b` turns components in frame b into components in frame a, so chains check by eye:
`multiply(q_a_from_b, q_b_from_c)` is `q_a_from_c`. SciPy's `Rotation` does the same at ten times the cost; the tests
hold these functions against it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

IDENTITY: FloatArray = np.array([1.0, 0.0, 0.0, 0.0])


def multiply(p: FloatArray, q: FloatArray) -> FloatArray:
    """Hamilton product of p (..., 4) and q (..., 4), broadcast."""
    p, q = np.asarray(p), np.asarray(q)
    pw, px, py, pz = p[..., 0], p[..., 1], p[..., 2], p[..., 3]
    qw, qx, qy, qz = q[..., 0], q[..., 1], q[..., 2], q[..., 3]
    product = np.empty(np.broadcast_shapes(p.shape, q.shape))
    product[..., 0] = pw * qw - px * qx - py * qy - pz * qz
    product[..., 1] = pw * qx + px * qw + py * qz - pz * qy
    product[..., 2] = pw * qy - px * qz + py * qw + pz * qx
    product[..., 3] = pw * qz + px * qy - py * qx + pz * qw
    return product


def inverse(q: FloatArray) -> FloatArray:
    """The conjugate of unit quaternions (..., 4)."""
    conjugate: FloatArray = np.asarray(q) * np.array([1.0, -1.0, -1.0, -1.0])
    return conjugate


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products of a (..., 3) and b (..., 3), broadcast: `numpy.cross` at a fraction of its cost."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    product = np.empty(np.broadcast_shapes(a.shape, b.shape))
    product[..., 0] = ay * bz - az * by
    product[..., 1] = az * bx - ax * bz
    product[..., 2] = ax * by - ay * bx
    return product


def rotate(q: FloatArray, v: FloatArray) -> FloatArray:
    """Vectors v (..., 3) turned by q (..., 4), broadcast: components in b become components in a."""
    q = np.asarray(q, dtype=np.float64)
    v = np.asarray(v, dtype=np.float64)
    u = q[..., 1:]
    t = 2.0 * cross(u, v)
    turned: FloatArray = v + q[..., :1] * t + cross(u, t)
    return turned


def exp(rotation_vector: FloatArray) -> FloatArray:
    """Quaternion (..., 4) of a rotation vector (..., 3) in rad."""
    half = 0.5 * np.asarray(rotation_vector, dtype=np.float64)
    angle = np.linalg.norm(half, axis=-1, keepdims=True)
    return np.concatenate((np.cos(angle), np.sinc(angle / np.pi) * half), axis=-1)


def log(q: FloatArray) -> FloatArray:
    """Rotation vector (..., 3) in rad, at most π long, of q (..., 4)."""
    q = np.asarray(q)
    q = np.where(q[..., :1] < 0.0, -q, q)
    sine = np.linalg.norm(q[..., 1:], axis=-1, keepdims=True)
    angle = 2.0 * np.arctan2(sine, q[..., :1])
    small = sine < 1e-12
    scale = np.where(small, 2.0, angle / np.where(small, 1.0, sine))
    vector: FloatArray = scale * q[..., 1:]
    return vector


def normalise(q: FloatArray) -> FloatArray:
    """q (..., 4) at unit length."""
    unit: FloatArray = q / np.linalg.norm(q, axis=-1, keepdims=True)
    return unit


def to_matrix(q: FloatArray) -> FloatArray:
    """Rotation matrices (..., 3, 3) whose columns are b's axes in frame a."""
    q = np.asarray(q)
    w, x, y, z = q[..., 0], q[..., 1], q[..., 2], q[..., 3]
    matrix = np.empty((*q.shape[:-1], 3, 3))
    matrix[..., 0, 0] = 1 - 2 * (y * y + z * z)
    matrix[..., 0, 1] = 2 * (x * y - w * z)
    matrix[..., 0, 2] = 2 * (x * z + w * y)
    matrix[..., 1, 0] = 2 * (x * y + w * z)
    matrix[..., 1, 1] = 1 - 2 * (x * x + z * z)
    matrix[..., 1, 2] = 2 * (y * z - w * x)
    matrix[..., 2, 0] = 2 * (x * z - w * y)
    matrix[..., 2, 1] = 2 * (y * z + w * x)
    matrix[..., 2, 2] = 1 - 2 * (x * x + y * y)
    return matrix


def from_matrix(matrix: FloatArray) -> FloatArray:
    """Quaternions (..., 4) of rotation matrices (..., 3, 3)."""
    m = np.asarray(matrix)
    xx, yy, zz = m[..., 0, 0], m[..., 1, 1], m[..., 2, 2]
    # Four candidates; the one with the largest square is free of cancellation.
    squares = np.stack((1 + xx + yy + zz, 1 + xx - yy - zz, 1 - xx + yy - zz, 1 - xx - yy + zz), axis=-1)
    wx, wy, wz = m[..., 2, 1] - m[..., 1, 2], m[..., 0, 2] - m[..., 2, 0], m[..., 1, 0] - m[..., 0, 1]
    xy, xz, yz = m[..., 0, 1] + m[..., 1, 0], m[..., 0, 2] + m[..., 2, 0], m[..., 1, 2] + m[..., 2, 1]
    candidates = np.stack(
        (
            np.stack((squares[..., 0], wx, wy, wz), axis=-1),
            np.stack((wx, squares[..., 1], xy, xz), axis=-1),
            np.stack((wy, xy, squares[..., 2], yz), axis=-1),
            np.stack((wz, xz, yz, squares[..., 3]), axis=-1),
        ),
        axis=-2,
    )
    best = np.argmax(squares, axis=-1)[..., None, None]
    return normalise(np.take_along_axis(candidates, best, axis=-2)[..., 0, :])


def cumulative_product(steps: FloatArray) -> FloatArray:
    """Running products s0, s0·s1, s0·s1·s2 … of (N, 4) or (..., N, 4) along the second last axis.

    A prefix scan (Hillis & Steele 1986, Comm. ACM 29:1170): log2(N) vectorised products instead of a Python loop.
    """
    # Components first, so that every operation runs over contiguous memory.
    w, x, y, z = (np.ascontiguousarray(part) for part in np.moveaxis(np.asarray(steps, dtype=np.float64), -1, 0))
    shift = 1
    while shift < w.shape[-1]:
        pw, px, py, pz = (part[..., :-shift] for part in (w, x, y, z))
        qw, qx, qy, qz = (part[..., shift:] for part in (w, x, y, z))
        tails = (
            pw * qw - px * qx - py * qy - pz * qz,
            pw * qx + px * qw + py * qz - pz * qy,
            pw * qy - px * qz + py * qw + pz * qx,
            pw * qz + px * qy - py * qx + pz * qw,
        )
        w, x, y, z = (np.concatenate((a[..., :shift], b), -1) for a, b in zip((w, x, y, z), tails, strict=True))
        shift *= 2
    return normalise(np.stack((w, x, y, z), axis=-1))


def slerp(q: FloatArray, time: FloatArray, at: FloatArray) -> FloatArray:
    """Orientations (M, 4) at times `at` (M,) between q (N, 4) at increasing times `time` (N,); ends are held."""
    index = np.clip(np.searchsorted(time, at, side="right") - 1, 0, max(len(time) - 2, 0))
    if len(time) == 1:
        return np.repeat(q[:1], len(at), axis=0)
    span = time[index + 1] - time[index]
    fraction = np.clip((at - time[index]) / span, 0.0, 1.0)
    step = log(multiply(inverse(q[index]), q[index + 1]))
    return multiply(q[index], exp(fraction[:, None] * step))


def angle_between(p: FloatArray, q: FloatArray) -> FloatArray:
    """Angle (...,) in rad of the rotation that takes p (..., 4) to q (..., 4), 0 to π."""
    angle: FloatArray = np.linalg.norm(log(multiply(inverse(p), q)), axis=-1)
    return angle
