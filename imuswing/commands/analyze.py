"""`imuswing analyze`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from imuswing.errors import counted

SUMMARY = "Find every swing of a recording, measure it and write tables and a page."
EXAMPLE = "imuswing analyze lessons/sub-S001/ses-01 --out results"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="a *_motion.tsv, a session folder or a whole dataset"
    )
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the results go")
    parser.add_argument("--no-report", action="store_true", help="tables and quality record only, no page")
    parser.add_argument("--language", default="en", metavar="LANGUAGE", help="of the page: en or de (en)")
    parser.add_argument(
        "--orientations", action="store_true", help="orientations.parquet too, for the coach page's figure in space"
    )


def run(args: argparse.Namespace) -> int:
    """Analyze and write; the status is 3 where some recordings of several could not be used."""
    from imuswing.report.texts import load_texts
    from imuswing.results import analyze_path, refuse_dataset, write_results

    load_texts(args.language)  # what is wrong is told before the work
    refuse_dataset(args.out)
    lesson, failures = analyze_path(args.recording, orientations=args.orientations)
    written = write_results(lesson, args.out, report=not args.no_report, language=args.language)
    print(answer(lesson))
    if told := problems(lesson, args.recording, page=not args.no_report):
        print(told)
    print(f"written: {', '.join(path.name for path in written)} in {args.out}")
    for failure in failures:
        print(failure.sentence, file=sys.stderr)
    return 3 if failures else 0


def answer(lesson: object) -> str:
    """The answer in one line: in how many shots the chest kept turning through the ball."""
    swings = lesson.swings  # type: ignore[attr-defined]
    shots = swings[swings["kind"] == "shot"]
    judged = shots[shots["chest_verdict"].notna()]
    if not len(shots):
        return f"{counted(len(swings), 'swing')} found, none of them a shot."
    if not len(judged):
        found = counted(len(shots), "shot")
        return f"{found} found; without a chest sensor, or without its axes, chest rotation cannot be told."
    counts = judged["chest_verdict"].value_counts()
    parts = [f"{word} in {int(counts.get(word, 0))}" for word in ("turning", "slowing", "stalled")]
    unjudged = len(shots) - len(judged)
    more = f" Not judged: {counted(unjudged, 'more shot')}." if unjudged else ""
    return f"Chest through the ball, {counted(len(judged), 'shot')}: {', '.join(parts)}.{more}"


def problems(lesson: object, recording: Path, *, page: bool) -> str | None:
    """How many problems the quality record tells and where they are read; None without one."""
    from imuswing.report.ledger import warning_count

    count = warning_count(lesson.quality)  # type: ignore[attr-defined]
    if not count:
        return None
    where = f"`imuswing check {recording}`{' or the page' if page else ''}"
    return f"The quality record tells {counted(count, 'problem')}: {where} says which and what to do."
