"""How well clocks are aligned: `python scripts/clock_accuracy.py --seed S [--golfers N] [--json FILE]`.

Simulated lessons whose sensors have clocks of their own (lessons on one clock are passed over), as they are and with
less to go by. Every two clocks of a recording make one row: how wrong the one is told by the other, root mean square
over the time that they share, in s, and the standard error that the report tells of it (only where one of them is the
recording's reference).
"""

from __future__ import annotations

import argparse
import json
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from imuswing.recording.model import Recording, SensorStream
from imuswing.sensors.clocks import HINT_ONLY, UNKNOWN
from imuswing.sensors.prepare import prepare
from imuswing.simulate.dataset import EXTRA_POINTS, make_visit
from imuswing.simulate.lesson import WORN, Truth, draw_visit
from imuswing.simulate.presets import errors_of
from imuswing.vocabulary import TAP

KEYS = ("variant", "shots", "preset", "rate")
TARGET_S = 0.003
PRESETS = ("realistic", "hard")
RATES = (100.0, 200.0, 400.0)
LATE_S = 60.0
"""So late a sensor is switched on."""

MOST_APART_S = 7.0
"""Taps are over within so much of the time that was noted, on any of the clocks."""


def main() -> None:
    """Simulate, align, and print one line for each variant, preset and rate."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--golfers", type=int, default=24)
    parser.add_argument("--first", type=int, default=0, help="number of the first golfer")
    parser.add_argument("--shots", type=int, default=6)
    parser.add_argument("--rates", type=float, nargs="+", default=RATES)
    parser.add_argument("--presets", nargs="+", default=PRESETS, choices=PRESETS)
    parser.add_argument("--variants", nargs="+", default=("whole",), choices=tuple(VARIANTS))
    parser.add_argument("--json", type=Path, help="write all rows there")
    args = parser.parse_args()
    rows: list[dict[str, Any]] = []
    for preset in args.presets:
        for rate in args.rates:
            for index in range(args.first, args.first + args.golfers):
                rows += _golfer(index, args.seed, args.shots, preset, rate, args.variants)
    if args.json is not None:
        args.json.write_text(json.dumps(rows), encoding="utf-8")
    for line in summary(rows):
        print(line)


def _golfer(
    index: int, seed: int, shots: int, preset: str, rate: float, variants: tuple[str, ...]
) -> list[dict[str, Any]]:
    points = (*WORN, *EXTRA_POINTS[index % len(EXTRA_POINTS)])
    side = "left" if index % 2 == 0 else "right"
    visit = draw_visit(seed=seed, index=index, lead_side=side, rate=rate, sizes=errors_of(preset), points=points)
    if len({clock.name for clock in visit.kit.clocks.values()}) < 2:
        return []
    _, made = make_visit(index, seed=seed, shots=shots, preset=preset, tasks=None, rate=rate)
    about = {"seed": seed, "golfer": index, "shots": shots, "preset": preset, "rate": rate}
    return [
        about | {"task": recording.task, "variant": variant} | row
        for recording, truth in made
        for variant in variants
        for row in clock_rows(*VARIANTS[variant](recording), truth)
    ]


def clock_rows(recording: Recording, late: Mapping[str, float], truth: Truth) -> Iterator[dict[str, Any]]:
    """One row for every two clocks of a recording; late: by system, s by which its times count from a later moment."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reports = prepare(recording).reports
    systems = {recording.sensors[point].tracking_system: point for point in reports}
    first = recording.tracking_systems[0]
    spans, errors = {}, {}
    for name, point in systems.items():
        stream, clock, report = recording.sensors[point], truth.setups[point].clock, reports[point]
        own = np.linspace(stream.time[0], stream.time[-1], 50)
        told = report.clock_offset_s + (1.0 + 1e-6 * report.clock_drift_ppm) * own
        true = clock.true_time(own + late.get(name, 0.0)) - truth.start
        spans[name] = true[[0, -1]]
        errors[name] = np.polynomial.Polynomial(np.polyfit(true, told - true, 1)[::-1])
    for a, b in combinations(sorted(systems), 2):
        begin, end = max(spans[a][0], spans[b][0]), min(spans[a][1], spans[b][1])
        gap = (errors[b] - errors[a])(np.linspace(begin, end, 20))
        drift = (gap[-1] - gap[0]) / (end - begin)
        report = reports[systems[b]]
        yield {
            "pair": f"{systems[a]}–{systems[b]}",
            "error": float(np.sqrt(np.mean(gap**2))),
            "drift_error": float(drift),
            "se": report.clock_se_s if a == first else None,
            "drift_se": 1e-6 * report.clock_drift_se_ppm if a == first else None,
            "aligned": all(reports[systems[name]].clock_source not in (HINT_ONLY, UNKNOWN) for name in (a, b)),
        }


Variant = tuple[Recording, dict[str, float]]


def _kept(stream: SensorStream, begin: float, end: float) -> SensorStream:
    keep = (stream.time >= begin) & (stream.time <= end)
    mag = None if stream.mag is None else stream.mag[keep]
    return replace(stream, time=stream.time[keep], gyr=stream.gyr[keep], acc=stream.acc[keep], mag=mag)


def whole(recording: Recording) -> Variant:
    """The recording as it is."""
    return recording, {}


def no_hints(recording: Recording) -> Variant:
    """Nobody knows when the sensors were started."""
    return replace(recording, start_hints={}), {}


def unmarked_taps(recording: Recording) -> Variant:
    """The taps are there, but nobody noted them."""
    return replace(recording, events=tuple(event for event in recording.events if event.trial_type != TAP)), {}


def no_taps(recording: Recording) -> Variant:
    """What lies between the first taps and the last ones."""
    taps = recording.of_type(TAP)
    end = float(recording.sensors[next(iter(recording.sensors))].time[-1])
    begin = max([event.end for event in taps if event.onset < 0.5 * end], default=0.0) + MOST_APART_S
    stop = min([event.onset for event in taps if event.onset >= 0.5 * end], default=end) - MOST_APART_S
    sensors = {point: _kept(stream, begin, stop) for point, stream in recording.sensors.items()}
    return replace(unmarked_taps(recording)[0], sensors=sensors), {}


def starts_late(recording: Recording) -> Variant:
    """The last tracking system is switched on a minute late, nobody knows when, and misses the first taps."""
    name = recording.tracking_systems[-1]
    sensors = dict(recording.sensors)
    for point, stream in recording.sensors.items():
        if stream.tracking_system == name:
            later = _kept(stream, LATE_S, np.inf)
            sensors[point] = replace(later, time=later.time - LATE_S)
    return replace(recording, sensors=sensors, start_hints={}), {name: LATE_S}


VARIANTS: dict[str, Callable[[Recording], Variant]] = {
    "whole": whole,
    "no hints": no_hints,
    "unmarked taps": unmarked_taps,
    "no taps": no_taps,
    "starts late": starts_late,
}


def groups(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Figures of each variant, number of shots, preset and rate; errors in ms, of clocks that could be aligned."""
    found = []
    for key in sorted({tuple(row[name] for name in KEYS) for row in rows}):
        some = [row for row in rows if tuple(row[name] for name in KEYS) == key]
        aligned = [row for row in some if row["aligned"]]
        told = [row for row in some if row["se"] is not None]
        error = 1e3 * np.array([row["error"] for row in aligned])
        ratio = np.array([row["error"] / row["se"] for row in told])
        found.append(
            dict(zip(KEYS, key, strict=True))
            | {
                "recordings": len({(row["seed"], row["golfer"], row["task"]) for row in some}),
                "pairs": len(some),
                "aligned": len(aligned),
                "rms": float(np.sqrt(np.mean(error**2))),
                "p95": float(np.percentile(error, 95)),
                "largest": float(error.max()),
                "beyond_target": float(np.mean(error > 1e3 * TARGET_S)),
                "drift_ppm": 1e6 * float(np.sqrt(np.mean([row["drift_error"] ** 2 for row in aligned]))),
                "se": 1e3 * float(np.median([row["se"] for row in told])),
                "ratio": float(np.sqrt(np.mean(ratio**2))),
                "beyond_3_se": float(np.mean(ratio > 3.0)),
            }
        )
    return found


def summary(rows: list[dict[str, Any]]) -> Iterator[str]:
    """A line for each variant, number of shots, preset and rate."""
    yield "variant       shots preset     Hz  aligned  rms ms   95 %  largest  >3 ms drift ppm | se ms error/se >3 se"
    for g in groups(rows):
        yield (
            f"{g['variant']:15s} {g['shots']:2d} {g['preset']:9s} {g['rate']:3.0f} {g['aligned']:4d}/{g['pairs']:<4d}"
            f"{g['rms']:7.2f} {g['p95']:6.2f} {g['largest']:8.1f} {g['beyond_target']:6.3f} {g['drift_ppm']:9.0f} |"
            f"{g['se']:6.2f} {g['ratio']:8.2f} {g['beyond_3_se']:5.3f}"
        )


if __name__ == "__main__":
    main()
