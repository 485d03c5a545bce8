"""`imuswing report`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

    from imuswing.report.texts import Texts

SUMMARY = (
    "Write a page for a student, a coach, a researcher, or about progress: one file, nothing loaded from elsewhere."
)
EXAMPLE = "imuswing report results --for student --out review.html"
RESEARCHER = "researcher"
READERS = ("student", "coach", "progress", RESEARCHER)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "results", type=Path, nargs="+", metavar="RESULTS", help="one or more folders that analyze or batch wrote"
    )
    parser.add_argument("--for", dest="reader", choices=READERS, required=True, help="whom the page is for")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="the page to write")
    parser.add_argument(
        "--plan", type=Path, metavar="FILE", help="the student's plan, or the dataset that holds it (DATASET/plans)"
    )
    parser.add_argument("--participant", metavar="LABEL", help="whose page, where the results hold several students")
    parser.add_argument(
        "--task", metavar="LABEL", help="kind of shot (the one with most shots; coach, researcher: all)"
    )
    parser.add_argument("--by", choices=("block", "session"), help="what is before and after (visits, else blocks)")
    parser.add_argument(
        "--block",
        action="append",
        default=[],
        metavar="NAME",
        help="researcher: tell how measures repeat from shots of this block only; more than one may be named",
    )
    parser.add_argument("--language", default="en", metavar="LANGUAGE", help="en or de (en)")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="print the page to this PDF as well (needs Chromium)")


def run(args: argparse.Namespace) -> int:
    """Write the page, and the PDF if asked for."""
    from imuswing.errors import SettingsError
    from imuswing.report.texts import load_texts
    from imuswing.results import write_text

    texts = load_texts(args.language)
    if args.reader == RESEARCHER and (args.plan or args.by):
        raise SettingsError("the researcher's page is about all students and visits; leave out --plan and --by")
    if args.reader != RESEARCHER and args.block:
        raise SettingsError("--block is for the researcher's page only; leave it out")
    html = _researcher(args, texts) if args.reader == RESEARCHER else _one_student(args, texts)
    args.out.parent.mkdir(parents=True, exist_ok=True)
    write_text(args.out, html)
    print(f"Open {args.out.resolve()}")
    if args.pdf:
        from imuswing.report.pdf import print_pdf

        pages = print_pdf(args.out, args.pdf)
        print(f"written: {args.pdf}, {pages} pages")
    return 0


def _one_student(args: argparse.Namespace, texts: Texts) -> str:
    from imuswing.report.load import load_results, one_student, one_task

    results = one_student(load_results(args.results), args.participant)
    plan = _plan(args.plan, str(results.swings["participant"].iloc[0]))
    if args.task or args.reader != "coach":
        results = one_task(results, args.task)
    return _renderer(args.reader)(results, plan=plan, by=args.by, texts=texts)


def _researcher(args: argparse.Namespace, texts: Texts) -> str:
    from imuswing.errors import require_one_of
    from imuswing.report.load import load_dataset
    from imuswing.report.researcher_page import render_researcher

    dataset = load_dataset(args.results)
    wanted = {"participant": args.participant, "task": args.task}
    labels = {name: label for name, label in wanted.items() if label is not None}
    for column, label in (*labels.items(), *(("block", block) for block in args.block)):
        there = sorted(str(one) for one in dataset.swings[column].dropna().unique())
        require_one_of(f"--{column}", label, there)
    return render_researcher(dataset.of(**labels), blocks=tuple(args.block), texts=texts)


def _renderer(reader: str) -> Callable[..., str]:
    if reader == "student":
        from imuswing.report.student_page import render_student

        return render_student
    if reader == "coach":
        from imuswing.report.coach_page import render_coach

        return render_coach
    from imuswing.report.progress_page import render_progress

    return render_progress


def _plan(path: Path | None, participant: str) -> dict[str, Any] | None:
    """The student's plan as plain data, from its file or from the dataset; another student's is refused."""
    if path is None:
        return None
    from imuswing.plan.files import plan_of
    from imuswing.plan.model import plan_data

    return plan_data(plan_of(path, participant))
