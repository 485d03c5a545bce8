"""`imuswing simulate`."""

from __future__ import annotations

import argparse
from pathlib import Path

SUMMARY = "Make a dataset of simulated lessons with the truth beside it, to test the whole chain."
EXAMPLE = "imuswing simulate --out trial --seed 1 --golfers 2 --shots 10"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="DIR/dataset and DIR/truth are made")
    parser.add_argument("--seed", type=int, required=True, metavar="N", help="the same number gives the same data")
    parser.add_argument("--golfers", type=int, default=2, metavar="K", help="how many golfers (2)")
    parser.add_argument("--shots", type=int, default=10, metavar="M", help="shots a recording (10)")
    parser.add_argument(
        "--preset", choices=("realistic", "hard"), default="realistic", help="size of the errors (realistic)"
    )


def run(args: argparse.Namespace) -> int:
    """Simulate and write."""
    from imuswing.simulate.dataset import simulate_dataset

    simulate_dataset(args.out, seed=args.seed, golfers=args.golfers, shots=args.shots, preset=args.preset)
    print(f"written: {args.out / 'dataset'} and, never inside it, {args.out / 'truth'}")
    return 0
