"""The quality records of many recordings as one: what was worn, how it was calibrated, sensors, warnings."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from imuswing.vocabulary import CALIBRATION_STEPS

NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?")
ANY_NUMBER: Final = "…"


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Middle, 95th percentile and largest of some values."""

    median: float
    high: float
    most: float


@dataclass(frozen=True, kw_only=True)
class SensorQuality:
    """One tracked point over its recordings; rates in Hz (least, median, most), shares of samples in percent."""

    point: str
    recordings: int
    rates: tuple[float, float, float] | None
    lost: Spread | None
    clipped: Spread | None
    gap_s: Spread | None
    clock_se_ms: Spread | None


@dataclass(frozen=True, kw_only=True)
class StepQuality:
    """One step of the routine: in how many recordings it was found, and how badly its axes fit the others, degrees."""

    step: str
    found: int
    recordings: int
    residual_deg: Spread | None


@dataclass(frozen=True, kw_only=True)
class Said:
    """A warning, numbers left out, and in how many recordings it stands."""

    level: str
    text: str
    recordings: int


@dataclass(frozen=True, kw_only=True)
class Troubled:
    """A recording with problems: its labels, and how many."""

    labels: Mapping[str, Any]
    problems: int


@dataclass(frozen=True, kw_only=True)
class DatasetQuality:
    """All records summed up. worn, sources: recordings by what was worn, and by where the calibration came from."""

    recordings: int
    simulated: int
    worn: tuple[tuple[tuple[str, ...], int], ...]
    sources: tuple[tuple[str, int], ...]
    sensors: tuple[SensorQuality, ...]
    steps: tuple[StepQuality, ...]
    said: tuple[Said, ...]
    troubled: tuple[Troubled, ...]


def dataset_quality(records: Sequence[Mapping[str, Any]], *, told: Callable[[str], str] = str) -> DatasetQuality:
    """Sum up the recordings' entries of quality records; told: a warning in the page's language."""
    worn = Counter(tuple(str(point) for point in record.get("worn") or ()) for record in records)
    sources = Counter(_source(record) for record in records)
    points = list(dict.fromkeys(str(point) for record in records for point in record.get("sensors") or ()))
    problems = [
        Troubled(labels=record.get("recording") or {}, problems=count)
        for record in records
        if (count := sum(warning.get("level") == "problem" for warning in record.get("warnings") or ()))
    ]
    return DatasetQuality(
        recordings=len(records),
        simulated=sum(bool((record.get("recording") or {}).get("simulated")) for record in records),
        worn=tuple(worn.most_common()),
        sources=tuple(sources.most_common()),
        sensors=tuple(_sensor(point, records) for point in points),
        steps=tuple(step for name in CALIBRATION_STEPS if (step := _step(name, records)) is not None),
        said=_said(records, told),
        troubled=tuple(sorted(problems, key=lambda one: -one.problems)),
    )


def _source(record: Mapping[str, Any]) -> str:
    """Where a recording's calibration came from; other recordings by their names would be a list without end."""
    source = (record.get("calibration") or {}).get("source")
    if source is None:
        return "none"
    return "another recording" if str(source).endswith(".tsv") else str(source)


def _sensor(point: str, records: Sequence[Mapping[str, Any]]) -> SensorQuality:
    told = [record["sensors"][point] for record in records if point in (record.get("sensors") or {})]
    rates = [float(sensor["rate_hz"]) for sensor in told if sensor.get("rate_hz") is not None]
    clocks = [(sensor.get("clock") or {}).get("se_s") for sensor in told]
    return SensorQuality(
        point=point,
        recordings=len(told),
        rates=(min(rates), float(np.median(rates)), max(rates)) if rates else None,
        lost=_spread([_share(sensor, "lost_samples") for sensor in told]),
        clipped=_spread([_share(sensor, "clipped_samples") for sensor in told]),
        gap_s=_spread([sensor.get("longest_gap_s") for sensor in told]),
        clock_se_ms=_spread([None if se is None else 1000.0 * float(se) for se in clocks]),
    )


def _share(sensor: Mapping[str, Any], part: str) -> float | None:
    count, whole = sensor.get(part), sensor.get("samples")
    return None if count is None or not whole else 100.0 * float(count) / float(whole)


def _step(name: str, records: Sequence[Mapping[str, Any]]) -> StepQuality | None:
    told = [
        steps[name] for record in records if name in (steps := (record.get("calibration") or {}).get("steps") or {})
    ]
    if not told:
        return None
    found = [step for step in told if step.get("found")]
    residuals = _spread([step.get("residual_deg") for step in found])
    return StepQuality(step=name, found=len(found), recordings=len(told), residual_deg=residuals)


def _said(records: Sequence[Mapping[str, Any]], told: Callable[[str], str]) -> tuple[Said, ...]:
    counts: Counter[tuple[str, str]] = Counter()
    for record in records:
        warnings = record.get("warnings") or ()
        counts.update(
            {
                (
                    "problem" if warning.get("level") == "problem" else "advice",
                    NUMBER.sub(ANY_NUMBER, told(str(warning.get("text", "")))),
                )
                for warning in warnings
            }
        )
    ordered = sorted(counts.items(), key=lambda item: (item[0][0] != "problem", -item[1], item[0][1]))
    return tuple(Said(level=level, text=text, recordings=count) for (level, text), count in ordered)


def _spread(values: Sequence[Any]) -> Spread | None:
    known = [float(value) for value in values if value is not None]
    if not known:
        return None
    median, high, most = np.percentile(known, (50.0, 95.0, 100.0))
    return Spread(median=float(median), high=float(high), most=float(most))
