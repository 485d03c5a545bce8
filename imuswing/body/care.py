"""How carefully this person did the routine, as far as its redundant steps show it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from imuswing.body.alignment import Alignment

EXPECTED_FREEDOM = 3
EXPECTED_SCALE = 0.75
"""What is known of people's care beforehand: degrees of freedom, and the squared scale around which it lies. So the
median person is as careless as `CarePriors` say, and 95 of 100 are between 0.5 and 3.2 times so. An assumption: no
study of how people differ in these steps was found. (With 4 and 1, standard errors after careful routines of the
simulator were up to a tenth larger, those after careless ones alike.)"""


def with_own_care(alignments: Mapping[str, Alignment]) -> dict[str, Alignment]:
    """Alignments of one routine with covariances as large as its steps disagree, (3, 3) rad² each.

    The steps' errors are taken to share one unknown scale: who bows aside lays the hand down aslant. With a scaled
    inverse chi-squared prior of ν₀ degrees of freedom around s₀², and a sum of squares χ² with ν degrees of freedom,
    the squared scale is (ν₀ s₀² + χ²) / (ν₀ + ν), and an error follows Student's t with ν₀ + ν (Gelman et al. 2013,
    Bayesian Data Analysis, 3rd ed., section 3.2, from memory). The covariance is the normal one whose 95 % are the
    same.
    """
    misfit = sum(fitted.misfit for fitted in alignments.values())
    freedom = EXPECTED_FREEDOM + sum(fitted.freedom for fitted in alignments.values())
    wider = student_95(freedom) / 1.96
    scale = (EXPECTED_FREEDOM * EXPECTED_SCALE + misfit) / freedom * wider**2
    return {
        point: replace(fitted, covariance=np.asarray(scale * fitted.covariance)) for point, fitted in alignments.items()
    }


@lru_cache(maxsize=64)
def student_95(freedom: int) -> float:
    """How far to either side 95 % of Student's t with `freedom` degrees, 1 or more, lie.

    By halving; SciPy's own would cost a fifth of a second of import at the start of every analysis.
    """
    low, high = 0.0, 0.5 * math.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _within(middle, freedom) < 0.95 else (low, middle)
    return math.sqrt(freedom) * math.tan(low)


def _within(angle: float, freedom: int) -> float:
    """Probability that Student's t is no larger, of either sign, than √freedom · tan(angle) (Abramowitz & Stegun 1964,
    Handbook of Mathematical Functions, 26.7.3 and 26.7.4)."""
    odd = freedom % 2
    sine, cosine = math.sin(angle), math.cos(angle)
    total, term = 0.0, cosine if odd else 1.0
    for power in range(odd, freedom - 1, 2):
        total += term
        term *= cosine * cosine * (power + 1) / (power + 2)
    return 2.0 / math.pi * (angle + sine * total) if odd else sine * total
