"""Shot or practice swing: was a ball struck?

The shock against the same swing's own smooth motion tells most of it; where the coach noted shots, a note after the
swing counts too. The limit between shock and none is looked for in the session itself, since it depends on sensor,
strap, ball and sampling rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray


@dataclass(frozen=True, kw_only=True)
class KindSettings:
    """Evidence in natural-log odds; limits as shock ratios (common practice, no source).

    limit: default ratio between shot and practice; lowest, highest: how far the session may move it.
    least_gap: in log ratio, the bare stretch on the scale that a limit may be moved into.
    per_log: odds per unit of log ratio.  noted, unnoted: odds of a coach's note and of its absence where notes are kept.
    note_before_s, note_after_s: a note comes this long after impact at most, or slightly before by slip.
    """

    limit: float = 4.0
    lowest: float = 2.5
    highest: float = 12.0
    least_gap: float = 0.5
    least_for_split: int = 6
    per_log: float = 3.0
    cap: float = 5.0
    noted: float = 3.0
    unnoted: float = -1.5
    note_after_s: float = 8.0
    note_before_s: float = 0.5


def shot_log_odds(
    ratios: FloatArray, impacts: FloatArray, notes: Sequence[float], *, settings: KindSettings
) -> FloatArray:
    """Log odds (K,) that each swing struck a ball.

    ratios: (K,) its clearest shock ratio.  impacts: (K,) s, in order.  notes: onsets (s) of the coach's shot notes.
    """
    if not len(ratios):
        return np.zeros(0)
    level = np.log(np.maximum(ratios, 1e-3))
    limit = _split(level, settings)
    odds = np.clip(settings.per_log * (level - limit), -settings.cap, settings.cap)
    if len(notes):
        noted = match_notes(impacts, notes, settings=settings) >= 0
        odds = odds + np.where(noted, settings.noted, settings.unnoted)
    return odds


def match_notes(impacts: FloatArray, notes: Sequence[float], *, settings: KindSettings) -> np.ndarray:
    """For each swing (K,), the index of the coach's note on it, or −1: each note goes to the last swing before it."""
    matched = np.full(len(impacts), -1)
    for index, onset in enumerate(notes):
        before = np.flatnonzero(
            (impacts <= onset + settings.note_before_s) & (impacts >= onset - settings.note_after_s)
        )
        if len(before):
            matched[before[-1]] = index
    return matched


def _split(level: FloatArray, settings: KindSettings) -> float:
    """Log ratio that parts the session's swings in two: the middle of the widest bare stretch near the default."""
    default = float(np.log(settings.limit))
    if len(level) < settings.least_for_split:
        return default
    ordered = np.sort(level)
    low, high = np.log(settings.lowest), np.log(settings.highest)
    middles, gaps = 0.5 * (ordered[1:] + ordered[:-1]), np.diff(ordered)
    gaps = np.where((middles >= low) & (middles <= high), gaps, 0.0)
    widest = int(np.argmax(gaps))
    return float(middles[widest]) if gaps[widest] >= settings.least_gap else default
