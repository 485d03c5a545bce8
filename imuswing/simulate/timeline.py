"""A score of movements: poses joined by smooth transitions, dense passages, and layers added on top."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.anatomy import COORDINATES, INDEX
from imuswing.simulate.splines import UniformSpline

STEP_S: Final = 0.01
"""Step of the grid on which movements are written, s."""

SMOOTHING_S: Final = 0.010
"""Standard deviation of the Gaussian that rounds the corners of what was written, s (an assumption: limb motion holds
little above 15 Hz)."""

Pose = Mapping[str, float]


def smooth_step(s: FloatArray) -> FloatArray:
    """Rises from 0 to 1 over s in [0, 1] with three continuous derivatives at both ends."""
    s = np.clip(s, 0.0, 1.0)
    return s**4 * (35.0 - 84.0 * s + 70.0 * s**2 - 20.0 * s**3)


class Timeline:
    """Collects the coordinates of the whole body on an even grid, passage by passage, from `pose` on."""

    def __init__(self, pose: Pose) -> None:
        self._pose = np.array([pose[name] for name in COORDINATES])
        self._parts: list[FloatArray] = []
        self._layers: list[tuple[str, int, FloatArray]] = []
        self._count = 0

    @property
    def now(self) -> float:
        """Time reached so far, s."""
        return self._count * STEP_S

    @property
    def pose(self) -> dict[str, float]:
        """The pose reached so far."""
        return dict(zip(COORDINATES, self._pose.tolist(), strict=True))

    def _append(self, dense: FloatArray) -> None:
        if dense.shape[1]:
            self._parts.append(dense)
            self._count += dense.shape[1]
            self._pose = dense[:, -1].copy()

    def hold(self, duration: float) -> None:
        """Keep the pose for `duration` s."""
        self._append(np.repeat(self._pose[:, None], max(round(duration / STEP_S), 0), axis=1))

    def move(self, target: Pose, duration: float) -> None:
        """Go to the target's coordinates (others stay) within `duration` s, smoothly; other entries are not used."""
        count = max(round(duration / STEP_S), 1)
        goal = self._pose.copy()
        for name, value in target.items():
            if name in INDEX:
                goal[INDEX[name]] = value
        share = smooth_step(np.arange(1, count + 1) / count)
        self._append(self._pose[:, None] + (goal - self._pose)[:, None] * share)

    def passage(self, dense: Mapping[str, FloatArray]) -> None:
        """Write coordinates (n,) each on the grid from now on; others stay."""
        count = len(next(iter(dense.values())))
        block = np.repeat(self._pose[:, None], count, axis=1)
        for name, values in dense.items():
            block[INDEX[name]] = values
        self._append(block)

    def add_layer(self, name: str, start: float, values: FloatArray) -> None:
        """Add values (n,) on the grid to coordinate `name` from time `start` s on, on top of what is written there."""
        self._layers.append((name, round(start / STEP_S), values))

    def finish(self) -> UniformSpline:
        """The whole motion as one spline, corners rounded."""
        from scipy.ndimage import gaussian_filter1d

        dense = np.concatenate(self._parts, axis=1)
        dense = gaussian_filter1d(dense, SMOOTHING_S / STEP_S, axis=1, mode="nearest")
        for name, start, values in self._layers:
            first, last = max(start, 0), min(start + len(values), dense.shape[1])
            dense[INDEX[name], first:last] += values[first - start : last - start]
        return UniformSpline(start=0.0, step=STEP_S, coefficients=np.ascontiguousarray(dense))
