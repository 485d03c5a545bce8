"""Ways to calibrate, compared: `scripts/calibration_compared.py [--golfers N]` writes docs/calibration_compared.md.

Simulated lessons are analysed with the alignments of three published ways and with the project's own; everything after
the alignment is the same. On open recordings of real sensors the wrist's axes are looked for as each way does.
"""

from __future__ import annotations

import argparse
import json
import warnings
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from calibration_methods import WAYS, Way
from calibration_page import write_page
from calibration_rigs import open_recordings

from imuswing import lesson, routine
from imuswing.body.alignment import Alignment
from imuswing.body.calibrate import Calibration
from imuswing.errors import ImuswingError
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import Event, Recording
from imuswing.sensors.motion import Motion
from imuswing.simulate.lesson import Truth, draw_visit, play
from imuswing.simulate.presets import errors_of
from imuswing.vocabulary import BOW, FOREARM_ROLL, STAND, TABLE, WRIST_BEND, LeadSide

GROUPS = {
    "wrist flexion": ("wrist_flexion_address_deg", "wrist_flexion_top_deg", "wrist_flexion_impact_deg"),
    "ulnar deviation": ("wrist_ulnar_address_deg", "wrist_ulnar_top_deg", "wrist_ulnar_impact_deg"),
    "backswing arc": ("backswing_arc_deg",),
    "arm height": ("arm_height_top_deg",),
    "shoulder tilt": ("shoulder_tilt_address_deg", "shoulder_tilt_impact_deg"),
    "chest lean": ("chest_lean_address_deg", "chest_lean_impact_deg"),
}
STEPS = (STAND, BOW, TABLE, WRIST_BEND, FOREARM_ROLL)
TASKS = ("chip", "full", "pitch")
SEED = 21
RATE = 200.0
MATCH_WITHIN_S = 0.3
EXACT = 1e-8
"""rad²: so sure is a published way of its axes; nothing after it changes them."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One row of the comparison: how wrong people and sensors are, and which step nobody does."""

    name: str
    preset: str
    left_out: frozenset[str] = frozenset()
    whole: bool = True


def cases() -> list[Case]:
    """Careful people, careless ones, one step less at a time, and the hard preset as it comes."""
    return [
        Case(name="careful, all steps", preset="realistic"),
        Case(name="careless, all steps", preset="hard"),
        *(Case(name=f"careful, no `{step}`", preset="realistic", left_out=frozenset({step})) for step in STEPS),
        Case(name="careless, steps missing by chance, straps slip", preset="hard", whole=False),
    ]


def _played(case: Case, index: int, shots: int) -> tuple[Recording, Truth]:
    changes: dict[str, Any] = {"left_out": case.left_out}
    if case.whole:
        changes |= {"missing_steps": 0.0, "strap_slip_deg": 0.0}
    sizes = errors_of(case.preset, **changes)
    lead: LeadSide = "left" if index % 2 == 0 else "right"
    visit = draw_visit(seed=SEED, index=index, lead_side=lead, rate=RATE, sizes=sizes)
    return play(visit, task=TASKS[index % len(TASKS)], shots=shots)


@contextmanager
def calibrated_by(way: Way | None) -> Iterator[None]:
    """Within it, the analysis takes the alignments of a way; None leaves the project's own."""
    own = routine.calibrate

    def other(
        motions: Mapping[str, Motion],
        events: Sequence[Event],
        *,
        lead_side: LeadSide,
        addresses: Mapping[str, FloatArray] | None = None,
        **settings: Any,
    ) -> Calibration:
        found = own(motions, events, lead_side=lead_side, addresses=addresses, **settings)
        if way is None:
            return found
        frames = way(motions, events, lead_side, addresses or {})
        return replace(
            found,
            alignments={
                point: Alignment(tracked_point=point, q_sensor_from_segment=q, covariance=EXACT * np.eye(3))
                for point, q in frames.items()
            },
        )

    routine.calibrate = other
    try:
        yield
    finally:
        routine.calibrate = own


def _errors(recording: Recording, truth: Truth, way: Way | None) -> list[dict[str, float | None]]:
    """One row a true swing: the error of each measure, None where it is null or the swing was not found."""
    names = [name for group in GROUPS.values() for name in group]
    nothing: dict[str, float | None] = dict.fromkeys(names)
    with warnings.catch_warnings(), calibrated_by(way):
        warnings.simplefilter("ignore")
        try:
            found = lesson.analyze(recording).swings
        except ImuswingError:
            return [nothing] * len(truth.swings)
    rows: list[dict[str, float | None]] = []
    impacts = found["impact_s"].to_numpy(dtype=float)
    for true in truth.swings.to_dict("records"):
        gaps = np.abs(impacts - true["impact_s"])
        if len(gaps) == 0 or gaps.min() > MATCH_WITHIN_S:
            rows.append(nothing)
            continue
        told = found.iloc[int(gaps.argmin())]
        rows.append({name: _difference(told.get(name), true[name]) for name in names})
    return rows


def _difference(told: Any, true: Any) -> float | None:
    try:
        error = float(told) - float(true)
    except (TypeError, ValueError):
        return None
    return error if np.isfinite(error) else None


def study_golfer(index: int, *, shots: int) -> dict[str, list[dict[str, float | None]]]:
    """Rows of one golfer by case and way."""
    rows = {}
    for case in cases():
        recording, truth = _played(case, index, shots)
        for name, way in WAYS.items():
            rows[f"{case.name}/{name}"] = _errors(recording, truth, way)
    return rows


def summary(golfers: list[dict[str, list[dict[str, float | None]]]]) -> list[dict[str, Any]]:
    """One line a case and way: RMSE of each group of measures (None where it is null in over half of the swings)."""
    lines = []
    for case in cases():
        for way in WAYS:
            rows = [row for golfer in golfers for row in golfer[f"{case.name}/{way}"]]
            line: dict[str, Any] = {"case": case.name, "way": way}
            for group, names in GROUPS.items():
                errors = np.array([row[name] for row in rows for name in names if row[name] is not None], dtype=float)
                enough = 2 * len(errors) > len(rows) * len(names)
                line[group] = float(np.sqrt(np.mean(errors**2))) if enough else None
            lines.append(line)
    return lines


def _golfers(count: int, shots: int, workers: int) -> list[dict[str, list[dict[str, float | None]]]]:
    work = partial(study_golfer, shots=shots)
    if workers == 1:
        return [work(index) for index in range(count)]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, range(count)))


def main() -> None:
    """Run the comparison and write the page."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--golfers", type=int, default=12, help="how many (default 12)")
    parser.add_argument("--shots", type=int, default=4, help="of each (default 4)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path, default=None, help="also write the figures to this file")
    parser.add_argument("--from-json", type=Path, default=None, help="write the page from figures of an earlier run")
    args = parser.parse_args()
    if args.from_json is not None:
        told = json.loads(args.from_json.read_text(encoding="utf-8"))
    else:
        lines = summary(_golfers(args.golfers, args.shots, args.workers))
        told = {"golfers": args.golfers, "shots": args.shots, "lines": lines, "open": open_recordings()}
    if args.json is not None:
        args.json.write_text(json.dumps(told, indent=1), encoding="utf-8")
    print(*write_page(told), sep="\n")


if __name__ == "__main__":
    main()
