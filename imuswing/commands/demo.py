"""`imuswing demo`."""

from __future__ import annotations

import argparse
from pathlib import Path

SUMMARY = "Analyze the recording that ships with the project and name the page to open."
EXAMPLE = "imuswing demo"

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "--out", type=Path, default=Path("demo-results"), metavar="FOLDER", help="where the results go (demo-results)"
    )


def run(args: argparse.Namespace) -> int:
    """Analyze the demo dataset."""
    from imuswing.commands.analyze import answer
    from imuswing.errors import RecordingError
    from imuswing.results import REPORT_FILE, analyze_path, write_results

    if not RECORDINGS.is_dir():
        raise RecordingError(
            RECORDINGS, "is not there", "run the demo from a checkout of the project, which carries it"
        )
    lesson, _ = analyze_path(RECORDINGS)
    write_results(lesson, args.out)
    print("Simulated golfer, a scenario of our own; no real person.")
    print(answer(lesson))
    print(f"Open {(args.out / REPORT_FILE).resolve()}")
    return 0
