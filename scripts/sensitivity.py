"""What each sensor, routine step, sample rate and range buys: `python scripts/sensitivity.py [--golfers N]`.

Simulated lessons are analysed whole and then with one thing less at a time; the errors against the simulation's truth
are written to docs/sensitivity.md with its picture docs/sensitivity.svg. Only differences between rows mean something:
the sizes themselves stand on docs/accuracy.md.
"""

from __future__ import annotations

import argparse
import json
import sys
import warnings
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from sensitivity_page import write_page

from imuswing.errors import ImuswingError
from imuswing.lesson import analyze
from imuswing.recording.model import Recording, SensorStream
from imuswing.simulate.lesson import WORN, Truth, draw_visit, play
from imuswing.simulate.presets import errors_of
from imuswing.vocabulary import (
    BOW,
    CHEST,
    FOREARM_ROLL,
    LEAD_FOREARM,
    LEAD_HAND,
    STAND,
    STANDARD_GRAVITY,
    TABLE,
    WRIST_BEND,
)  # fmt: skip

MEASURES = (
    "chest_turn_rate_impact_dps", "chest_continuity", "shoulder_tilt_impact_deg", "wrist_flexion_impact_deg",
    "wrist_ulnar_impact_deg", "backswing_arc_deg", "arm_height_top_deg", "tempo_ratio",
)  # fmt: skip
STEPS = (STAND, BOW, TABLE, WRIST_BEND, FOREARM_ROLL)
RATES = (25.0, 50.0, 100.0, 200.0, 400.0)
GYRO_RANGES_DPS = (500.0, 1000.0, 2000.0)
ACC_RANGES_G = (4.0, 8.0, 16.0)
TASKS = ("chip", "full", "pitch")
BASE_RATE = 200.0
SEED = 11
MATCH_WITHIN_S = 0.3


@dataclass(frozen=True, kw_only=True)
class Variant:
    """One row of the study: its group, its name, and what is left of the recording."""

    group: str
    name: str
    points: tuple[str, ...] = WORN
    left_out: frozenset[str] = frozenset()
    unmarked: bool = False
    rate: float = BASE_RATE
    routine: bool = True
    gyro_range_dps: float | None = None
    acc_range_g: float | None = None


def variants() -> list[Variant]:
    """The base first, then one thing less at a time."""
    return [
        Variant(group="all", name=f"all sensors and steps, {BASE_RATE:.0f} Hz"),
        Variant(group="sensors", name="chest only", points=(CHEST,)),
        Variant(group="sensors", name="chest and forearm", points=(CHEST, LEAD_FOREARM)),
        Variant(group="sensors", name="chest and hand", points=(CHEST, LEAD_HAND)),
        Variant(group="sensors", name="forearm and hand", points=(LEAD_FOREARM, LEAD_HAND)),
        *(Variant(group="steps", name=f"no `{step}`", left_out=frozenset({step})) for step in STEPS),
        Variant(group="steps", name="done but not marked", unmarked=True),
        Variant(group="steps", name="no routine at all", routine=False),
        *(Variant(group="rates", name=f"{rate:.0f} Hz", rate=rate) for rate in RATES),
        *(Variant(group="gyro range", name=f"{limit:.0f} °/s", gyro_range_dps=limit) for limit in GYRO_RANGES_DPS),
        *(Variant(group="accelerometer range", name=f"{limit:.0f} g", acc_range_g=limit) for limit in ACC_RANGES_G),
    ]


def _limited(stream: SensorStream, variant: Variant) -> SensorStream:
    """A stream with its readings cut off at the variant's ranges, as a sensor of that range gives them."""
    if variant.gyro_range_dps is not None:
        limit = float(np.radians(variant.gyro_range_dps))
        stream = replace(stream, gyr=np.clip(stream.gyr, -limit, limit), gyr_range=limit)
    if variant.acc_range_g is not None:
        limit = variant.acc_range_g * STANDARD_GRAVITY
        stream = replace(stream, acc=np.clip(stream.acc, -limit, limit), acc_range=limit)
    return stream


def _cut_down(recording: Recording, variant: Variant) -> Recording:
    sensors = {point: _limited(recording.sensors[point], variant) for point in variant.points}
    kept = tuple(event for event in recording.events if not (variant.unmarked and event.trial_type in STEPS))
    return replace(recording, sensors=sensors, events=kept)


def _played(index: int, shots: int, *, rate: float, routine: bool, left_out: frozenset[str]) -> tuple[Recording, Truth]:
    # Wide ranges, so that the variants cut them; one clock, so that leaving out a sensor does not move the time.
    sizes = errors_of(
        "realistic",
        gyro_range_dps=4000.0,
        acc_range_g=32.0,
        clock_offset_s=0.0,
        clock_drift_ppm=0.0,
        bursts=0.0,
        left_out=left_out,
    )
    visit = draw_visit(
        seed=SEED, index=index, lead_side="left" if index % 2 == 0 else "right", rate=rate, sizes=sizes
    )  # fmt: skip
    return play(visit, task=TASKS[index % len(TASKS)], shots=shots, routine=routine)


def _compared(variant: Variant, recording: Recording, truth: Truth) -> list[dict[str, Any]]:
    """One row a true swing: errors of the measures, or that it was not found."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            found = analyze(_cut_down(recording, variant)).swings
        except ImuswingError as error:
            print(f"{variant.name}: {error}", file=sys.stderr)
            return [{"found": False}] * len(truth.swings)
    impacts = found["impact_s"].to_numpy(dtype=float)
    rows = []
    for true in truth.swings.to_dict("records"):
        gaps = np.abs(impacts - true["impact_s"])
        if len(gaps) == 0 or gaps.min() > MATCH_WITHIN_S:
            rows.append({"found": False})
            continue
        told = found.iloc[int(gaps.argmin())]
        row: dict[str, Any] = {"found": True, "shot": true["kind"] == "shot"}
        row["impact_ms"] = 1000.0 * (told["impact_s"] - true["impact_s"])
        row |= {name: _difference(told[name], true[name]) for name in MEASURES}
        rows.append(row)
    return rows


def _difference(told: Any, true: Any) -> float | None:
    try:
        error = float(told) - float(true)
    except (TypeError, ValueError):
        return None
    return error if np.isfinite(error) else None


def study_golfer(index: int, *, shots: int) -> dict[str, list[dict[str, Any]]]:
    """Every variant's rows of one golfer."""
    made: dict[tuple[float, bool, frozenset[str]], tuple[Recording, Truth]] = {}
    rows = {}
    for variant in variants():
        key = (variant.rate, variant.routine, variant.left_out)
        if key not in made:
            made[key] = _played(index, shots, rate=variant.rate, routine=variant.routine, left_out=variant.left_out)
        rows[variant.group + "/" + variant.name] = _compared(variant, *made[key])
    return rows


def summary(golfers: list[dict[str, list[dict[str, Any]]]]) -> list[dict[str, Any]]:
    """One line a variant: recall, RMSE of each measure (None where it is null in over half of the swings)."""
    lines = []
    for variant in variants():
        rows = [row for golfer in golfers for row in golfer[variant.group + "/" + variant.name]]
        found = [row for row in rows if row["found"]]
        line: dict[str, Any] = {
            "group": variant.group,
            "name": variant.name,
            "swings": len(rows),
            "recall": len(found) / len(rows),
        }
        shots = np.array([row["impact_ms"] for row in found if row["shot"]])
        line["impact_ms_95"] = float(np.quantile(np.abs(shots), 0.95)) if len(shots) else None
        for name in MEASURES:
            errors = np.array([row[name] for row in found if row[name] is not None])
            line[name] = float(np.sqrt(np.mean(errors**2))) if 2 * len(errors) > len(found) > 0 else None
        lines.append(line)
    return lines


def _golfers(count: int, shots: int, workers: int) -> Iterator[dict[str, list[dict[str, Any]]]]:
    work = partial(study_golfer, shots=shots)
    if workers == 1:
        yield from map(work, range(count))
    else:
        with ProcessPoolExecutor(workers) as pool:
            yield from pool.map(work, range(count))


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--golfers", type=int, default=9, help="how many (default 9)")
    parser.add_argument("--shots", type=int, default=9, help="of each (default 9)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, default=None, help="also write the figures to this file")
    parser.add_argument("--from-json", type=Path, default=None, help="write the page from figures of an earlier run")
    args = parser.parse_args()
    if args.from_json is not None:
        told = json.loads(args.from_json.read_text(encoding="utf-8"))
    else:
        lines = summary(list(_golfers(args.golfers, args.shots, args.workers)))
        told = {"golfers": args.golfers, "shots": args.shots, "lines": lines}
    if args.json is not None:
        args.json.write_text(json.dumps(told, indent=1), encoding="utf-8")
    print(*write_page(told), sep="\n")


if __name__ == "__main__":
    main()
