"""How well the calibration routine is found where nobody marked it, and what that costs the measures.

    .venv/bin/python scripts/found_routine.py --golfers 24

Simulated lessons, realistic and hard, chips to full swings, both lead sides, 100 to 400 Hz, and lessons in which no
routine is done. Marks are taken away, the routine is looked for, and both calibrations are held against the truth.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from imuswing.body.find_routine import FINDABLE, find_routine
from imuswing.lesson import analyze
from imuswing.recording.model import Recording
from imuswing.sensors.prepare import prepare
from imuswing.simulate import Truth, simulate_recording
from imuswing.vocabulary import CALIBRATION_STEPS

TASKS, RATES, SHOTS = ("chip", "pitch", "full"), (100.0, 200.0, 400.0), 6
NEAR_S = 0.3
MEASURES = (
    "chest_turn_rate_impact_dps",
    "chest_continuity",
    "chest_turn_top_deg",
    "shoulder_tilt_impact_deg",
    "chest_lean_impact_deg",
    "wrist_flexion_impact_deg",
    "wrist_ulnar_impact_deg",
    "arm_height_top_deg",
)


@dataclass(kw_only=True)
class Tally:
    """What is counted over golfers."""

    done: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    found: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    false: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    off_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    errors: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    lost: dict[tuple[str, str], int] = field(default_factory=lambda: defaultdict(int))


def lesson_of(number: int, preset: str, *, routine: bool) -> tuple[Recording, Truth]:
    """One golfer's lesson."""
    return simulate_recording(
        seed=5000 + number,
        task=TASKS[number % 3],
        shots=SHOTS,
        rate=RATES[(number // 3) % 3],
        preset=preset,
        lead_side="left" if number % 2 else "right",
        routine=routine,
    )


def count_steps(tally: Tally, recording: Recording, truth: Truth) -> None:
    """Steps done, found, and found where they were not."""
    found = {event.trial_type: event for event in find_routine(prepare(recording).motions)}
    done = {name: (start - truth.start, end - truth.start) for name, start, end in truth.score.steps}
    for name in FINDABLE:
        if name in done:
            tally.done[name] += 1
        if name not in found:
            continue
        start, end = done.get(name, (np.inf, np.inf))
        event = found[name]
        if min(event.end, end) - max(event.onset, start) > NEAR_S * event.duration:
            tally.found[name] += 1
            tally.off_s[name] += [event.onset - start, event.end - end]
        else:
            tally.false[name] += 1


def count_errors(tally: Tally, how: str, recording: Recording, truth: Truth) -> None:
    """Errors of the measures of swings that are found within a quarter of a second."""
    swings = analyze(recording).swings
    for _, true in truth.swings.iterrows():
        off = np.abs(swings["impact_s"] - true["impact_s"])
        if not len(off) or off.min() > 0.25:
            continue
        row = swings.loc[off.idxmin()]
        for name in MEASURES:
            if pd.isna(row[name]):
                tally.lost[how, name] += 1
            elif not pd.isna(true[name]):
                tally.errors[how, name].append(float(row[name] - true[name]))


def show(preset: str, tally: Tally) -> None:
    """Print the tables of one preset."""
    print(f"\n{preset}: steps done, found, found wrongly, and how far their ends are off (s; median, largest)")
    for name in CALIBRATION_STEPS:
        if tally.done[name]:
            off = np.abs(tally.off_s[name] or [np.nan])
            print(
                f"  {name:13s} {tally.done[name]:3d} {tally.found[name]:3d} {tally.false[name]:3d}"
                f"   {np.median(off):5.2f} {np.max(off):5.2f}"
            )
    print(f"{preset}: RMS error with marked steps, with found ones; swings without a value")
    for name in MEASURES:
        both = [np.array(tally.errors[how, name] or [np.nan]) for how in ("marked", "found")]
        rms = [float(np.sqrt(np.mean(errors**2))) for errors in both]
        print(
            f"  {name:28s} {rms[0]:7.2f} {rms[1]:7.2f}   {tally.lost['marked', name]:3d} {tally.lost['found', name]:3d}"
        )


def main() -> None:
    """Play the lessons and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--golfers", type=int, default=24)
    golfers = parser.parse_args().golfers
    for preset in ("realistic", "hard"):
        tally, none = Tally(), Tally()
        for number in range(golfers):
            recording, truth = lesson_of(number, preset, routine=True)
            bare = recording.with_events(tuple(e for e in recording.events if e.trial_type not in CALIBRATION_STEPS))
            count_steps(tally, recording, truth)
            count_errors(tally, "marked", recording, truth)
            count_errors(tally, "found", bare, truth)
            count_steps(none, *lesson_of(number, preset, routine=False))
        show(preset, tally)
        print(f"{preset}: steps found in {golfers} lessons without a routine: {sum(none.false.values())}")


if __name__ == "__main__":
    main()
