"""What an export is asked to do."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from imuswing.errors import SettingsError, require_one_of
from imuswing.export.figure import FigureSizes

CSV, PARQUET, C3D, STO = "csv", "parquet", "c3d", "sto"
FORMATS: Final = (CSV, PARQUET, C3D, STO)
TABLES: Final = (CSV, PARQUET)
MOST_RATE_HZ: Final = 5000.0
"""More frames a second than any sensor has samples are a slip of the keyboard (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class ExportSettings:
    """What goes out, and how.

    format: of FORMATS.  frames: tables hold swings frame by frame instead of samples or results.  swing: only the one
    of this number.  rate_hz: frames a second; None takes the sensors' own.  decimal_comma: for CSV.  overwrite: files
    that are there are replaced.
    """

    format: str
    frames: bool = False
    swing: int | None = None
    rate_hz: float | None = None
    decimal_comma: bool = False
    overwrite: bool = False
    sizes: FigureSizes = field(default_factory=FigureSizes)

    def __post_init__(self) -> None:
        require_one_of("--format", self.format, FORMATS)
        if self.decimal_comma and self.format != CSV:
            raise SettingsError("--decimal-comma is for --format csv; other formats have no commas in numbers")
        if self.rate_hz is not None and not (math.isfinite(self.rate_hz) and 0.0 < self.rate_hz <= MOST_RATE_HZ):
            raise SettingsError(f"--rate is {self.rate_hz:g}; it must be above 0 and at most {MOST_RATE_HZ:g} Hz")
        if not self.by_frame and (self.swing is not None or self.rate_hz is not None):
            raise SettingsError("--swing and --rate are for swings frame by frame: add --frames, or take c3d or sto")

    @property
    def by_frame(self) -> bool:
        """Whether swings go out frame by frame."""
        return self.frames or self.format not in TABLES

    def one_file(self, out: Path) -> bool:
        """Whether `out` names one file, not a folder: its name ends as the format does."""
        return out.suffix.lower() == f".{self.format}" and not out.is_dir()


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One file to write. name: in a folder.  beside: what it adds to a single file's name; `` is that file itself."""

    name: str
    write: Callable[[Path], None]
    beside: str = ""
