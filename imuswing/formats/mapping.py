"""What the columns of a file mean: guessed or written by hand, kept as TOML."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Final

from imuswing.errors import RecordingError
from imuswing.vocabulary import SAMPLE_MEANINGS, STANDARD_GRAVITY, TRACKED_POINTS

UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "acc": {"m/s^2": 1.0, "g": STANDARD_GRAVITY, "mg": STANDARD_GRAVITY / 1000.0},
    "gyr": {"rad/s": 1.0, "deg/s": math.pi / 180.0, "mdeg/s": math.pi / 180e3},
    "mag": {"uT": 1.0, "T": 1e6, "mT": 1e3, "gauss": 100.0, "mgauss": 0.1},
}
"""By kind the factor from each unit to m/s², rad/s and µT; a map may also give a factor (for raw counts)."""
TIME_UNITS: Final[Mapping[str, float]] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
DATE: Final = "date"
TICKS: Final = "ticks"

Unit = str | float


@dataclass(frozen=True, kw_only=True)
class TimeMap:
    """The time column.  unit: of TIME_UNITS, `date`, or `ticks` of `tick_hz`.  wrap: where the counter starts anew."""

    column: str
    unit: str
    tick_hz: float | None = None
    wrap: float | None = None


@dataclass(frozen=True, kw_only=True)
class SensorMap:
    """Columns of one sensor, x, y and z of each kind; a minus before a name turns its sign."""

    point: str
    acc: tuple[str, str, str]
    acc_unit: Unit
    gyr: tuple[str, str, str]
    gyr_unit: Unit
    mag: tuple[str, str, str] | None = None
    mag_unit: Unit = "uT"


@dataclass(frozen=True, kw_only=True)
class FileMap:
    """One table of a file.  file: its name, where * stands for anything.  table: the stream or group in it, or ``."""

    file: str
    table: str
    sensors: tuple[SensorMap, ...]
    time: TimeMap | None
    rate_hz: float | None
    sample_meaning: str = "instant"


def map_text(maps: Sequence[FileMap], *, doubts: Sequence[str] = ()) -> str:
    """The maps as TOML, with what is doubtful as comments above."""
    lines = ["# What the columns of imported files mean; give it to `imuswing import --map`."]
    lines += [f"# doubtful: {doubt}" for doubt in doubts]
    for one in maps:
        lines += ["", "[[file]]", f"file = {_text(one.file)}", f"table = {_text(one.table)}"]
        lines += [f"rate_hz = {one.rate_hz!r}"] if one.rate_hz is not None else []
        lines.append(f"sample_meaning = {_text(one.sample_meaning)}")
        if one.time is not None:
            pairs: list[tuple[str, str | float]] = [("column", one.time.column), ("unit", one.time.unit)]
            pairs += [(k, v) for k, v in (("tick_hz", one.time.tick_hz), ("wrap", one.time.wrap)) if v is not None]
            lines.append("time = { " + ", ".join(f"{key} = {_text(value)}" for key, value in pairs) + " }")
        for sensor in one.sensors:
            lines += ["", "[[file.sensor]]", f"point = {_text(sensor.point)}"]
            for kind in UNITS:
                names, unit = getattr(sensor, kind), getattr(sensor, f"{kind}_unit")
                if names is not None:
                    lines += [f"{kind} = [{', '.join(map(_text, names))}]", f"{kind}_unit = {_text(unit)}"]
    return "\n".join(lines) + "\n"


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def read_map(path: Path) -> tuple[FileMap, ...]:
    """The maps of a TOML file; RecordingError naming the entry that is wrong."""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})", "check the name of the map") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RecordingError(path, f"is no TOML ({error})", "correct it there") from error
    files = content.get("file")
    if not isinstance(files, list) or not files:
        raise RecordingError(path, "has no [[file]]", "save a guessed map first and change that")
    return tuple(_file(path, entry) for entry in files)


def _file(path: Path, entry: Any) -> FileMap:
    _keys(path, "[[file]]", entry, needed={"file", "sensor"}, also={"table", "rate_hz", "sample_meaning", "time"})
    time = entry.get("time")
    if time is not None:
        _keys(path, "time", time, needed={"column", "unit"}, also={"tick_hz", "wrap"})
        _one_of(path, "the unit of time", time["unit"], (*TIME_UNITS, DATE, TICKS))
        if time["unit"] == TICKS and not _positive(time.get("tick_hz")):
            raise RecordingError(path, "counts time in ticks without tick_hz", "write the ticks per second")
    elif not _positive(entry.get("rate_hz")):
        raise RecordingError(path, f"gives {entry['file']} neither time nor rate_hz", "write one of them")
    meaning = entry.get("sample_meaning", "instant")
    _one_of(path, "sample_meaning", meaning, SAMPLE_MEANINGS)
    return FileMap(
        file=entry["file"],
        table=entry.get("table", ""),
        sensors=tuple(_sensor(path, sensor) for sensor in entry["sensor"]),
        time=None if time is None else TimeMap(**time),
        rate_hz=entry.get("rate_hz"),
        sample_meaning=meaning,
    )


def _sensor(path: Path, entry: Any) -> SensorMap:
    _keys(
        path,
        "[[file.sensor]]",
        entry,
        needed={"point", "acc", "acc_unit", "gyr", "gyr_unit"},
        also={"mag", "mag_unit"},
    )
    _one_of(path, "point", entry["point"], TRACKED_POINTS)
    for kind, units in UNITS.items():
        names, unit = entry.get(kind), entry.get(f"{kind}_unit", next(iter(units)))
        if names is not None and (len(names) != 3 or not all(isinstance(name, str) for name in names)):
            raise RecordingError(path, f"{kind} of {entry['point']} is {names!r}", "write three column names")
        if not _positive(unit):
            _one_of(path, f"{kind}_unit", unit, tuple(units))
    given: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()}
    return SensorMap(**given)


def _positive(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0


def _keys(path: Path, place: str, entry: Any, *, needed: set[str], also: set[str]) -> None:
    if not isinstance(entry, dict):
        raise RecordingError(path, f"{place} is {entry!r}", "write its keys")
    wrong = sorted(set(entry) - needed - also) or sorted(needed - set(entry))
    if wrong:
        what = "has the unknown key" if wrong[0] in entry else "lacks the key"
        raise RecordingError(path, f"{place} {what} {wrong[0]!r}", f"use {', '.join(sorted(needed | also))}")


def _one_of(path: Path, what: str, value: object, legal: Sequence[str]) -> None:
    if value not in legal:
        raise RecordingError(path, f"{what} is {value!r}", f"write one of {', '.join(legal)}")


def map_for(maps: Sequence[FileMap], *, file: str, table: str) -> FileMap | None:
    """The first map whose file name and table fit."""
    fitting = (m for m in maps if fnmatchcase(file, m.file) and (not m.table or fnmatchcase(table, m.table)))
    return next(fitting, None)
