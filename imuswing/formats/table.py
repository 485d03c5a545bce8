"""What every reader gives: named columns of numbers from one file, before anybody says what they mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from imuswing.recording.model import FloatArray


@dataclass(frozen=True, kw_only=True)
class Table:
    """Columns of one file (or of one stream or group of arrays in it), as they stand there.

    columns: by name (N,) numbers, lost ones NaN; a column of dates is in seconds since 1970.
    named: whether the names came from the file; otherwise they are `column 1` and so on.
    dates: names of the columns that held dates.  rate: Hz where the file states it.
    shared_clock: name of a clock that several tables of a file share, None where each has its own.
    layout: how a text file was written (`text.Layout` as plain data), {} for other formats.
    notes: what the reader did, and doubts: what looks wrong, in sentences.
    dated: when the file says that it was begun, None where it does not.
    markers: times (in the unit of the table's clock, s) and labels that the file holds.
    """

    source: Path
    name: str
    columns: Mapping[str, FloatArray]
    named: bool = True
    dates: tuple[str, ...] = ()
    rate: float | None = None
    shared_clock: str | None = None
    layout: Mapping[str, object] = field(default_factory=dict)
    markers: tuple[tuple[float, str], ...] = ()
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    dated: datetime | None = None

    @property
    def count(self) -> int:
        """Rows."""
        return len(next(iter(self.columns.values()))) if self.columns else 0
