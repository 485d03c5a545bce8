"""A first alignment of two clocks, to some tenths of a second, from when their sensors are lively."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imuswing.recording.model import FloatArray
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_lines import Line
from imuswing.sensors.columns import magnitude

STEP_S = 0.1
"""Liveliness is told in steps of this."""

SMOOTH_S = 8.0
"""Slower changes of liveliness than this say nothing."""

CHUNK_S = 40.0
MOST_CHUNKS = 60
PEAKS = 4
"""So many best places are kept for each chunk."""

TOLERANCE_S = 0.2
USUAL_DRIFT = 200e-6
"""Twice what a clock may be wrong by."""

AGREED = 0.35
"""Share of the chunks' weight that must agree on one offset for it to be sure."""

ALIKE = 0.2
"""And the mean squared correlation of those chunks must be at least this."""

UNRIVALLED = 0.7
"""And no other offset may have more than this share of its votes."""

MOST_LINES = 5
DISTINCT_S = 0.5
"""So many offsets, at least so far apart, are handed on if none is sure."""

HINT_S = 3.0
"""A hint is right to within this, or not at all."""

HINT_REACH_S = 1.2
"""Around a hint, offsets so far from it are tried: it may be told in whole seconds."""

HINT_FAVOUR = 0.6
"""An offset near the hint wins if it has this share of the best one's votes."""


@dataclass(frozen=True, kw_only=True)
class Rough:
    """line: between the two clocks.  sure: there is no other that might be it.  reach_s: how far off it may be."""

    line: Line
    sure: bool
    reach_s: float = 0.3


def rough_lines(first: Clean, second: Clean, *, hint: float | None) -> tuple[Rough, ...]:
    """What the second sensor's clock may be told by the first's, likeliest first; a sure one stands alone.

    hint: s, the second clock's start after the first's, from the recording.
    """
    middle = second.start + 0.5 * len(second.gyr) / second.rate
    found = _from_liveliness(first, second, hint, middle)
    if not (found and found[0].sure):
        # Without a hint, both may have been started at once.
        start = 0.0 if hint is None else hint
        found.append(Rough(line=Line(offset=start, drift=0.0, at=middle), sure=False, reach_s=HINT_REACH_S))
    return tuple(found)


def _from_liveliness(first: Clean, second: Clean, hint: float | None, middle: float) -> list[Rough]:
    a, b = _liveliness(first), _liveliness(second)
    if min(len(a), len(b)) < LEAST_STEPS:
        return []
    chunk, offset, weight = _candidates(a, b)
    offset = offset + first.start - second.start
    if len(chunk) == 0:
        return []
    chunks = np.unique(chunk)
    total = float(np.sum([weight[chunk == k].max() for k in chunks]))
    alike = total / len(chunks) >= ALIKE
    when = second.start + STEP_S * (chunk + 0.5 * CHUNK_S / STEP_S) - middle
    width = TOLERANCE_S + USUAL_DRIFT * float(np.ptp(when)) / 2.0
    votes = _votes(offset, weight, hint, width=width)
    best = votes[0][1]
    lines = [Rough(line=Line(offset=vote[0], drift=0.0, at=middle), sure=False) for vote in votes]
    rivals = [vote for vote in votes[1:] if vote[1] > UNRIVALLED * best]
    if alike and not rivals and best >= AGREED * total:
        return [replace(lines[0], sure=True)]
    return lines


LEAST_STEPS = 50
"""Recordings with fewer steps in common tell nothing."""


def _liveliness(sensor: Clean) -> FloatArray:
    """(M,) root of the turn rate in steps of STEP_S, without slow changes."""
    lively = np.sqrt(magnitude(sensor.gyr))
    count = int(len(lively) / sensor.rate / STEP_S)
    if count < 2:
        return np.zeros(0)
    edges = np.round(np.arange(count) * STEP_S * sensor.rate).astype(np.intp)
    mean = np.add.reduceat(lively, edges) / np.diff(np.append(edges, len(lively)))
    width = 2 * int(0.5 * SMOOTH_S / STEP_S) + 1
    running = np.cumsum(np.concatenate(([0.0], np.pad(mean, width // 2, mode="reflect" if count > width else "edge"))))
    return np.asarray(mean - (running[width:] - running[:-width]) / width)


def _candidates(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each lively chunk of b: its first step, offsets (s) at which a looks like it, and weights (squared
    correlations)."""
    length = min(int(CHUNK_S / STEP_S), len(a), len(b))
    starts = np.arange(0, len(b) - length + 1, max(length // 2, 1))
    energy = np.concatenate(([0.0], np.cumsum(b * b)))
    lively = energy[starts + length] - energy[starts]
    starts = np.sort(starts[np.argsort(-lively)][:MOST_CHUNKS])
    size = 1 << int(len(a) + length).bit_length()
    spectrum = np.fft.rfft(a, size)
    a_energy = np.concatenate((np.zeros(length), np.cumsum(a * a)))
    a_energy = np.concatenate((a_energy, np.full(length, a_energy[-1])))
    lags = np.arange(-length // 2, len(a) - length // 2)
    window_energy = a_energy[lags + 2 * length - 1] - a_energy[np.maximum(lags + length - 1, 0)]
    floor = 0.25 * length * float(np.mean(a * a))
    rows = []
    for start in starts:
        piece = b[start : start + length]
        norm = float(np.sqrt(np.sum(piece * piece)))
        if norm == 0.0:
            continue
        product = np.fft.irfft(spectrum * np.conj(np.fft.rfft(piece, size)), size)[lags % size]
        score = product / (norm * np.sqrt(np.maximum(window_energy, floor)))
        for _ in range(PEAKS):
            k = int(np.argmax(score))
            if score[k] < 0.3:
                break
            rows.append((float(start), STEP_S * float(lags[k] - start), float(score[k]) ** 2))
            score[max(k - 5, 0) : k + 6] = 0.0
    table = np.array(rows).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _votes(offset: FloatArray, weight: FloatArray, hint: float | None, *, width: float) -> list[tuple[float, float]]:
    """Offsets that most weight agrees on to within `width`, and that weight, best first; a hint breaks near ties."""
    order = np.argsort(offset)
    offset, weight = offset[order], weight[order]
    running = np.concatenate(([0.0], np.cumsum(weight)))
    low, high = np.searchsorted(offset, [offset - width, offset + width])
    votes = running[high] - running[low]
    rank = votes.copy()
    if hint is not None:
        rank[np.abs(offset - hint) <= HINT_S] /= HINT_FAVOUR
    found: list[tuple[float, float]] = []
    while len(found) < MOST_LINES and rank.max() > 0.0:
        best = int(np.argmax(rank))
        part = slice(low[best], high[best])
        found.append((float(np.average(offset[part], weights=weight[part])), float(votes[best])))
        rank[np.abs(offset - offset[best]) < DISTINCT_S + width] = 0.0
    return found
