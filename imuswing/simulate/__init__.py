"""Simulated lessons with their truth: a chain of segments, sensors with errors, an imperfect routine.

`simulate_recording` makes one recording in memory, `simulate_dataset` a dataset on disk with truth beside it.
"""

from imuswing.simulate.dataset import simulate_dataset
from imuswing.simulate.lesson import Truth, simulate_recording
from imuswing.simulate.presets import ErrorSizes, errors_of

__all__ = ["ErrorSizes", "Truth", "errors_of", "simulate_dataset", "simulate_recording"]
