"""From the rows of a file to an even grid of samples: true rate, missing rows, jitter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from imuswing.recording.model import BoolArray, FloatArray, IntArray

EVEN = 1e-3
"""Times nearer than this share of a sample to an even grid are on it."""

CLEAR_STEP, LONG_STEP = 0.25, 50.0
"""Where all steps are this near to whole intervals, and none is so long, losses can simply be counted."""

STRETCH_ROWS = 10
"""The first guess of the interval rests on stretches of so many rows."""

PHASE_ROWS = (9, 101)
"""The phase of the times is smoothed over so many rows: first few, while the interval is only guessed."""

LEAST_ORDER = 0.3
"""Times whose smoothed phase is shorter than this (1: even, 0: at random) say nothing about lost rows."""


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Where the rows of a stream stand on an even grid of `count` samples.

    start: s, time of sample 0.  rate: Hz, the true mean rate.  index: (rows,) sample of each row.
    late: (count,) share of an interval by which a row was taken after its sample's time; 0 where there is no row; None
        where all rows are on the grid.
    """

    start: float
    rate: float
    count: int
    index: IntArray
    late: FloatArray | None

    @property
    def time(self) -> FloatArray:
        """(count,) s on the sensor's own clock."""
        return self.start + np.arange(self.count) / self.rate

    def place(self, rows: FloatArray) -> FloatArray:
        """(rows, 3) on the grid, (count, 3), NaN where there is no row; itself if none is missing."""
        if len(rows) == self.count:
            return rows
        out = np.full((self.count, rows.shape[1]), np.nan)
        out[self.index] = rows
        return out

    def place_mask(self, rows: BoolArray) -> BoolArray:
        """(rows, M) on the grid, (count, M), false where there is no row."""
        if len(rows) == self.count:
            return rows
        out = np.zeros((self.count, rows.shape[1]), np.bool_)
        out[self.index] = rows
        return out


def _rate(interval: float) -> float:
    """Hz of an interval, s. Rounded, far below what any clock keeps: whole numbers of samples are cut off from it, and
    the last digits depend on how many threads the linear algebra runs on."""
    return round(1.0 / interval, 9)


def even_grid(time: FloatArray, *, nominal_rate: float) -> Grid:
    """The even grid that times (rows,) in s, increasing, lie on but for jitter and missing rows."""
    rows = len(time)
    if rows < 3:
        return Grid(
            start=float(time[0]) if rows else 0.0, rate=nominal_rate, count=rows, index=np.arange(rows), late=None
        )
    index = _rows_to_samples(time)
    centred = index - index.mean()
    # Rounding and jitter of the times average out over the whole recording.
    interval = float(np.dot(centred, time - time.mean()) / np.dot(centred, centred))
    late = (time - time.mean()) / interval - centred
    start = float(time.mean() - index.mean() * interval)
    count = int(index[-1]) + 1
    if np.max(np.abs(late)) < EVEN:
        return Grid(start=start, rate=_rate(interval), count=count, index=index, late=None)
    on_grid = np.zeros(count)
    on_grid[index] = late
    return Grid(start=start, rate=_rate(interval), count=count, index=index, late=on_grid)


def _rows_to_samples(time: FloatArray) -> IntArray:
    """Sample numbers (rows,) of times: lost rows leave holes, rows stamped unevenly or too late do not.

    A lost row shifts later times by a whole interval, so the times' phase within an interval does not notice it, and
    its slow course tells where the even times lie.
    """
    rows = np.arange(len(time))
    since = time - time[0]
    steps = np.diff(time)
    steps /= np.median(steps)
    whole = np.rint(steps)
    if (
        float(np.max(np.abs(steps - whole))) < CLEAR_STEP
        and float(whole.max()) < LONG_STEP
        and float(whole.min()) > 0.0
    ):
        return np.concatenate(([0], np.cumsum(whole))).astype(np.intp)
    interval = _first_interval(since)
    if interval is None:
        return rows
    for width in PHASE_ROWS:
        turning = _smooth(np.exp(2j * np.pi * since / interval), width)
        phase = np.unwrap(np.angle(turning)) / (2.0 * np.pi)
        if width == PHASE_ROWS[-1]:
            break
        # What phase is left to run is an error of the interval.
        apart = min(5 * width, len(time) - 1)
        slope = float(np.median((phase[apart:] - phase[:-apart]) / (since[apart:] - since[:-apart])))
        interval = 1.0 / (1.0 / interval - slope)
    if float(np.median(np.abs(turning))) < LEAST_ORDER:
        return rows
    number = np.rint(since / interval - phase)
    # Rows in one place: the earlier ones were stamped too late.
    holes = np.minimum.accumulate((number - rows)[::-1])[::-1]
    return np.asarray(rows + holes - holes[0], dtype=np.intp)


def _first_interval(since: FloatArray) -> float | None:
    """About the time between samples, from stretches of rows that have no loss in them; None with too few rows."""
    apart = min(STRETCH_ROWS, len(since) - 1)
    if apart < 1 or since[-1] <= 0.0:
        return None
    lengths = since[apart:] - since[:-apart]
    shortest = float(np.quantile(lengths, 0.1))
    return float(np.mean(lengths[lengths <= shortest * (1.0 + 0.5 / apart)])) / apart


def _smooth(values: npt.NDArray[np.complex128], width: int) -> npt.NDArray[np.complex128]:
    """Means over `width` (odd) values around each, over fewer at the ends."""
    half = min(width, len(values)) // 2
    running = np.concatenate((np.zeros(1, values.dtype), np.cumsum(values)))
    place = np.arange(len(values))
    low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, len(values))
    return np.asarray((running[high] - running[low]) / (high - low))


def resample(values: FloatArray, late: FloatArray) -> FloatArray:
    """Values (N, M) taken `late` (N,) intervals after the even grid, on the grid: cubic through four samples."""
    count = len(values)
    if count < 4:
        return values
    # The grid time of sample k lies before row k if that came late, so two rows on either side of it are taken.
    first = np.clip(np.arange(count) - np.where(late > 0.0, 2, 1), 0, count - 4)
    nodes = [(first + j) + late[first + j] - np.arange(count) for j in range(4)]
    out = np.zeros_like(values)
    for j in range(4):
        weight = np.ones(count)
        for i in range(4):
            if i != j:
                weight *= nodes[i] / (nodes[i] - nodes[j])
        out += weight[:, None] * values[first + j]
    return out


def resample_means(means: FloatArray, late: FloatArray) -> FloatArray:
    """The same for means over the interval before each row: their running integral is resampled."""
    width = 1.0 + np.diff(late, prepend=late[:1])
    integral = np.cumsum(means * width[:, None], axis=0)
    return np.diff(resample(integral, late), axis=0, prepend=integral[:1] - means[:1])


def true_jitter(stream_gyr: FloatArray, late: FloatArray) -> bool:
    """Whether rows were taken at uneven times, or evenly and only stamped unevenly.

    stream_gyr: (N, 3) on the grid, NaN where missing; late: (N,). Each sample is predicted by the cubic through its
    four neighbours, once at the stamped times and once at even ones; the better prediction wins.
    """
    inner = np.arange(2, len(late) - 2)
    if len(inner) == 0:
        return True
    # Only where the motion is fast enough for the times to matter.
    change = np.sum(np.abs(stream_gyr[inner + 1] - stream_gyr[inner - 1]), axis=1)
    known: BoolArray = np.isfinite(change)
    if not known.any():
        return True
    inner = inner[known & (change >= np.quantile(change[known], 0.95))]
    errors = []
    for stamped in (late, np.zeros_like(late)):
        predicted = np.zeros((len(inner), stream_gyr.shape[1]))
        nodes = [offset + stamped[inner + offset] - stamped[inner] for offset in (-2, -1, 1, 2)]
        for j, offset in enumerate((-2, -1, 1, 2)):
            weight = np.ones(len(inner))
            for i in range(4):
                if i != j:
                    weight *= nodes[i] / (nodes[i] - nodes[j])
            predicted += weight[:, None] * stream_gyr[inner + offset]
        errors.append(float(np.nanmedian(np.abs(predicted - stream_gyr[inner]))))
    return errors[0] <= errors[1]
