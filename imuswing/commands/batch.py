"""`imuswing batch`."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

SUMMARY = "Analyze every recording of a dataset, resuming where it was left; tables, failures and provenance."
EXAMPLE = "imuswing batch lessons --out results --workers 2"

STOPPED = 130
"""Exit status of a program that Ctrl-C ended: 128 and the signal's number (common practice, no source)."""

MOST_TOLD = 10
"""Recordings without use that the terminal lists, lest a large dataset fill it (common practice, no source)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("dataset", type=Path, metavar="DATASET", help="a dataset or a session folder")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the results go")
    parser.add_argument(
        "--workers", type=int, default=None, metavar="N", help="processes on this machine (as many as cores)"
    )
    parser.add_argument("--scheduler", metavar="ADDRESS", help="a Dask scheduler to run on instead")
    parser.add_argument(
        "--include", action="append", default=[], metavar="PATTERN", help="only such paths, e.g. '*task-chip*'"
    )
    parser.add_argument("--exclude", action="append", default=[], metavar="PATTERN", help="not such paths")
    parser.add_argument(
        "--batch-size",
        type=int,
        metavar="N",
        help="recordings a task, and a file of each table (16, of few recordings less)",
    )
    parser.add_argument("--orientations", action="store_true", help="orientations of the segments too (quaternions)")
    parser.add_argument("--dry-run", action="store_true", help="only say what would be done")


def run(args: argparse.Namespace) -> int:
    """Run the batch; 3 where some recordings could not be used."""
    from imuswing.errors import SettingsError, counted

    if args.workers is not None and args.workers < 1:
        raise SettingsError(f"--workers is {args.workers}; it must be 1 or more")
    if args.batch_size is not None and args.batch_size < 1:
        raise SettingsError(f"--batch-size is {args.batch_size}; it must be 1 or more")
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    from imuswing.batch.run import BatchSettings, plan_batch, progress_line, run_batch
    from imuswing.lesson import Settings

    settings = Settings()
    batch = BatchSettings(
        workers=args.workers or os.cpu_count() or 1,
        scheduler=args.scheduler,
        include=tuple(args.include),
        exclude=tuple(args.exclude),
        orientations=args.orientations,
        batch_size=args.batch_size,
    )
    plan = plan_batch(args.dataset, args.out, settings=settings, batch=batch)
    print(f"{counted(plan.recordings, 'recording')}: {plan.kept} done already, {plan.to_do} to do")
    if args.dry_run:
        return 0
    try:
        failures = run_batch(plan, args.out, settings=settings, batch=batch, progress=progress_line(sys.stderr))
    except KeyboardInterrupt:
        print(f"\nstopped; what is done is kept in {args.out}: start again to go on", file=sys.stderr)
        return STOPPED
    unusable = f"; {counted(len(failures), 'recording')} could not be used (failures.tsv)" if failures else ""
    print(f"written: {args.out}{unusable}")
    for _, sentence in failures[:MOST_TOLD]:
        print(sentence, file=sys.stderr)
    if len(failures) > MOST_TOLD:
        print(f"and {len(failures) - MOST_TOLD} more: {args.out / 'failures.tsv'}", file=sys.stderr)
    return 3 if failures else 0
