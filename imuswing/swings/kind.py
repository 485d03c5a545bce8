"""Shot or practice swing: was a ball struck?

A shot's shock stands out of its own swing's smooth motion in many sensors at once. How far depends on sensor, strap,
ball, club and sampling rate, so the session's swings are parted into two groups, from a general guess that few swings
hardly move; the coach's notes count as far as this coach notes shots at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray, IntArray


@dataclass(frozen=True, kw_only=True)
class KindSettings:
    """The two groups of swings before the session has told, and the coach's notes (common practice, no source).

    Sizes are natural logs of a shock over what was before it, in each sensor.
    practice, shot: mean size of each group.  practice_spread, shot_spread: standard deviations.
    guess_weight: how many swings the guess is worth.  least_gap: the groups' means stay so far apart.
    sensors: sensors together count as so many that err independently.
    cap: log odds that shocks can give at most.
    shots: share of shots among swings.  noted_practice: chance that a note falls on a practice swing by mistake.
    noted: guess of the share of shots that are noted, as (noted, not noted).
    note_after_s, note_before_s: a note comes this long after impact at most, or slightly before by a slip.
    ground_words: parts of outcomes that say that the ground was met first.
    """

    practice: float = 0.9
    shot: float = 3.3
    practice_spread: float = 0.7
    shot_spread: float = 1.2
    guess_weight: float = 3.0
    least_gap: float = 1.0
    sensors: float = 1.5
    cap: float = 8.0
    shots: float = 0.7
    noted_practice: float = 0.03
    noted: tuple[float, float] = (4.0, 1.0)
    note_after_s: float = 8.0
    note_before_s: float = 0.5
    rounds: int = 12
    uncertain: float = 2.2
    ground_words: tuple[str, ...] = ("fat", "heavy", "chunk", "duff", "ground", "turf", "behind")


def shot_log_odds(
    sizes: Sequence[Mapping[str, float]], impacts: FloatArray, notes: Sequence[float], *, settings: KindSettings
) -> FloatArray:
    """Log odds (K,) that each swing struck a ball.

    sizes: for each swing, by stream, the size of its shock (`onset.OnsetCurve.sizes`); absent or NaN is unknown.
    impacts: (K,) s, in order.  notes: onsets (s) of the coach's shot notes.
    """
    if not len(impacts):
        return np.zeros(0)
    names = sorted({name for swing in sizes for name in swing})
    table = np.array([[swing.get(name, np.nan) for name in names] for swing in sizes]).reshape(len(impacts), len(names))
    noted = match_notes(impacts, notes, settings=settings) >= 0
    by_shock = np.zeros(len(impacts))
    odds = _prior(noted, len(notes), None, settings)
    for _ in range(settings.rounds):
        share = 1.0 / (1.0 + np.exp(-odds))
        by_shock = _by_shock(table, share, settings)
        odds = by_shock + _prior(noted, len(notes), 1.0 / (1.0 + np.exp(-odds)), settings)
    return odds


def match_notes(impacts: FloatArray, notes: Sequence[float], *, settings: KindSettings) -> IntArray:
    """For each swing (K,), the index of the coach's note on it, or −1: each note goes to the last swing before it."""
    matched = np.full(len(impacts), -1)
    for index, onset in enumerate(notes):
        before = np.flatnonzero(
            (impacts <= onset + settings.note_before_s) & (impacts >= onset - settings.note_after_s)
        )
        if len(before):
            matched[before[-1]] = index
    return matched


def ground_first(outcomes: Sequence[str | None], *, settings: KindSettings) -> BoolArray:
    """Which outcomes (K,), in the coach's own words, say that the club met the ground before the ball."""
    return np.array([
        outcome is not None and any(word in outcome.lower() for word in settings.ground_words) for outcome in outcomes
    ], dtype=np.bool_)  # fmt: skip


def _by_shock(table: FloatArray, share: FloatArray, settings: KindSettings) -> FloatArray:
    """Log odds (K,) from the sizes (K, S), given each swing's share (K,) in the group of shots so far."""
    if not table.shape[1]:
        return np.zeros(len(share))
    known = np.isfinite(table)
    values = np.where(known, table, 0.0)
    density = []
    means = []
    for weight, mean, spread in (
        (1.0 - share, settings.practice, settings.practice_spread),
        (share, settings.shot, settings.shot_spread),
    ):
        heavy = weight[:, None] * known
        count = heavy.sum(axis=0) + settings.guess_weight
        centre = (np.sum(heavy * values, axis=0) + settings.guess_weight * mean) / count
        square = np.sum(heavy * (values - centre) ** 2, axis=0)
        wide = (square + settings.guess_weight * (spread**2 + (mean - centre) ** 2)) / count
        means.append(centre)
        density.append((centre, np.sqrt(wide)))
    (low, low_sd), (high, high_sd) = density
    high = np.maximum(high, low + settings.least_gap)
    each = _log_normal(np.maximum(values, low), high, high_sd) - _log_normal(np.maximum(values, low), low, low_sd)
    # Beyond a group's mean a size speaks no less for that group.
    each = np.where(known, each, 0.0)
    streams = np.maximum(known.sum(axis=1), 1)
    together = each.sum(axis=1) * np.minimum(settings.sensors / streams, 1.0)
    return np.asarray(np.clip(together, -settings.cap, settings.cap))


def _log_normal(values: FloatArray, mean: FloatArray, sd: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * ((values - mean) / sd) ** 2 - np.log(sd))


def _prior(noted: BoolArray, notes: int, share: FloatArray | None, settings: KindSettings) -> FloatArray:
    """Log odds (K,) of a shot from the share of shots and, where the coach notes any, from notes.

    How many shots this coach notes is learnt from the swings that are shots so far, `share` (K,).
    """
    prior = np.full(len(noted), np.log(settings.shots / (1.0 - settings.shots)))
    if notes == 0:
        return prior
    yes, no = settings.noted
    if share is not None:
        yes, no = yes + float(share @ noted), no + float(share @ ~noted)
    habit = yes / (yes + no)
    mistaken = settings.noted_practice
    return prior + np.where(noted, np.log(habit / mistaken), np.log((1.0 - habit) / (1.0 - mistaken)))
