"""A lesson while it is written: the timeline, its swings, its events, and shocks that sensors will feel."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from imuswing.recording.model import Event
from imuswing.simulate.timeline import Timeline
from imuswing.simulate.truth import Mark


@dataclass(frozen=True, kw_only=True)
class Shock:
    """A knock on the body or a club on a ball or turf.

    time: s on the timeline.  size: peak at the hand, m/s², or at the knocked sensor.  frequency: Hz.  decay_s: s.
    at: `hand` (it dies away along the arm), `foot` (it dies away upwards; size at the pelvis), `all` (every sensor as
    much), or one tracked point.
    """

    time: float
    size: float
    frequency: float
    decay_s: float
    at: str = "hand"


@dataclass(kw_only=True)
class Score:
    """Times are s on the timeline.

    steps: calibration steps: which, from when, until when, exactly.  care: the person's errors in them, by name, rad.
    others: likewise movements that are no swings.
    """

    timeline: Timeline
    marks: list[Mark] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    shocks: list[Shock] = field(default_factory=list)
    steps: list[tuple[str, float, float]] = field(default_factory=list)
    care: dict[str, Any] = field(default_factory=dict)
    others: list[tuple[str, float, float]] = field(default_factory=list)
