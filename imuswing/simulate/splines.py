"""Motion as uniform quintic B-splines: four times differentiable, with exact derivatives everywhere.

The simulator writes each coordinate of the body as values on an even grid and takes these values as the spline's
coefficients. The spline *is* then the motion: nothing is fitted, and its first and second derivatives are exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray

_TAPS = 6


def _basis() -> FloatArray:
    """Coefficients (tap, power) of the six pieces of the cardinal quintic B-spline (de Boor's recurrence)."""
    pieces = np.zeros((1, 1))
    pieces[0, 0] = 1.0
    for degree in range(1, _TAPS):
        grown = np.zeros((degree + 1, degree + 1))
        for tap in range(degree + 1):
            # Tap `tap` weighs the coefficient `tap - degree // 2` steps away; u in [0, 1) is the place in the interval.
            if tap < degree:
                falling = pieces[tap]
                grown[tap, :degree] += falling * (tap + 1) / degree
                grown[tap, 1 : degree + 1] -= falling / degree
            if tap > 0:
                rising = pieces[tap - 1]
                grown[tap, :degree] += rising * (degree - tap) / degree
                grown[tap, 1 : degree + 1] += rising / degree
        pieces = grown
    return pieces


_BASIS: FloatArray = _basis()


@dataclass(frozen=True, kw_only=True)
class UniformSpline:
    """Several quintic splines on one even grid.

    start: time of the first coefficient's node, s.  step: s between nodes.  coefficients: (C, K).
    """

    start: float
    step: float
    coefficients: FloatArray

    def evaluate(self, time: FloatArray, *, derivatives: int = 2) -> tuple[FloatArray, ...]:
        """Values and derivatives, each (C, N), at times (N,) in s; beyond the ends the last value is held."""
        count = self.coefficients.shape[1]
        place = np.clip((time - self.start) / self.step, 2.0, count - 4.0)
        index = np.minimum(place.astype(np.intp), count - 4)
        u = place - index
        results = []
        powers = [np.ones_like(u)]
        for _ in range(_TAPS - 1):
            powers.append(powers[-1] * u)
        table = _BASIS
        for order in range(derivatives + 1):
            value = np.zeros((self.coefficients.shape[0], len(time)))
            for tap in range(_TAPS):
                weight = sum(table[tap, power] * powers[power] for power in range(table.shape[1]))
                value += (weight / self.step**order) * self.coefficients[:, index + (tap - 2)]
            results.append(value)
            table = table[:, 1:] * np.arange(1, table.shape[1])
        return tuple(results)
