"""Files as loggers of many kinds might write them, drawn at random from a simulated lesson, with the truth beside.

Names, units and habits are common practice (no source); nothing here uses the package's readers, guesses or writers, so
that `guess_layouts.py` can hold them against it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np

from imuswing.recording.model import Recording
from imuswing.simulate import simulate_recording

G = 9.80665
DEG = math.pi / 180.0
PLACES = ("chest", "lead_forearm", "lead_hand", "pelvis")
WORDS = {
    "chest": ("chest", "Sternum", "TRUNK", "thorax", "Upper Back", "Torso"),
    "lead_forearm": ("forearm", "Wrist", "LOWER_ARM", "lead_forearm", "{side}ForeArm", "{side}_wrist", "{s}_forearm"),
    "lead_hand": ("hand", "Hand", "GLOVE", "lead_hand", "{side}Hand", "hand_{side}", "{S} Hand"),
    "pelvis": ("pelvis", "Sacrum", "HIPS", "belt", "waist"),
}
"""What people call the places; {side} is the side of the body."""
NAMES = (
    ("acc_{a}", "gyr_{a}", "mag_{a}"),
    ("AccX", "GyroX", "MagX"),
    ("Acc_X", "Gyr_X", "Mag_X"),
    ("accelerometer {a}", "gyroscope {a}", "magnetometer {a}"),
    ("Acceleration X", "Angular Velocity X", "Magnetic Field X"),
    ("ax", "gx", "mx"),
    ("aX", "wX", "mX"),
    ("accel.x", "gyro.x", "mag.x"),
    ("ACC:{a}", "GYR:{a}", "MAG:{a}"),
    ("x_acc", "x_gyro", "x_mag"),
    ("raw acc x", "raw rotation rate x", "raw mag x"),
    ("AccelerationX", "RotationRateX", "MagneticFieldX"),
    ("acc1", "gyr1", "mag1"),
    ("acc[0]", "gyro[0]", "mag[0]"),
    ("Beschl. X", "Drehrate X", "Magnet X"),
    ("A_{a}", "G_{a}", "M_{a}"),
    ("fuerza X", "giro X", "campo X"),
    ("imu_acc_{a}", "imu_ang_vel_{a}", "imu_mag_{a}"),
)
"""Styles of column names; the axis stands as {a}, x, X, 1 or 0."""
ACC = {"m/s^2": (1.0, ("m/s^2", "m/s²", "m/s2", "m s-2")), "g": (G, ("g", "G")), "mg": (G / 1000.0, ("mg",))}
GYR = {
    "rad/s": (1.0, ("rad/s", "rad/sec", "rad s-1")),
    "deg/s": (DEG, ("deg/s", "dps", "°/s", "deg/sec")),
    "mdeg/s": (DEG / 1000.0, ("mdps",)),
}
COUNTS = ((G / 2048.0, DEG / 16.4), (G / 4096.0, DEG / 16.4), (G / 16384.0, DEG / 131.0), (G / 8192.0, DEG / 65.5))
"""m/s² and rad/s of one count at full scales of 16, 8, 2 and 4 g, and 2000, 250 and 500 deg/s (16 bit)."""
CLOCKS = ("s", "s_named", "ms", "ms_named", "us", "epoch_s", "epoch_ms", "iso", "iso_zone", "ticks", "count", "none")
FAULTS = ("", "", "axes", "hand", "wrong_acc_unit", "wrong_gyr_unit", "exchanged", "other_side")


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What was written.  options: for the command.  truth: by place (N, 3) m/s² and rad/s, and times, s.

    fault: what a person got wrong, "" where nothing; a fault has to be noticed, not put right.
    """

    files: tuple[Path, ...]
    options: dict[str, object]
    lead_side: str
    truth: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]
    fault: str
    about: dict[str, object] = field(default_factory=dict)


@lru_cache(maxsize=16)
def lesson(rate: float, seed: int) -> Recording:
    """A simulated lesson of about two minutes."""
    side = "left" if seed % 2 else "right"
    return simulate_recording(seed=seed, shots=3, rate=rate, preset="realistic", lead_side=side, points=PLACES)[0]


def draw(seed: int, folder: Path, *, fault: str = "") -> Layout:
    """Layout number `seed`, written into `folder`."""
    rng = np.random.default_rng(seed)
    pick = _picker(rng)
    recording = lesson(pick((52.0, 100.0, 104.0, 200.0)), pick((71, 72, 73, 74)))
    side = recording.lead_side
    points = PLACES[: pick((1, 2, 3, 3, 3, 4))] if fault != "other_side" else PLACES[:3]
    other = fault == "other_side"
    told = {point: _place_word(point, _other(side) if other else side, pick, with_side=other) for point in points}
    clock = pick(CLOCKS)
    names = None if clock not in ("none", "count") and not fault and rng.random() < 0.12 else pick(NAMES)
    if names is None and clock in ("iso", "iso_zone", "ticks"):
        clock = "s"
    units = _units(rng, pick, named=names is not None, fault=fault)
    with_mag, extras = bool(names and rng.random() < 0.3), bool(names and rng.random() < 0.4)
    style = _style(rng, pick)
    rate = recording.sensors["chest"].rate
    count = min(len(recording.sensors[point].time) for point in points)
    columns = {
        point: _sensor(recording, point, count, units, names, fault if point == points[-1] else "", with_mag, rng)
        for point in points
    }
    head, clock_cells, true_times = _clock(clock, count, rate, rng, pick, named=names is not None)
    arrangement = "apart" if fault == "other_side" or len(points) == 1 else pick(("apart", "apart", "side", "side"))
    if names is not None and "fuerza" not in names[0] and fault != "other_side" and rng.random() < 0.25:
        arrangement = pick(("stacked", "halves"))
    clocks = {head: clock_cells} if clock_cells else {}
    texts = {p: {name: _numbers(values, style) for name, (_, values) in columns[p].items()} for p in points}
    kinds = {p: {name: kind for name, (kind, _) in columns[p].items()} for p in points}
    more = _extras(count, rng, style) if extras and arrangement in ("apart", "side") else {}
    files = [
        _write(folder / name, cells, style, named=names is not None)
        for name, cells in _arranged(arrangement, clocks, texts, kinds, told, more, pick).items()
    ]
    options: dict[str, object] = {"rate": rate if clock in ("none", "count", "ticks") else None}
    if arrangement == "side" and names is None:
        options["sensors"] = list(points)
    truth = {
        point: (
            recording.sensors[point].acc[:count],
            recording.sensors[point].gyr[:count],
            true_times if clock_cells else np.arange(count) / rate,
        )
        for point in points
    }
    about = {
        "clock": clock,
        "names": names and names[0],
        "units": units["words"],
        "arrangement": arrangement,
        "points": points,
        "style": {k: v for k, v in style.items() if k != "form"},
        "rate": rate,
    }
    return Layout(files=tuple(files), options=options, lead_side=side, truth=truth, fault=fault, about=about)


def _arranged(arrangement, clocks, texts, kinds, told, more, pick) -> dict[str, dict[str, list[str]]]:
    """By file its columns of text: a file a sensor, one with all side by side or below one another, or two a sensor."""
    if arrangement == "apart":
        return {f"{told[point]}.csv": clocks | cells | more for point, cells in texts.items()}
    if arrangement == "side":
        mark = pick(("_", " ", "."))
        all_of = {f"{told[p]}{mark}{name}": column for p, cells in texts.items() for name, column in cells.items()}
        return {"session 12.txt": clocks | all_of | more}
    if arrangement == "stacked":
        heads = list(next(iter(texts.values())))
        words = [told[point].replace(" ", "_") for point in texts]
        clock = next(iter(clocks.values()), [])
        turns = [list(column) for column in zip(*[clock] * len(words), strict=True)] if clocks else []
        stacked = {head: [cell for row in turns for cell in row] for head in clocks}
        count = len(next(iter(next(iter(texts.values())).values())))
        stacked[pick(("sensor", "device", "Sensor Name", "tracked_point"))] = words * count
        for head in heads:
            rows = zip(*(cells[head] for cells in texts.values()), strict=True)
            stacked[head] = [cell for row in rows for cell in row]
        return {"session 12.csv": stacked}
    halves = {}
    ends = pick((("acc", "gyro"), ("Accelerometer", "Gyroscope"), ("accel", "gyr")))
    for point, cells in texts.items():
        for kind, end in (("gyr", ends[1]), ("acc", ends[0])):
            halves[f"{told[point]}_{end}.csv"] = clocks | {n: c for n, c in cells.items() if kinds[point][n] == kind}
    return halves


def _picker(rng: np.random.Generator) -> Callable[[Sequence], object]:
    return lambda choices: choices[int(rng.integers(len(choices)))]


def _other(side: str) -> str:
    return "right" if side == "left" else "left"


def _place_word(point: str, side: str, pick, *, with_side: bool) -> str:
    words = WORDS[point]
    if point.startswith("lead"):
        words = tuple(w for w in words if "{" in w) if with_side else words
    word = pick(words)
    return word.format(
        side=side.capitalize() if "ForeArm" in word or "Hand" in word else side, s=side[0], S=side[0].upper()
    )


def _units(rng, pick, *, named: bool, fault: str) -> dict:
    if not fault and rng.random() < 0.12:
        acc, gyr = pick(COUNTS)
        return {"acc": acc, "gyr": gyr, "acc_word": None, "gyr_word": None, "words": "counts"}
    acc, gyr = pick(tuple(ACC)), pick(("rad/s", "deg/s", "deg/s", "mdeg/s"))
    if fault:
        acc, gyr = pick(("m/s^2", "g")), pick(("rad/s", "deg/s"))
    say = named and (bool(fault) or rng.random() < 0.55)
    said_acc, said_gyr = acc, gyr
    if fault == "wrong_acc_unit":
        said_acc = "g" if acc == "m/s^2" else "m/s^2"
    if fault == "wrong_gyr_unit":
        said_gyr = "rad/s" if gyr == "deg/s" else "deg/s"
    return {
        "acc": ACC[acc][0], "gyr": GYR[gyr][0],
        "acc_word": pick(ACC[said_acc][1]) if say else None, "gyr_word": pick(GYR[said_gyr][1]) if say else None,
        "bracket": pick((" [{}]", " ({})", "[{}]", ", {}", " in {}")),
        "words": (acc, gyr, said_acc if say else None, said_gyr if say else None),
    }  # fmt: skip


def _style(rng, pick) -> dict:
    decimal = "," if rng.random() < 0.2 else "."
    return {
        "separator": pick((";", "\t", "|", " ")) if decimal == "," else pick((",", ",", ",", ";", "\t", " ", "|")),
        "decimal": decimal,
        "before": pick(("", "", "", "Logger 5, firmware 1.2\n", "# made by a test\n# rate as set\n#\n",
                        "Device: 17\nStart: morning\n\n")),
        "encoding": pick(("utf-8", "utf-8", "utf-8-sig", "cp1252", "utf-16")),
        "newline": pick(("\n", "\n", "\r\n")),
        "quoted": rng.random() < 0.15,
        "units_below": rng.random() < 0.15,
        "form": pick((".8g", ".6f", ".10g")),
        "spaced": rng.random() < 0.15,
    }  # fmt: skip


def _sensor(recording, point, count, units, names, fault, with_mag, rng) -> dict[str, tuple[str, np.ndarray]]:
    """Kind and numbers of the columns of one sensor by name, in the units that are written."""
    stream = recording.sensors[point]
    acc, gyr = stream.acc[:count] / units["acc"], stream.gyr[:count] / units["gyr"]
    if units["words"] == "counts":
        acc, gyr = np.round(acc), np.round(gyr)
    if fault == "axes":
        gyr = gyr[:, [1, 0, 2]]
    if fault == "hand":
        gyr = gyr * np.array([1.0, 1.0, -1.0])
    parts = [("acc", acc, 0), ("gyr", gyr, 1)]
    if fault == "exchanged":
        parts = [("acc", gyr, 0), ("gyr", acc, 1)]
    if with_mag:
        turn = np.linspace(0.0, 6.0, len(acc))
        parts.append(("mag", 45.0 * np.column_stack([np.cos(turn), np.sin(turn), 0.2 * turn]), 2))
    if rng.random() < 0.25:
        parts = [parts[1], parts[0], *parts[2:]]
    columns = {}
    for kind, values, which in parts:
        for k in range(3):
            name = f"{kind}{k}" if names is None else _axis_name(names[which], k)
            word = units.get(f"{kind}_word") if names is not None else None
            columns[name + (units["bracket"].format(word) if word else "")] = kind, values[:, k]
    if names is not None and "fuerza" not in names[0] and rng.random() < 0.1:
        heads = list(columns)  # axis by axis instead of sensor by sensor
        columns = {heads[k]: columns[heads[k]] for axis in range(3) for k in range(axis, len(heads), 3)}
    return columns


def _axis_name(pattern: str, k: int) -> str:
    if "{a}" in pattern:
        return pattern.format(a="xyz"[k])
    for first, rest in (("X", "XYZ"), ("x", "xyz"), ("1", "123"), ("0", "012")):
        if pattern.endswith(first) or pattern.startswith(f"{first}_") or f"[{first}]" in pattern:
            at = pattern.rfind(first) if not pattern.startswith(f"{first}_") else 0
            return pattern[:at] + rest[k] + pattern[at + 1 :]
    raise ValueError(pattern)


def _clock(clock, count, rate, rng, pick, *, named: bool) -> tuple[str, list[str], np.ndarray]:
    """Name, cells and true times from the first sample, s."""
    jitter = rng.uniform(-0.1, 0.1, count) / rate if rng.random() < 0.3 else np.zeros(count)
    even = np.arange(count) / rate
    true = even + jitter
    start = pick((0.0, 0.0, 3.25, 812.5))
    if clock == "none":
        return "", [], even
    if clock == "count":
        first = int(rng.integers(3))
        return pick(("Sample", "index", "Packet counter", "n")), [str(first + k) for k in range(count)], even
    if clock in ("iso", "iso_zone"):
        day = datetime(2024, 5, 31, 14, 5, 9, 500000, tzinfo=UTC)
        cells = [(day + timedelta(seconds=t)).strftime("%Y-%m-%dT%H:%M:%S.%f") for t in true.tolist()]
        zone = "Z" if clock == "iso_zone" else ""
        return pick(("Time", "timestamp", "Date", "DateTime")), [c + zone for c in cells], true - true[0]
    if clock == "ticks":
        ticks = np.round((start + true) * 32768.0).astype(np.int64)
        wrap = pick((2**16, 2**24, 2**32))
        return pick(("ticks", "timer ticks", "tick count")), [str(t % wrap) for t in ticks], true - true[0]
    if clock == "epoch_s":
        return pick(("unix_time", "timestamp", "epoch")), [f"{1717164309.25 + t:.6f}" for t in true], true - true[0]
    if clock == "epoch_ms":
        cells = [str(round((1717164309.25 + t) * 1000.0)) for t in true]
        return pick(("timestamp", "Timestamp (ms)", "epoch_ms", "time_ms")), cells, true - true[0]
    unit, size, digits = {"s": ("s", 1.0, 6), "ms": ("ms", 1e-3, 3), "us": ("us", 1e-6, 0)}[clock.split("_")[0]]
    cells = [f"{(start + t) / size:.{digits}f}" for t in true]
    head = pick(("time", "Time", "t", "elapsed", "SampleTime"))
    return (
        head + (pick((" [{}]", "_{}", " ({})")).format(unit) if clock.endswith("named") else ""),
        cells,
        true - true[0],
    )


def _numbers(values: np.ndarray, style: dict) -> list[str]:
    form = (
        ".0f" if np.array_equal(values[np.isfinite(values)], np.round(values[np.isfinite(values)])) else style["form"]
    )
    return ["" if math.isnan(v) else format(v, form).replace(".", style["decimal"]) for v in values.tolist()]


def _extras(count, rng, style) -> dict[str, list[str]]:
    """Columns that are no concern of an import."""
    q = rng.normal(size=4)
    q /= np.linalg.norm(q)
    slow = np.linspace(0.0, 1.0, count)
    all_of = {
        "Temperature [degC]": 31.0 + slow,
        "battery": np.full(count, 3.7),
        **{f"quat_{a}": q[k] + 0.0 * slow for k, a in enumerate("wxyz")},
        "Roll": 10.0 * np.sin(9 * slow), "Pitch": 12.0 * np.cos(7 * slow), "Yaw": 100.0 * slow,
    }  # fmt: skip
    cells = {name: _numbers(values, style) for name, values in all_of.items()}
    cells["state"] = ["ok"] * count
    return cells


def _without_unit(name: str) -> tuple[str, str]:
    """A name and the unit in brackets behind it."""
    for mark in "[(":
        head, found, tail = name.partition(mark)
        if found and not tail[:1].isdigit():
            return head.strip(), tail.rstrip("])")
    return name, ""


def _write(path: Path, cells: dict[str, list[str]], style: dict, *, named: bool) -> Path:
    separator, newline = style["separator"], style["newline"]
    names = [f'"{name}"' if style["quoted"] or (separator in name) else name for name in cells]
    if separator == " ":
        names = [name.strip('"').replace(" ", "_") for name in names]
        cells = {name: [cell or "nan" for cell in column] for name, column in cells.items()}
    # Clock cells carry a decimal point whatever the decimal mark: made alike here.
    if style["decimal"] == ",":
        cells = {
            n: [c.replace(".", ",") if c[:5].find("-") < 0 or ":" not in c else c for c in col]
            for n, col in cells.items()
        }
    between = f"{separator} " if style["spaced"] and separator in ",;" else separator
    lines = [between.join(names)] if named else []
    if named and style["units_below"] and style["separator"] in "\t;,":
        parted = [_without_unit(name.strip('"')) for name in names]
        lines = [between.join(name for name, _ in parted), between.join(unit for _, unit in parted)]
    lines += [between.join(row) for row in zip(*cells.values(), strict=True)]
    before = style["before"].replace("\n", newline) if named else ""
    path.write_bytes((before + newline.join(lines) + newline).encode(style["encoding"], errors="replace"))
    return path
