"""`imuswing report`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

SUMMARY = "Write a page for a student, a coach, or about progress over visits: one file, nothing loaded from elsewhere."
EXAMPLE = "imuswing report results --for student --out review.html"
READERS = ("student", "coach", "progress")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "results", type=Path, nargs="+", metavar="RESULTS", help="one or more folders that analyze or batch wrote"
    )
    parser.add_argument("--for", dest="reader", choices=READERS, required=True, help="whom the page is for")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="the page to write")
    parser.add_argument("--plan", type=Path, metavar="FILE", help="the student's plan (DATASET/plans/sub-LABEL.toml)")
    parser.add_argument("--participant", metavar="LABEL", help="whose page, where the results hold several students")
    parser.add_argument("--task", metavar="LABEL", help="kind of shot (the one with most shots; coach: all)")
    parser.add_argument("--by", choices=("block", "session"), help="what is before and after (visits, else blocks)")
    parser.add_argument("--language", default="en", metavar="LANGUAGE", help="en or de (en)")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="print the page to this PDF as well (needs Chromium)")


def run(args: argparse.Namespace) -> int:
    """Write the page, and the PDF if asked for."""
    from imuswing.report.load import load_results, one_student, one_task
    from imuswing.report.texts import load_texts
    from imuswing.results import write_text

    texts = load_texts(args.language)
    plan = _plan(args.plan)
    results = one_student(load_results(args.results), args.participant)
    if args.task or args.reader != "coach":
        results = one_task(results, args.task)
    html = _renderer(args.reader)(results, plan=plan, by=args.by, texts=texts)
    args.out.parent.mkdir(parents=True, exist_ok=True)
    write_text(args.out, html)
    print(f"Open {args.out.resolve()}")
    if args.pdf:
        from imuswing.report.pdf import print_pdf

        pages = print_pdf(args.out, args.pdf)
        print(f"written: {args.pdf}, {pages} pages")
    return 0


def _renderer(reader: str) -> Callable[..., str]:
    if reader == "student":
        from imuswing.report.student_page import render_student

        return render_student
    if reader == "coach":
        from imuswing.report.coach_page import render_coach

        return render_coach
    from imuswing.report.progress_page import render_progress

    return render_progress


def _plan(path: Path | None) -> dict[str, Any] | None:
    """A plan file as plain data."""
    if path is None:
        return None
    import tomllib

    from imuswing.errors import RecordingError

    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise RecordingError(path, "is not there", "name the student's plan file") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RecordingError(path, f"it is no plan ({error})", "correct the file") from error
