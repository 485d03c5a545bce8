"""`imuswing export`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

SUMMARY = "Write a recording or results for other tools: CSV, Parquet, C3D, OpenSim orientations."
EXAMPLE = "imuswing export lessons/sub-S001/ses-01 --format csv --frames --out tables"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add = parser.add_argument
    add(
        "source",
        type=Path,
        metavar="RECORDING|RESULTS",
        help="a *_motion.tsv, a session folder, a dataset, or a folder that analyze or batch wrote",
    )
    add(
        "--format",
        required=True,
        choices=("csv", "parquet", "c3d", "sto"),
        help="csv, parquet: samples or result tables; c3d, sto: one file a swing",
    )
    add("--out", type=Path, required=True, metavar="PATH", help="a folder, or one file that ends as the format does")
    add("--frames", action="store_true", help="csv, parquet: swings frame by frame (orientations, angles, moments)")
    add("--swing", type=int, metavar="N", help="only this swing, of what goes out frame by frame")
    add("--rate", type=float, metavar="HZ", help="frames a second (the fastest sensor's)")
    add("--decimal-comma", action="store_true", help="csv: commas in numbers and semicolons between cells")
    add("--overwrite", action="store_true", help="replace files that are there")


def run(args: argparse.Namespace) -> int:
    """Export and say what was written; 3 where some recordings of several could not be used."""
    from imuswing.export.run import export
    from imuswing.export.settings import ExportSettings

    settings = ExportSettings(
        format=args.format,
        frames=args.frames,
        swing=args.swing,
        rate_hz=args.rate,
        decimal_comma=args.decimal_comma,
        overwrite=args.overwrite,
    )
    done = export(args.source, args.out, settings=settings)
    for path in done.written:
        print(f"written: {path}")
    for note in done.notes:
        print(note, file=sys.stderr)
    for failure in done.failures:
        print(failure.sentence, file=sys.stderr)
    return 3 if done.failures else 0
