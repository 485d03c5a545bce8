"""`imuswing check`."""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path
from typing import Any

SUMMARY = "Say in words whether a recording is good, and what to do before the student goes home."
EXAMPLE = "imuswing check lessons/sub-S001/ses-01/motion/sub-S001_ses-01_task-chip_tracksys-chest_motion.tsv"

COSTS = (
    ("chest", "there is no chest rotation"),
    ("lead_forearm", "there is no backswing, no tempo and no wrist"),
    ("lead_hand", "there is no wrist"),
)
"""What a sensor that is not worn costs."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="a *_motion.tsv, a session folder or a whole dataset"
    )


def run(args: argparse.Namespace) -> int:
    """Print the quality of each recording; 1 where one cannot be used."""
    from imuswing.errors import RecordingError
    from imuswing.lesson import analyze
    from imuswing.recording.read import RecordingWarning, find_recordings, read

    status = 0
    for path in find_recordings(args.recording):
        try:
            with warnings.catch_warnings():
                # What was left out in reading stands in the quality record below.
                warnings.simplefilter("ignore", RecordingWarning)
                lesson = analyze(read(path))
        except RecordingError as error:
            print(f"NOT USABLE  {error}")
            status = 1
            continue
        entry = lesson.quality["recordings"][0]
        print("\n".join(in_words(path.name, entry)))
        if not usable(entry):
            status = 1
    return status


def usable(entry: dict[str, Any]) -> bool:
    """Whether at least one swing was found, where any is expected, and at least one sensor's axes are known."""
    swings = entry["swings"]
    return bool(swings["found"] or not swings["expected"]) and bool(entry["calibration"]["axes_se_deg"])


def in_words(name: str, entry: dict[str, Any]) -> list[str]:
    """The lines about one recording; entry: its part of the quality record."""
    lines = [name, "  " + ("usable" if usable(entry) else "NOT USABLE")]
    found = entry["swings"]
    lines.append(f"  swings: {found['found']}, of these shots: {found['shots']}")
    for point, numbers in entry["sensors"].items():
        text = f"  {point.replace('_', ' ')}: {_rate(numbers['rate_hz'])} Hz, {_lost(numbers)} lost"
        if numbers["clipped_samples"]:
            text += f", {numbers['clipped_samples']} samples at the gyro's limit"
        lines.append(text)
    lines.append(f"  calibration ({entry['calibration']['source']}):")
    for step, result in entry["calibration"]["steps"].items():
        lines.append(f"    {step}: {result['text']}")
    lines += [
        f"  not worn: {point.replace('_', ' ')}, so {cost}" for point, cost in COSTS if point not in entry["worn"]
    ]
    for warning in entry["warnings"]:
        lines.append(f"  {warning['level'].upper()}: {_sentence(warning['text'])} {_sentence(warning['do'])}")
    if not entry["warnings"]:
        lines.append("  nothing to improve was found")
    return lines


def _rate(rate_hz: float) -> str:
    """Whole where it is nearly whole: 99.7 Hz, below the 100 Hz that are asked for, is not told as 100."""
    return f"{rate_hz:.0f}" if abs(rate_hz - round(rate_hz)) < 0.05 else f"{rate_hz:.1f}"


def _lost(numbers: dict[str, Any]) -> str:
    """The share of lost samples; 0.0 % only where none is lost."""
    percent = 100.0 * numbers["lost_samples"] / max(numbers["samples"], 1)
    return f"{percent:.1f} %" if percent >= 0.05 or not percent else "under 0.1 %"


def _sentence(text: str) -> str:
    """With a capital and a full stop; a capital inside stays, and a file's name in front."""
    first = text[:1] if "_" in text.partition(" ")[0] else text[:1].upper()
    return first + text[1:].rstrip(".") + "."
