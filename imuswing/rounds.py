"""A calibration routine that is repeated: each time it serves the swings after it.

A strap that slipped is put on anew, and the routine done again, within one recording. The swings before rest on how the
sensors sat until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from imuswing.body.calibrate import FITS_DEG
from imuswing.parts import Part
from imuswing.recording.model import Event
from imuswing.routine import Routine, worst_misfit
from imuswing.settings import Settings

PAUSE_S = 60.0
"""A step that is done again after so long without any step begins a new round; sooner, it puts the first try right
(common practice, no source: a routine lasts a minute or two)."""


@dataclass(frozen=True, kw_only=True)
class Round:
    """The routine that serves the swings whose arm comes back within a span of time."""

    span: Part
    routine: Routine


def rounds_of(routine: Routine, settings: Settings) -> list[Round]:
    """The rounds of a routine in time order; the first serves what is before it as well.

    A step that a round lacks is taken from the one before it, else from one after it, where all fit each other. Of an
    earlier recording's routine the last round counts, as it is there.
    """
    groups = groups_of(routine.steps)
    if len(groups) < 2 or not routine.here:
        return [Round(span=Part(), routine=routine)]
    edges = [-np.inf, *(group[0].onset for group in groups[1:]), np.inf]
    found: list[Round] = []
    for k, (begin, end) in enumerate(pairwise(edges)):
        steps = {step.trial_type: step for step in groups[k]}
        for group in (*reversed(groups[:k]), *groups[k + 1 :]):
            steps = {**{step.trial_type: step for step in group}, **steps}
        filled = sorted(steps.values(), key=lambda step: step.onset)
        apart = worst_misfit(routine.motions, filled, routine.lead_side, settings)
        own = groups[k] if apart > np.radians(FITS_DEG) else filled
        found.append(Round(span=Part(begin=begin, end=end), routine=replace(routine, steps=own)))
    return found


def groups_of(steps: Sequence[Event]) -> list[list[Event]]:
    """The steps of each round."""
    groups: list[list[Event]] = []
    end = -np.inf
    for step in sorted(steps, key=lambda step: step.onset):
        known = {other.trial_type for group in groups for other in group}
        if not groups or (step.onset - end > PAUSE_S and step.trial_type in known):
            groups.append([])
        groups[-1].append(step)
        end = max(end, step.end)
    return groups
