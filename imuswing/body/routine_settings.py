"""What the steps of the calibration routine look like where nobody marked them: sizes, durations, limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class Shape:
    """What a repeated movement looks like; angles in rad (common practice, no source).

    halves: least number of half-movements.  sweep: of the median half-movement.  half_s: its duration.
    pause_s: most between two half-movements.
    """

    halves: int
    sweep: tuple[float, float]
    half_s: tuple[float, float]
    pause_s: float


@dataclass(frozen=True, kw_only=True)
class RoutineSettings:
    """How the routine is looked for (common practice, no source; checked on simulated lessons).

    window_s, hop_s: in which turning is looked at.  windows: that follow one another.
    share: of the turning that is about one axis.  least_rate: rad/s.
    net: share of the turning that may be left over.  level: sine of the angle between axis and horizontal.
    even: of the half-movements' sweeps over the typical one; what is less is no half-movement.
    quiet: rate of the forearm over the hand's while the wrist bends.  with_it: of the hand over the forearm's in a
    roll, of which the forearm's skin takes only part.  chest_quiet: rad/s of the chest meanwhile.  upright: how well
    bows come back.  still_rate: rad/s over half a second.  still_s: least length of a posture.
    sway: rad about its mean.  near_s: a posture of the routine stands no farther from a movement of it.
    hanging, hand_hanging, palm_down: how far gravity may be from where the movements say, rad.
    middle: the same of a roll's start from its middle: half the way from thumb up to palm down.
    """

    bow: Shape = Shape(halves=5, sweep=(_rad(15.0), _rad(80.0)), half_s=(0.6, 3.5), pause_s=2.0)
    roll: Shape = Shape(halves=7, sweep=(_rad(50.0), _rad(175.0)), half_s=(0.25, 2.5), pause_s=1.2)
    bend: Shape = Shape(halves=7, sweep=(_rad(30.0), _rad(170.0)), half_s=(0.25, 2.5), pause_s=1.2)
    window_s: float = 5.0
    hop_s: float = 0.5
    windows: int = 5
    share: float = 0.8
    least_rate: float = _rad(10.0)
    net: float = 0.4
    level: float = 0.4
    even: tuple[float, float] = (0.3, 2.5)
    quiet: float = 0.3
    with_it: tuple[float, float] = (0.7, 2.0)
    chest_quiet: float = _rad(12.0)
    upright: float = _rad(15.0)
    still_rate: float = _rad(10.0)
    still_s: float = 2.5
    sway: float = _rad(8.0)
    near_s: float = 30.0
    hanging: float = _rad(20.0)
    hand_hanging: float = _rad(30.0)
    palm_down: float = _rad(30.0)
    middle: float = _rad(45.0)


DEFAULT_SETTINGS = RoutineSettings()
