"""Puts this folder on the path, so that tests of every kind can import the builders that stand here.

Numeric libraries keep to one thread, as `scripts/test` has it: sums in another order round differently, and of a lesson
without errors a verdict may hang on that.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(name, "1")
