"""Rigid-body kinematics of the chain in closed form: orientation, angular velocity and specific force of each segment.

Vectors are kept component first, (3, N), because every joint turns about one coordinate axis and so mixes two
components only. For a rotation by θ about the axis e, with R its matrix:

    ω' = Rᵀω + e·θ̇        α' = Rᵀα − θ̇·e × (Rᵀω) + e·θ̈        f' = Rᵀf

and from one point of a body to another at r: f + α × r + ω × (ω × r) + 2·ω × ṙ + r̈ (textbook; from memory). `f` is the
specific force, acceleration minus gravity, which is what an accelerometer feels. Differentiation is exact throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray, multiply
from imuswing.simulate.anatomy import CHAIN, HEADING, INDEX, MIRROR, ROOT, SEGMENTS, Anatomy
from imuswing.simulate.splines import UniformSpline
from imuswing.vocabulary import CHEST, PELVIS, STANDARD_GRAVITY, LeadSide

_EARTH_FROM_ROOT: FloatArray = np.array([np.sqrt(0.5), np.sqrt(0.5), 0.0, 0.0])
"""Turns the root frame's Y (up) into the earth's Z."""

CHUNK = 8192
"""Samples handled together, so that the intermediate arrays stay in the processor's cache."""


@dataclass(kw_only=True)
class State:
    """A frame in motion: omega, alpha, force (3, N) in its own axes; q (4, N) root from frame, None where not asked."""

    omega: FloatArray
    alpha: FloatArray
    force: FloatArray
    q: FloatArray | None

    def turned(self, axis: int, angle: FloatArray, rate: FloatArray, acceleration: FloatArray) -> State:
        """The frame after one more rotation by `angle` (N,) about coordinate axis `axis`."""
        a, b = (axis + 1) % 3, (axis + 2) % 3
        cos, sin = np.cos(angle), np.sin(angle)
        omega, alpha, force = (_turn(vector, axis, a, b, cos, sin) for vector in (self.omega, self.alpha, self.force))
        alpha[a] += rate * omega[b]
        alpha[b] -= rate * omega[a]
        alpha[axis] += acceleration
        omega[axis] += rate
        q = None if self.q is None else _turn_quaternion(self.q, axis, a, b, angle)
        return State(omega=omega, alpha=alpha, force=force, q=q)

    def moved(
        self, place: FloatArray, velocity: FloatArray | None = None, acceleration: FloatArray | None = None
    ) -> State:
        """The same frame at another point of the body: place (3,) or (3, N), with its motion inside the body."""
        place = place[:, None] if place.ndim == 1 else place
        force = self.force + _cross(self.alpha, place) + _cross(self.omega, _cross(self.omega, place))
        if velocity is not None and acceleration is not None:
            force += 2.0 * _cross(self.omega, velocity) + acceleration
        return State(omega=self.omega, alpha=self.alpha, force=force, q=self.q)


def _turn(v: FloatArray, axis: int, a: int, b: int, cos: FloatArray, sin: FloatArray) -> FloatArray:
    out = np.empty_like(v)
    out[axis] = v[axis]
    out[a] = cos * v[a] + sin * v[b]
    out[b] = cos * v[b] - sin * v[a]
    return out


def _turn_quaternion(q: FloatArray, axis: int, a: int, b: int, angle: FloatArray) -> FloatArray:
    """q ⊗ (cos θ/2, e·sin θ/2), scalar first."""
    cos, sin = np.cos(0.5 * angle), np.sin(0.5 * angle)
    out = np.empty_like(q)
    out[0] = cos * q[0] - sin * q[1 + axis]
    out[1 + axis] = cos * q[1 + axis] + sin * q[0]
    out[1 + a] = cos * q[1 + a] + sin * q[1 + b]
    out[1 + b] = cos * q[1 + b] - sin * q[1 + a]
    return out


def _cross(u: FloatArray, v: FloatArray) -> FloatArray:
    return np.stack((u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]))


@dataclass(frozen=True, kw_only=True)
class SegmentMotion:
    """Truth of one segment at N times: q_earth_from_segment (N, 4), omega (N, 3) rad/s, force (N, 3) m/s².

    omega and force (specific force at the proximal joint, or at the sensor) are in the segment's own axes.
    """

    q: FloatArray
    omega: FloatArray
    alpha: FloatArray
    force: FloatArray


@dataclass(frozen=True, kw_only=True)
class Body:
    """A body in motion.

    motion: the coordinates of `anatomy.COORDINATES`, for a golfer who leads with the left side.
    """

    motion: UniformSpline
    anatomy: Anatomy
    lead_side: LeadSide

    def place(self, offset: FloatArray) -> FloatArray:
        """An offset in segment axes on this side of the body."""
        return offset if self.lead_side == "left" else offset * MIRROR

    def sign(self, axis: int) -> float:
        """Factor of a rotation about a segment axis on this side of the body."""
        return 1.0 if self.lead_side == "left" or axis == 2 else -1.0

    def _turn(self, state: State, values: tuple[FloatArray, ...], turns: tuple[tuple[str, int, float], ...]) -> State:
        for name, axis, sign in turns:
            factor = sign * self.sign(axis)
            row = INDEX[name]
            state = state.turned(axis, factor * values[0][row], factor * values[1][row], factor * values[2][row])
        return state

    def _chunk(self, time: FloatArray, last: str, *, orientation: bool) -> dict[str, State]:
        values = self.motion.evaluate(time)
        count = len(time)
        force = np.array([values[2][INDEX[name]] for name in ROOT])
        force *= MIRROR[:, None] if self.lead_side == "right" else 1.0
        force[1] += STANDARD_GRAVITY
        q = np.concatenate((np.ones((1, count)), np.zeros((3, count)))) if orientation else None
        root = State(omega=np.zeros((3, count)), alpha=np.zeros((3, count)), force=force, q=q)
        stance = self._turn(root, values, HEADING)
        states = {PELVIS: self._turn(stance, values, CHAIN[PELVIS])}
        if last == PELVIS:
            return states
        lumbar = states[PELVIS].moved(self.place(self.anatomy.lumbar))
        carried = lumbar.force
        for name, axis, sign in reversed(CHAIN[PELVIS]):
            angle = -sign * self.sign(axis) * values[0][INDEX[name]]
            carried = _turn(carried, axis, (axis + 1) % 3, (axis + 2) % 3, np.cos(angle), np.sin(angle))
        state = State(omega=stance.omega, alpha=stance.alpha, force=carried, q=stance.q)
        for segment in SEGMENTS[1 : SEGMENTS.index(last) + 1]:
            if segment != CHEST:
                state = state.moved(self.place(self.anatomy.proximal[SEGMENTS[SEGMENTS.index(segment) - 1]]))
            state = self._turn(state, values, CHAIN[segment])
            states[segment] = state
        return states

    def segments(self, time: FloatArray, *wanted: str) -> dict[str, SegmentMotion]:
        """Motion of the wanted segments at times (N,) in s, the specific force at their proximal joints."""
        last = max(wanted, key=SEGMENTS.index)
        chunks: dict[str, list[State]] = {segment: [] for segment in wanted}
        for start in range(0, len(time), CHUNK):
            states = self._chunk(time[start : start + CHUNK], last, orientation=True)
            for segment in wanted:
                chunks[segment].append(states[segment])
        return {segment: join(parts) for segment, parts in chunks.items()}

    def states(self, time: FloatArray, segment: str, *, orientation: bool) -> State:
        """State of one segment at times (N,): at most `CHUNK` of them, for callers that go on along the chain."""
        return self._chunk(time, segment, orientation=orientation)[segment]


def join(parts: list[State]) -> SegmentMotion:
    """Chunks of states as one motion, in earth orientation, with components last."""
    q = np.concatenate([part.q for part in parts if part.q is not None], axis=1).T
    omega, alpha, force = (
        np.concatenate([getattr(part, name) for part in parts], axis=1).T for name in ("omega", "alpha", "force")
    )
    return SegmentMotion(q=multiply(_EARTH_FROM_ROOT, q), omega=omega, alpha=alpha, force=force)
