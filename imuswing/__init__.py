"""Wearable inertial sensors to golf-swing measures, each with its standard error.

import imuswing
recording = imuswing.read("…_motion.tsv")
lesson = imuswing.analyze(recording)
lesson.swings, lesson.curves
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["Recording", "__version__", "analyze", "read", "read_all"]

if TYPE_CHECKING:
    from imuswing.lesson import analyze
    from imuswing.recording.model import Recording
    from imuswing.recording.read import read, read_all


def __getattr__(name: str) -> Any:
    """Load the heavy parts only when they are asked for, so that the command line starts at once."""
    if name in ("read", "read_all"):
        from imuswing.recording import read as module

        return getattr(module, name)
    if name == "Recording":
        from imuswing.recording.model import Recording

        return Recording
    if name == "analyze":
        from imuswing.lesson import analyze

        return analyze
    raise AttributeError(f"module 'imuswing' has no attribute {name!r}")
