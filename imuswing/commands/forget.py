"""`imuswing forget`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

SUMMARY = "Remove a student: recordings, plan, rows and results, after confirmation."
EXAMPLE = "imuswing forget lessons S001 --results results"
ELSEWHERE = (
    "Copies elsewhere (backups, version control, exports, pages that were sent) are not found: delete them yourself."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("dataset", type=Path, metavar="DATASET", help="the dataset that the student is in")
    parser.add_argument("participant", metavar="PARTICIPANT", help="the student's label, such as S001")
    parser.add_argument("--yes", action="store_true", help="do not ask")
    parser.add_argument(
        "--results",
        type=Path,
        nargs="+",
        default=[],
        metavar="FOLDER",
        help="results folders elsewhere whose tables lose the student's rows as well",
    )


def run(args: argparse.Namespace) -> int:
    """Say what would go, ask, remove it and say what went."""
    from imuswing.errors import SettingsError
    from imuswing.plan.forget import forget, removals

    items = removals(args.dataset, args.participant, results=args.results)
    told = [f"  {item.path}: {item.what}" for item in items if item.path.exists() or item.path.is_symlink()]
    label = args.participant.removeprefix("sub-")
    if not args.yes:
        print("\n".join([f"To be removed for good, of sub-{label}:", *told]))
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            raise SettingsError("nobody is at a terminal to confirm; look at the list, then add --yes")
        if input(f"Type {label} to remove all of this: ").strip().removeprefix("sub-") != label:
            raise SettingsError("that is not the label; nothing was removed")
    forget(items)
    print("\n".join(["Removed:", *told, ELSEWHERE]))
    return 0
