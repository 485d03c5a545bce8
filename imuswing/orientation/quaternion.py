"""Unit quaternions as plain arrays, scalar first, (..., 4): the few operations that the pipeline needs, vectorised.

A quaternion `q_a_from_b` turns components in frame b into components in frame a, so chains check by eye:
`multiply(q_a_from_b, q_b_from_c)` is `q_a_from_c`. SciPy's `Rotation` does the same at ten times the cost; the tests
hold these functions against it.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
ComplexArray = npt.NDArray[np.complex128]

IDENTITY: FloatArray = np.array([1.0, 0.0, 0.0, 0.0])

BLOCK = 8
"""Steps a block in running products."""

TINY = 1e-12
"""rad; the sine of half such an angle is that angle, to the last digit."""

LONG, SMALL_SQUARE = 512, 0.01
"""Of so many rotation vectors or more, if no half of them is longer than 0.1 rad, sine and cosine come from a series:
in half the time, alike to the last digit."""


def multiply(p: FloatArray, q: FloatArray) -> FloatArray:
    """Hamilton product of p (..., 4) and q (..., 4), broadcast."""
    p, q = np.asarray(p), np.asarray(q)
    return _stacked(*_product(_components(p), _components(q)))


def _stacked(*parts: FloatArray) -> FloatArray:
    """Components (...,), all of one shape, as (..., K): `numpy.stack` at a fraction of its overhead.

    In memory each component lies by itself, so that the next operation, which takes component by component, finds
    neighbours next to each other: products of long arrays take half the time.
    """
    out = np.empty((len(parts), *parts[0].shape))
    for k, part in enumerate(parts):
        out[k] = part
    return out.transpose(*range(1, out.ndim), 0)


def inverse(q: FloatArray) -> FloatArray:
    """The conjugate of unit quaternions (..., 4)."""
    conjugate: FloatArray = np.asarray(q) * np.array([1.0, -1.0, -1.0, -1.0])
    return conjugate


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products of a (..., 3) and b (..., 3), broadcast: `numpy.cross` at a fraction of its cost."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return _stacked(ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx)


def length(v: FloatArray) -> FloatArray:
    """Lengths (...,) of v (..., 3): `numpy.linalg.norm` at a fraction of its cost, which is slow along a short axis."""
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Scalar products (...,) of a (..., 3) and b (..., 3), broadcast."""
    product: FloatArray = a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]
    return product


def rotate(q: FloatArray, v: FloatArray) -> FloatArray:
    """Vectors v (..., 3) turned by q (..., 4), broadcast: components in b become components in a."""
    q = np.asarray(q, dtype=np.float64)
    v = np.asarray(v, dtype=np.float64)
    w, x, y, z = q[..., 0], q[..., 1], q[..., 2], q[..., 3]
    a, b, c = v[..., 0], v[..., 1], v[..., 2]
    # v + w·t + u × t, with t = 2·(u × v) and u the vector part.
    ta, tb, tc = 2.0 * (y * c - z * b), 2.0 * (z * a - x * c), 2.0 * (x * b - y * a)
    return _stacked(a + w * ta + (y * tc - z * tb), b + w * tb + (z * ta - x * tc), c + w * tc + (x * tb - y * ta))


def exp(rotation_vector: FloatArray) -> FloatArray:
    """Quaternion (..., 4) of a rotation vector (..., 3) in rad."""
    half = 0.5 * np.asarray(rotation_vector, dtype=np.float64)
    x, y, z = half[..., 0], half[..., 1], half[..., 2]
    square = x * x + y * y + z * z
    if square.size >= LONG and float(square.max()) < SMALL_SQUARE:
        cosine, scale = _cosine_and_share(square)
    else:
        # sin(a)/a is 1 to the last digit long before the angle is as small as this.
        angle = np.maximum(np.sqrt(square), TINY)
        cosine, scale = np.cos(angle), np.sin(angle) / angle
    return _stacked(cosine, scale * x, scale * y, scale * z)


def _cosine_and_share(square: FloatArray) -> tuple[FloatArray, FloatArray]:
    """cos a and sin a / a from squares a² < `SMALL_SQUARE`, by their power series: the next terms are under 3e-17."""
    cosine, share = square * (1.0 / 40320.0), square * (1.0 / 362880.0)
    for near, off in ((-1.0 / 720.0, -1.0 / 5040.0), (1.0 / 24.0, 1.0 / 120.0), (-0.5, -1.0 / 6.0), (1.0, 1.0)):
        cosine += near
        share += off
        if near != 1.0:
            cosine *= square
            share *= square
    return cosine, share


def log(q: FloatArray) -> FloatArray:
    """Rotation vector (..., 3) in rad, at most π long, of q (..., 4)."""
    q = np.asarray(q)
    w, vector = q[..., 0], q[..., 1:]
    sine = length(vector)
    # q and −q are one rotation: the one with w ≥ 0 is meant.
    angle = 2.0 * np.arctan2(sine, np.abs(w))
    small = sine < 1e-12
    scale = np.where(small, 2.0, angle / np.where(small, 1.0, sine))
    scale = np.where(w < 0.0, -scale, scale)
    return _stacked(scale * vector[..., 0], scale * vector[..., 1], scale * vector[..., 2])


def normalise(q: FloatArray) -> FloatArray:
    """q (..., 4) at unit length."""
    w, x, y, z = q[..., 0], q[..., 1], q[..., 2], q[..., 3]
    scale = 1.0 / np.sqrt(w * w + x * x + y * y + z * z)
    unit: FloatArray = q * scale[..., None]
    return unit


def to_matrix(q: FloatArray) -> FloatArray:
    """Rotation matrices (..., 3, 3) whose columns are b's axes in frame a."""
    q = np.asarray(q)
    w, x, y, z = q[..., 0], q[..., 1], q[..., 2], q[..., 3]
    x2, y2, z2 = x + x, y + y, z + z
    xx, yy, zz, xy, xz, yz = x * x2, y * y2, z * z2, x * y2, x * z2, y * z2
    wx, wy, wz = w * x2, w * y2, w * z2
    rows = _stacked(
        1.0 - (yy + zz), xy - wz, xz + wy, xy + wz, 1.0 - (xx + zz), yz - wx, xz - wy, yz + wx, 1.0 - (xx + yy)
    )
    return rows.reshape(*q.shape[:-1], 3, 3)


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

    In blocks, all at once: products within each block one after the other, then those of whole blocks by the same
    way, then each block from where the one before ended (Blelloch 1990, Prefix sums and their applications,
    CMU-CS-90-190, section 1.3): three vectorised products a sample instead of a Python loop. A quaternion is taken as
    two complex numbers, (w + xi) + (y + zi)j, whose product needs a quarter of the calls.
    """
    steps = np.asarray(steps, dtype=np.float64)
    pairs = np.empty((2, *steps.shape[:-1]), np.complex128)
    for k in range(2):
        pairs[k].real, pairs[k].imag = steps[..., 2 * k], steps[..., 2 * k + 1]
    product = _running_products(pairs)
    return normalise(_stacked(product[0].real, product[0].imag, product[1].real, product[1].imag))


def _running_products(pairs: ComplexArray) -> ComplexArray:
    """`cumulative_product` of (2, ..., N), not normalised."""
    lead, count = pairs.shape[1:-1], pairs.shape[-1]
    if count <= 1:
        return pairs
    size = min(BLOCK, count)
    blocks = -(-count // size)
    padded = np.zeros((2, *lead, blocks * size), np.complex128)
    padded[0, ..., count:] = 1.0
    padded[..., :count] = pairs
    # (2, size, ..., blocks): what is done to all blocks at once lies side by side in memory.
    inner = np.ascontiguousarray(np.moveaxis(padded.reshape(2, *lead, blocks, size), -1, 1))
    aside = _times_j(inner)
    for k in range(1, size):
        inner[:, k] *= inner[0, k - 1]
        aside[:, k] *= inner[1, k - 1]
        inner[:, k] += aside[:, k]
    if blocks > 1:
        ends = _running_products(inner[:, -1])[..., :-1]
        later = inner[..., 1:]
        aside = _times_j(later)
        aside *= ends[1]
        later *= ends[0]
        later += aside
    return np.moveaxis(inner, 1, -1).reshape(2, *lead, blocks * size)[..., :count]


def _times_j(pairs: ComplexArray) -> ComplexArray:
    """j·q of pairs (2, ...): (a + bj)·q is a·q + b·(j·q)."""
    turned = np.empty_like(pairs)
    np.negative(np.conj(pairs[1]), out=turned[0])
    np.conj(pairs[0], out=turned[1])
    return turned


def _components(q: FloatArray) -> tuple[FloatArray, ...]:
    return q[..., 0], q[..., 1], q[..., 2], q[..., 3]


def _product(p: Iterable[FloatArray], q: Iterable[FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """`multiply` of p (4, ...) and q (4, ...), component by component."""
    pw, px, py, pz = p
    qw, qx, qy, qz = q
    return (
        pw * qw - px * qx - py * qy - pz * qz,
        pw * qx + px * qw + py * qz - pz * qy,
        pw * qy - px * qz + py * qw + pz * qx,
        pw * qz + px * qy - py * qx + pz * qw,
    )


def slerp(q: FloatArray, time: FloatArray, at: FloatArray) -> FloatArray:
    """Orientations (M, 4) at times `at` (M,) between q (N, 4) at increasing times `time` (N,); ends are held."""
    if len(time) == 1:
        return np.repeat(q[:1], len(at), axis=0)
    index, fraction = bracket(time, at)
    return between(q[index], q[index + 1], fraction)


def bracket(time: FloatArray, at: FloatArray) -> tuple[IntArray, FloatArray]:
    """Where times `at` (...,) lie in increasing `time` (N,), N ≥ 2: sample before, and share of the way to the next."""
    index = np.minimum(np.maximum(np.searchsorted(time, at, side="right") - 1, 0), len(time) - 2)
    before = time[index]
    fraction = (at - before) / (time[index + 1] - before)
    return index, np.minimum(np.maximum(fraction, 0.0), 1.0)


def between(p: FloatArray, q: FloatArray, fraction: FloatArray) -> FloatArray:
    """Orientations (..., 4) at a share (...,) of the way from p (..., 4) to q (..., 4), the shorter way (Shoemake 1985,
    Comput Graph 19:245)."""
    pw, px, py, pz = _components(p)
    qw, qx, qy, qz = _components(q)
    same = np.where(pw * qw + px * qx + py * qy + pz * qz < 0.0, -1.0, 1.0)
    dw, dx, dy, dz = same * qw - pw, same * qx - px, same * qy - py, same * qz - pz
    # The angle between them from the chord, which is exact for small angles.
    angle = np.maximum(2.0 * np.arcsin(np.minimum(0.5 * np.sqrt(dw * dw + dx * dx + dy * dy + dz * dz), 1.0)), TINY)
    scale = 1.0 / np.sin(angle)
    of_q = np.sin(fraction * angle) * scale
    of_p = np.sin((1.0 - fraction) * angle) * scale
    of_q = of_q * same
    return _stacked(of_p * pw + of_q * qw, of_p * px + of_q * qx, of_p * py + of_q * qy, of_p * pz + of_q * qz)


def angle_between(p: FloatArray, q: FloatArray) -> FloatArray:
    """Angle (...,) in rad of the rotation that takes p (..., 4) to q (..., 4), 0 to π."""
    angle: FloatArray = np.linalg.norm(log(multiply(inverse(p), q)), axis=-1)
    return angle
