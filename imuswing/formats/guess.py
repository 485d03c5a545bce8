"""Guessing what the columns of files mean: names first, held against the data; each doubt is said in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from imuswing.errors import RecordingError, SettingsError
from imuswing.formats.guess_time import guess_time
from imuswing.formats.gyro_scale import scale_between_rests
from imuswing.formats.mapping import UNITS, FileMap, SensorMap, Unit
from imuswing.formats.names import Name, point_of, read_name, side_of, unit_of
from imuswing.formats.physics import Rest, Turning, acc_unit, at_rest, change, gyr_unit, mag_unit, turning, windows
from imuswing.formats.table import Table
from imuswing.recording.model import FloatArray
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, STANDARD_GRAVITY, TRACKED_POINTS

IN_ORDER = (CHEST, LEAD_FOREARM, LEAD_HAND)
"""Who is who where nothing tells (flagged)."""
COUNTS_PER_G = (1000.0, 1024.0, 2048.0, 4096.0, 8192.0, 16384.0)
COUNTS_PER_DPS = (10.0, 14.375, 16.4, 32.8, 65.5, 131.0, 1000.0 / 8.75, 1000.0 / 17.5, 1000.0 / 35.0, 1000.0 / 70.0)
"""What data sheets of common sensors state (from memory)."""
CARRIED_WELL_RAD = 0.08
"""On simulated lessons gravity comes out 0.01 to 0.03 off with the true axes, and 0.12 or more with others."""
LEAST_COUNTS: float = 500.0
"""Raw counts of one g are more than this in every sensor of a resolution that serves (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Guess:
    """Maps of the files and what is doubtful about them."""

    maps: tuple[FileMap, ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Triads:
    """Columns of one sensor before it is known where it sits."""

    group: str
    acc: tuple[str, str, str]
    gyr: tuple[str, str, str]
    mag: tuple[str, str, str] | None = None


def guess_maps(
    tables: Sequence[Table], *, rate: float | None = None, sensors: Sequence[str] = (), lead_side: str | None = None
) -> Guess:
    """A map for each table that holds sensors.

    rate: Hz where the user said it.  sensors: tracked points in the order of the files and of their columns.
    Raises SettingsError or RecordingError where no guess is possible, saying what to give.
    """
    doubts: list[str] = []
    found: list[tuple[Table, FileMap, list[Triads]]] = []
    for table in tables:
        names = [read_name(column) for column in table.columns]
        time, rate_hz = guess_time(table, names, rate=rate or table.rate, doubts=doubts)
        clock = time.column if time else None
        triads = named_triads(names, but=clock) or triads_in_data(table, rate_hz, but=clock, doubts=doubts)
        if triads:
            one = FileMap(file=table.source.name, table=_table(table), sensors=(), time=time, rate_hz=rate_hz)
            found.append((table, one, triads))
    without = {table.source.name for table in tables} - {table.source.name for table, _, _ in found}
    if without:
        raise RecordingError(
            ", ".join(sorted(without)),
            "no columns of an accelerometer and a gyroscope were found",
            "name them with a map (--map FILE); both are needed, with x, y and z",
        )
    points = _points(found, sensors, lead_side, doubts)
    maps = []
    for table, one, triads in found:
        mapped = [_sensor(table, each, points.pop(0), one.rate_hz or 0.0, doubts) for each in triads]
        # The times tell the rate, unless the user or the file said it.
        stated = one.rate_hz if one.time is None or rate or table.rate else None
        maps.append(FileMap(file=one.file, table=one.table, sensors=tuple(mapped), time=one.time, rate_hz=stated))
    return Guess(maps=tuple(maps), doubts=tuple(dict.fromkeys(doubts)))


def _table(table: Table) -> str:
    return "" if table.layout or table.name == table.source.stem else table.name


def named_triads(names: Sequence[Name], *, but: str | None) -> list[Triads]:
    """The sensors that the names tell, in the order of their first columns; [] where no name tells any."""
    axes: dict[tuple[str, str], dict[str, str]] = {}
    for name in names:
        if name.kind in UNITS and name.axis is not None and name.column != but:
            axes.setdefault((str(name.kind), name.group), {}).setdefault(name.axis, name.column)
    triads: dict[str, dict[str, tuple[str, str, str]]] = {kind: {} for kind in UNITS}
    for (kind, group), by_axis in axes.items():
        order = sorted(by_axis)
        if order in (["x", "y", "z"], ["#0", "#1", "#2"], ["#1", "#2", "#3"]):
            triads[kind][group] = (by_axis[order[0]], by_axis[order[1]], by_axis[order[2]])
    acc, gyr = triads["acc"], triads["gyr"]
    groups = [group for group in acc if group in gyr]
    if not groups and acc and len(acc) == len(gyr):
        # Names that differ in more than the kind: paired by their order.
        gyr = dict(zip(acc, gyr.values(), strict=True))
        groups = list(acc)
    return [Triads(group=g, acc=acc[g], gyr=gyr[g], mag=triads["mag"].get(g)) for g in groups]


def triads_in_data(table: Table, rate: float | None, *, but: str | None, doubts: list[str]) -> list[Triads]:
    """The sensors that physics tells among neighbouring columns, whatever their names."""
    columns = [name for name in table.columns if name != but]
    if rate is None or len(columns) < 6:
        return []
    starts = range(len(columns) - 2)
    data = {k: np.column_stack([table.columns[name] for name in columns[k : k + 3]]) for k in starts}
    rests = {k: at_rest(data[k], rate) for k in starts}
    likely = [k for k, rest in rests.items() if rest and _gravity_like(rest, counts=_whole(data[k]))]
    taken: set[int] = set()
    chosen: list[tuple[int, int]] = []
    # First as the columns stand; what then is left, with any order and signs of the axes (said by `axes_doubt`).
    for axes in (False, True):
        pairs = []
        for k in likely:
            for m in starts:
                if abs(m - k) < 3 or taken & {k, k + 1, k + 2, m, m + 1, m + 2}:
                    continue
                turn = turning(data[k], data[m], rate, gravity=_gravity(rests[k]), axes=axes)
                if turn is not None and (turn.agreement > 0.5 or turn.better):
                    pairs.append((turn.agreement, k, m))
        for _, k, m in sorted(pairs, reverse=True):
            wanted = {k, k + 1, k + 2, m, m + 1, m + 2}
            if not wanted & taken:
                taken |= wanted
                chosen.append((k, m))
    left = [name for j, name in enumerate(columns) if j not in taken]
    if chosen and left:
        doubts.append(f"{table.source.name}: not used: {', '.join(left)}")
    three = [(columns[k : k + 3], columns[m : m + 3]) for k, m in sorted(chosen)]
    return [Triads(group="", acc=(a[0], a[1], a[2]), gyr=(g[0], g[1], g[2])) for a, g in three]


def _gravity(rest: Rest | None) -> float:
    return rest.norm if rest is not None and rest.norm > 0 else 1.0


def _points(
    found: Sequence[tuple[Table, FileMap, list[Triads]]],
    sensors: Sequence[str],
    lead_side: str | None,
    doubts: list[str],
) -> list[str]:
    """Where each sensor sits, in order."""
    count = sum(len(triads) for _, _, triads in found)
    if sensors:
        if len(sensors) != count:
            raise SettingsError(f"--sensors names {len(sensors)}, but the files hold {count} sensors")
        return list(sensors)
    points: list[str | None] = []
    for table, one, triads in found:
        for each in triads:
            text = each.group if len(triads) > 1 else f"{each.group} {table.name}"
            point = point_of(text)
            points.append(point)
            side = side_of(text)
            if side and lead_side and side != lead_side and point in (LEAD_FOREARM, LEAD_HAND, "lead_upper_arm"):
                doubts.append(f"{one.file}: {text.strip()} says {side}, but the lead side is {lead_side}")
    told = [point for point in points if point is not None]
    if len(set(told)) < len(told):
        raise SettingsError(
            f"two sensors seem to sit on the {_twice(told)}; say where each sits: --sensors "
            "POINT,… in the order of the files and columns"
        )
    free = [point for point in (*IN_ORDER, *TRACKED_POINTS) if point not in told]
    result = []
    for point in points:
        if point is None:
            if not free:
                raise SettingsError("more sensors than places; say where each sits with --sensors")
            point = next(iter(dict.fromkeys(free)))
            free = [other for other in free if other != point]
            doubts.append(f"no name tells where a sensor sat; taken for {point} (say it with --sensors)")
        result.append(point)
    return result


def _twice(points: Sequence[str]) -> str:
    return next(point for point in points if points.count(point) > 1)


def _sensor(table: Table, triads: Triads, point: str, rate: float, doubts: list[str]) -> SensorMap:
    """One sensor with its units, held against the data."""
    acc, gyr = _stack(table, triads.acc), _stack(table, triads.gyr)
    place = f"{table.source.name}, {point}"
    if rate <= 0 or len(acc) / rate < 2.0:
        doubts.append(f"{place}: too short to hold its units against the data")
    quiet = quiet_windows(acc, gyr, rate)
    rest, other = at_rest(acc, rate, quiet=quiet), at_rest(gyr, rate, quiet=quiet)
    if rest and other and not _gravity_like(rest) and _gravity_like(other):
        doubts.append(f"{place}: the columns named acceleration show no gravity, those named gyroscope do: exchanged")
        triads = Triads(group=triads.group, acc=triads.gyr, gyr=triads.acc, mag=triads.mag)
        acc, gyr, rest, other = gyr, acc, other, rest
    if rest is not None and rest.norm < 0.05 * rest.peak and rest.norm < 0.5:
        raise RecordingError(
            place, "the acceleration shows no gravity at rest", "export the raw one, with gravity, not the linear one"
        )
    unit = _acc_unit(table, triads, place, rest, doubts)
    turn = turning(acc, gyr, rate, gravity=_gravity(rest)) if rest else None
    if turn is not None and rest is not None:
        turn = turning_by_rests(turn, acc, gyr, rate, rest)
    rates = _gyr_unit(table, triads, place, turn, float(np.nanmax(np.abs(gyr), initial=0.0)), doubts)
    doubts += axes_doubt(place, turn)
    return SensorMap(
        point=point,
        acc=triads.acc,
        acc_unit=unit,
        gyr=triads.gyr,
        gyr_unit=rates,
        mag=triads.mag,
        mag_unit=_mag_unit(table, triads, place, doubts),
    )


def turning_by_rests(turn: Turning, acc: FloatArray, gyr: FloatArray, rate: float, rest: Rest) -> Turning:
    """What the turns between rests say of scale and axes, where there are any: they know better."""
    carried = scale_between_rests(acc, gyr, rate, gravity=rest.norm, guess=abs(turn.slope) or 1.0)
    if carried is None:
        return turn if turn.sure else replace(turn, better=None)
    scale, off = carried
    if off < CARRIED_WELL_RAD:
        return replace(turn, slope=scale, better=None)
    return turn


def axes_doubt(place: str, turn: Turning | None) -> list[str]:
    """A sentence where other axes of the gyroscope would agree better with gravity."""
    if turn is None or turn.better is None:
        return []
    return [
        f"{place}: the axes of gyroscope and accelerometer do not belong together; they would if the gyroscope's "
        f"x, y, z were its {turn.better}"
    ]


def quiet_windows(acc: FloatArray, gyr: FloatArray, rate: float) -> FloatArray:
    """(M,) how much both triads move in each window, each against its own usual movement."""
    parts = []
    for values in (acc, gyr):
        moving = change(windows(values, rate)) if rate > 0 else np.zeros(0)
        usual = float(np.nanmedian(moving)) if len(moving) and np.isfinite(moving).any() else 1.0
        parts.append(moving / (usual or 1.0))
    total: FloatArray = parts[0] + parts[1]
    return total


def _gravity_like(rest: Rest, *, counts: bool = False) -> bool:
    """Whether a triad at rest is steady and as long as gravity in a known unit, or at all where it holds counts."""
    return rest.spread < 0.15 and (acc_unit(rest.norm)[1] or (counts and rest.norm > LEAST_COUNTS))


def _whole(values: FloatArray) -> bool:
    finite = values[np.isfinite(values)]
    return bool(len(finite)) and bool(np.all(finite == np.round(finite)))


def _stack(table: Table, names: Sequence[str]) -> FloatArray:
    return np.column_stack([table.columns[name] for name in names])


def _named_unit(column: str, kind: str) -> str | None:
    name = read_name(column)
    return name.unit if name.kind == kind else unit_of(name.unit or "", kind)


def _acc_unit(table: Table, triads: Triads, place: str, rest: Rest | None, doubts: list[str]) -> Unit:
    told = _named_unit(triads.acc[0], "acc")
    if rest is None:
        if told is None:
            doubts.append(f"{place}: the unit of acceleration cannot be told: taken for m/s^2")
        return told or "m/s^2"
    unit, sure = acc_unit(rest.norm)
    if not sure and isinstance(unit, float):
        counts = STANDARD_GRAVITY / unit
        near = min(COUNTS_PER_G, key=lambda usual: abs(usual / counts - 1.0))
        if abs(near / counts - 1.0) < 0.05:
            unit, counts = STANDARD_GRAVITY / near, near
        doubts.append(f"{place}: gravity shows as {rest.norm:.4g}: taken for raw counts, {counts:.4g} a g")
    elif rest.spread > 0.15:
        doubts.append(f"{place}: gravity is unsteady at rest ({100 * rest.spread:.0f} %): look at the acceleration")
    if told is not None and told != unit:
        doubts.append(f"{place}: the header says {told}, but gravity shows as {rest.norm:.4g}: taken for {_say(unit)}")
    return unit


def _gyr_unit(table: Table, triads: Triads, place: str, turn: Turning | None, peak: float, doubts: list[str]) -> Unit:
    told = _named_unit(triads.gyr[0], "gyr")
    unit, sure = gyr_unit(turn, peak)
    if isinstance(unit, float):
        per_dps = np.pi / 180.0 / unit
        near = min(COUNTS_PER_DPS, key=lambda usual: abs(usual / per_dps - 1.0))
        if abs(near / per_dps - 1.0) < 0.06:
            unit = float(np.pi / 180.0 / near)
    if told is not None and (told == unit or not sure):
        if told != unit:
            doubts.append(f"{place}: the header says {told}, which the movements do not confirm: taken as said")
        return told
    if told is not None:
        doubts.append(f"{place}: the header says {told}, but gravity turns as with {_say(unit)}: taken for that")
    elif not sure:
        doubts.append(f"{place}: the gyroscope's unit is not certain: taken for {_say(unit)}")
    return unit


def _mag_unit(table: Table, triads: Triads, place: str, doubts: list[str]) -> Unit:
    if triads.mag is None:
        return "uT"
    told = _named_unit(triads.mag[0], "mag")
    found = mag_unit(_stack(table, triads.mag))
    if found is None or (told is not None and told != found):
        doubts.append(
            f"{place}: the magnetometer's unit ({told or 'not told'}) does not give a field of the earth's size"
        )
    return told or found or "uT"


def _say(unit: Unit) -> str:
    return unit if isinstance(unit, str) else f"raw counts times {unit:.4g}"
