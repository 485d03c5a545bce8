"""An interrupted recording that goes on: what its journal holds, fed again, and its swings under their numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from imuswing.live.learn import steps_marked
from imuswing.live.model import TIME_COLUMN, Arrival, Chunk
from imuswing.live.state import State
from imuswing.recording.model import FloatArray
from imuswing.swings.corrections import NO_SWING
from imuswing.vocabulary import CORRECTION

FEED_S = 0.25
"""An interrupted recording is taken up again in pieces of this length."""
SAME_SHOT_S = 0.15
"""A shot is placed nearer than this to where it was told before (common practice, no source)."""
FED_S = 60.0
"""So much of the newest samples is fed: sensors wait to be heard meanwhile, and computing this takes some seconds."""
OPENING_S = 120.0
"""And so much of the beginning, where no step of the routine is marked."""


def opening_end(state: State) -> float:
    """Until when the routine lasts."""
    ends = [event.end for event in steps_marked(state.events)]
    return max(ends) + 10.0 if ends else OPENING_S


def fed(rows: Mapping[str, FloatArray], delays: Mapping[str, float], *, opening_s: float) -> list[Arrival]:
    """Rows of a journal as arrivals: the beginning, where the routine stands, and the newest minute."""
    at = {name: held[:, TIME_COLUMN] + delays.get(name, 0.0) for name, held in rows.items()}
    ends = [float(times[-1]) for times in at.values() if len(times)]
    if not ends:
        return []
    newest = max(ends)
    arrivals = []
    for now in np.arange(min(float(t[0]) for t in at.values() if len(t)), newest + FEED_S, FEED_S):
        if opening_s < now < newest - FED_S:
            continue
        chunks = []
        for name, times in at.items():
            first, until = np.searchsorted(times, [now - FEED_S, now], side="right")
            if until > first:
                arrival = float(times[until - 1])
                chunks.append(Chunk(system=name, rows=rows[name][first:until], arrival=arrival))
        arrivals.append(Arrival(now=float(now), chunks=tuple(chunks)))
    return arrivals


def delays_of(entries: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """By system, arrival minus own time, as it was when the log first had it."""
    found: dict[str, float] = {}
    for entry in entries:
        found = {**entry.get("delays", {}), **found}
    return found


def told_at(entries: Sequence[Mapping[str, Any]]) -> dict[int, float]:
    """By number, the impact in s of each swing that was told, as it was told last."""
    return {entry["shown"]["number"]: entry["shown"]["impact_s"] for entry in entries if "shown" in entry}


def renumbered(state: State, told: Mapping[int, float]) -> tuple[State, tuple[int, ...]]:
    """The state after feeding, its swings under the numbers that they were told by, and the numbers of those that
    nobody was told of: they came just before the end. What the coach has taken out stays out."""
    denied = [event.onset for event in state.events if event.trial_type == CORRECTION and event.note == NO_SWING]
    number, last = max(told, default=0), max(told.values(), default=-np.inf)
    numbers: dict[int, int] = {}
    untold = []
    for fed_as, shot in sorted(state.shots.items()):
        if any(abs(shot.impact_s - onset) < SAME_SHOT_S for onset in denied):
            continue
        same = min(told, key=lambda known: abs(told[known] - shot.impact_s), default=None)
        if same is not None and abs(told[same] - shot.impact_s) < SAME_SHOT_S and same not in numbers.values():
            numbers[fed_as] = same
        elif shot.impact_s > last:
            number += 1
            numbers[fed_as] = number
            untold.append(number)
    shots = {new: replace(state.shots[old], number=new) for old, new in numbers.items()}
    pending = tuple(
        one if one.number is None else replace(one, number=numbers[one.number])
        for one in state.pending
        if one.number is None or one.number in numbers
    )
    return replace(state, shots=shots, pending=pending, number=number), tuple(untold)
