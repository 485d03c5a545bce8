"""Shot or practice swing: was a ball struck?

A shot's shock stands out of smooth motion; how far depends on sensor, strap, ball, club, rate and on how abruptly the
golfer releases the wrists. So the session's swings are parted where two groups explain them best, near a general guess
that many swings may move far and few hardly. The coach's notes count as far as this coach notes shots at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray, IntArray


@dataclass(frozen=True, kw_only=True)
class Group:
    """Sizes of shocks in one group of swings before the session has told: their mean, how far that may be wrong in this
    session, and the spread around it."""

    mean: float
    unsure: float
    spread: float


@dataclass(frozen=True, kw_only=True)
class KindSettings:
    """The two groups of swings, and the coach's notes (common practice, no source; sizes from two simulators).

    Sizes are natural logs of a shock in standard deviations of smooth motion's errors.
    practice, shot: the groups.  guess_weight: how many swings the guess of a spread is worth.
    gyr_less: a gyroscope's size counts this much less, since the wrists' release is a jolt to it.
    caps: log odds that shocks can give at most: some shots are too soft, or too short for the rate, to be seen; few
    practice swings dig into the turf.
    shots: share of shots among swings.  noted_practice: chance that a note falls on a practice swing by mistake.
    noted: guess of the share of shots that are noted, as (noted, not noted).
    note_delay_s: a note comes so long after impact, on average.  note_after_s, note_before_s: it comes this long after
    at most, or slightly before by a slip.
    uncertain: smaller log odds, of either sign, are flagged.
    ground_words: parts of outcomes that say that the ground was met first.
    """

    practice: Group = Group(mean=1.5, unsure=0.8, spread=0.5)
    shot: Group = Group(mean=4.6, unsure=1.0, spread=0.9)
    guess_weight: float = 3.0
    gyr_less: float = 0.5
    caps: tuple[float, float] = (-3.0, 5.0)
    shots: float = 0.7
    noted_practice: float = 0.03
    noted: tuple[float, float] = (4.0, 1.0)
    note_delay_s: float = 4.0
    note_after_s: float = 8.0
    note_before_s: float = 0.5
    uncertain: float = 1.5
    ground_words: tuple[str, ...] = ("fat", "heavy", "chunk", "duff", "ground", "turf", "behind")


def shot_log_odds(
    sizes: Sequence[Mapping[str, float]],
    impacts: FloatArray,
    notes: Sequence[float],
    *,
    settings: KindSettings,
    noted_until: float = np.inf,
) -> FloatArray:
    """Log odds (K,) that each swing struck a ball.

    sizes: for each swing, by stream, the size of its shock (`onset.OnsetCurve.sizes`); absent or NaN is unknown.
    impacts: (K,) s, in order.  notes: onsets (s) of the coach's shot notes.
    noted_until: s; notes that would come later are not there yet, so that their lack says nothing.
    """
    if not len(impacts):
        return np.zeros(0)
    size = np.array([shock_size(swing, settings=settings) for swing in sizes])
    known = np.isfinite(size)
    likely = np.clip(np.where(known, size - 0.5 * (settings.practice.mean + settings.shot.mean), 0.0), -1.0, 1.0)
    noted = match_notes(impacts, notes, likely=2.0 * likely, settings=settings) >= 0 if len(notes) else None
    awaited = np.asarray(impacts) > noted_until - settings.note_after_s
    if noted is not None:
        awaited &= ~noted
    best, odds = -np.inf, np.zeros(len(size))
    for limit in _limits(size[known], settings):
        above = np.where(known, size > limit, True if noted is None else noted)
        evidence, found = _explain(size, known, above, noted, awaited, settings)
        if evidence > best:
            best, odds = evidence, found
    return odds


def shock_size(sizes: Mapping[str, float], *, settings: KindSettings) -> float:
    """One size for a swing, NaN where no sensor tells any: the mean of its two largest, since a shock is seen by more
    than one, and not by all where it is shorter than a sample."""
    values = [
        size - (settings.gyr_less if name.endswith("gyr") else 0.0) for name, size in sizes.items() if np.isfinite(size)
    ]
    largest = sorted(values)[-2:]
    return float(np.mean(largest)) if largest else np.nan


def match_notes(
    impacts: FloatArray, notes: Sequence[float], *, likely: FloatArray | None = None, settings: KindSettings
) -> IntArray:
    """For each swing (K,), the index of the coach's note on it, or −1.

    Each note goes to a swing shortly before it, the later the better; likely: (K,) log odds that each is a shot, by
    which an earlier swing may outweigh a later one.
    """
    matched = np.full(len(impacts), -1)
    for index, onset in enumerate(notes):
        delay = onset - np.asarray(impacts)
        near = np.flatnonzero((delay >= -settings.note_before_s) & (delay <= settings.note_after_s))
        if len(near):
            weight = -delay[near] / settings.note_delay_s + (likely[near] if likely is not None else 0.0)
            matched[near[int(np.argmax(weight))]] = index
    return matched


def ground_first(outcomes: Sequence[str | None], *, settings: KindSettings) -> BoolArray:
    """Which outcomes (K,), in the coach's own words, say that the club met the ground before the ball."""
    words = settings.ground_words
    return np.array([any(word in (outcome or "").lower() for word in words) for outcome in outcomes], dtype=np.bool_)


def _limits(size: FloatArray, settings: KindSettings) -> FloatArray:
    """Every way to part the sizes by a limit."""
    ordered = np.unique(size)
    middles = 0.5 * (ordered[1:] + ordered[:-1])
    return np.concatenate(([-np.inf], middles, [np.inf]))


def _explain(
    size: FloatArray,
    known: BoolArray,
    above: BoolArray,
    noted: BoolArray | None,
    awaited: BoolArray,
    settings: KindSettings,
) -> tuple[float, FloatArray]:
    """How well a parting of the swings explains sizes and notes (log), and the log odds (K,) that follow from it."""
    low, low_sd, low_fit = _group(size[known & ~above], settings.practice, settings)
    high, high_sd, high_fit = _group(size[known & above], settings.shot, settings)
    odds = np.zeros(len(size))
    if high > low:
        # Beyond a group's mean a size speaks no less for that group.
        inside = np.clip(np.where(known, size, 0.5 * (low + high)), low, high)
        odds = 0.5 * ((inside - low) / low_sd) ** 2 - 0.5 * ((inside - high) / high_sd) ** 2 + np.log(low_sd / high_sd)
        odds = np.where(known, np.clip(odds, *settings.caps), 0.0)
    prior, told = _prior(above, noted, awaited, settings)
    return low_fit + high_fit + told, odds + prior


def _group(size: FloatArray, guess: Group, settings: KindSettings) -> tuple[float, float, float]:
    """Mean and standard deviation of a group from its members and the guess, and the members' log likelihood."""
    count = len(size)
    if count == 0:
        return guess.mean, float(np.hypot(guess.spread, guess.unsure)), 0.0
    worth = (guess.spread / guess.unsure) ** 2
    mean = (float(size.sum()) + worth * guess.mean) / (count + worth)
    weight = settings.guess_weight
    square = float(np.sum((size - mean) ** 2)) + weight * guess.spread**2
    sd = float(np.sqrt(square / (count + weight)))
    fit = -0.5 * float(np.sum(((size - mean) / sd) ** 2)) - count * np.log(sd)
    return mean, sd, fit - 0.5 * ((mean - guess.mean) / guess.unsure) ** 2


def _prior(
    above: BoolArray, noted: BoolArray | None, awaited: BoolArray, settings: KindSettings
) -> tuple[FloatArray, float]:
    """Log odds (K,) of a shot before its shock is looked at, and how likely (log) a parting's numbers and notes are.

    How many shots this coach notes is learnt from the swings that are taken for shots.
    """
    chance = np.full(len(above), settings.shots)
    log_shot, log_practice = np.log(chance), np.log1p(-chance)
    if noted is not None:
        yes, no = settings.noted
        habit = (yes + float(np.sum(above & noted))) / (yes + no + float(np.sum(above & ~awaited)))
        mistaken = settings.noted_practice
        told = ~awaited
        log_shot = log_shot + told * np.where(noted, np.log(habit), np.log1p(-habit))
        log_practice = log_practice + told * np.where(noted, np.log(mistaken), np.log1p(-mistaken))
    return log_shot - log_practice, float(np.where(above, log_shot, log_practice).sum())
