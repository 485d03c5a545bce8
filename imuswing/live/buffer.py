"""The newest rows of each system, as values: adding a chunk gives a new one that shares the old blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.live.model import TIME_COLUMN, SystemHead
from imuswing.recording.model import FloatArray

BLOCK_S = 1.0
"""Chunks are joined to blocks of this length."""


@dataclass(frozen=True, kw_only=True)
class Tail:
    """The newest rows of one system, in blocks (n, columns) one after the other."""

    head: SystemHead
    blocks: tuple[FloatArray, ...] = ()

    @property
    def last(self) -> float | None:
        """Own time of the newest row, s; None without one."""
        return float(self.blocks[-1][-1, TIME_COLUMN]) if self.blocks else None

    @property
    def held_s(self) -> float:
        """How much time is kept, s."""
        return float(self.blocks[-1][-1, TIME_COLUMN] - self.blocks[0][0, TIME_COLUMN]) if self.blocks else 0.0

    def with_rows(self, rows: FloatArray, *, keep_s: float) -> Tail:
        """With further rows; whole blocks older than `keep_s` before the newest row are left out."""
        if not len(rows):
            return self
        blocks = self.blocks
        if blocks and blocks[-1][-1, TIME_COLUMN] - blocks[-1][0, TIME_COLUMN] < BLOCK_S:
            rows, blocks = np.concatenate((blocks[-1], rows)), blocks[:-1]
        oldest = rows[-1, TIME_COLUMN] - keep_s
        skip = 0
        while skip < len(blocks) and blocks[skip][-1, TIME_COLUMN] < oldest:
            skip += 1
        return Tail(head=self.head, blocks=(*blocks[skip:], rows))

    def since(self, own: float, until: float = np.inf) -> FloatArray:
        """Rows (n, columns) with own times from `own` to `until`, s."""
        first = len(self.blocks)
        while first > 0 and self.blocks[first - 1][-1, TIME_COLUMN] >= own:
            first -= 1
        rows = np.concatenate(self.blocks[first:]) if first < len(self.blocks) else np.zeros((0, self.head.columns))
        part = np.searchsorted(rows[:, TIME_COLUMN], own), np.searchsorted(rows[:, TIME_COLUMN], until, side="right")
        return np.asarray(rows[int(part[0]) : int(part[1])])
