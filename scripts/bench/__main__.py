"""`scripts/accuracy`: simulate golfers, analyse what their sensors recorded, print one table of figures."""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from pathlib import Path
from typing import Any

from bench.run import Job, bench
from bench.score import detection, measures, odd_swings, reliability, stalls, timing
from bench.show import table
from bench.targets import targets_of


def parse(arguments: list[str] | None = None) -> argparse.Namespace:
    """Options of the bench."""
    parser = argparse.ArgumentParser(
        prog="scripts/accuracy",
        description="Simulated golfers through the whole analysis, beside the truth and two plain references: "
        "`sensor` (same samples, true mount, bias and event times) and `routine` (true motion with soft tissue in the "
        "axes that the person's imperfect routine gives when each step is read plainly).",
        epilog="Example: scripts/accuracy --preset realistic --golfers 12 --shots 20 --json figures.json",
    )
    parser.add_argument("--preset", choices=("realistic", "hard", "ideal"), default="realistic")
    parser.add_argument("--golfers", type=int, default=12, help="how many (default 12)")
    parser.add_argument("--shots", type=int, default=18, help="of each golfer (default 18)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, metavar="N", help="number of the first golfer (default 0)")
    parser.add_argument("--rate", type=float, default=None, help="Hz; taken in turns from 100 to 400 if not given")
    parser.add_argument("--tasks", default=None, help="of each golfer, with commas; taken in turns if not given")
    parser.add_argument("--targets", choices=("first", "strict"), default="first", help="which limits to print")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--json", type=Path, default=None, metavar="OUT", help="also write all figures to this file")
    parser.add_argument(
        "--rows", type=Path, default=None, metavar="OUT", help="also write every swing to this Parquet file"
    )
    return parser.parse_args(arguments)


def figures(outcome: dict[str, Any], *, preset: str, targets: str, title: str) -> dict[str, Any]:
    """All figures of a bench's rows."""
    rows, limits = outcome["rows"], targets_of(targets, preset)
    result: dict[str, Any] = {
        "title": title,
        "detection": detection(rows, outcome["extra"], limits),
        "timing": timing(rows, limits) if rows["found"].any() else [],
        "measures": measures(rows, limits) if rows["found"].any() else [],
        "stalls": stalls(rows, limits),
        "reliability": reliability(rows) if "chest_stall_probability_found" in rows else [],
        "odd": odd_swings(rows),
        "extra": outcome["extra"],
        "failures": outcome["failures"],
    }
    verdicts = [row["met"] for part in ("detection", "timing", "measures", "stalls") for row in result[part]]
    verdicts += [row["coverage_met"] for row in result["measures"] if "coverage_met" in row]
    result["limits"] = sum(verdict is not None for verdict in verdicts)
    result["met"] = sum(verdict is True for verdict in verdicts)
    return result


def _plain(value: Any) -> Any:
    """The same with null instead of nan, which JSON does not know, and numpy's numbers as Python's."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def main(arguments: list[str] | None = None) -> int:
    """Run the bench and print its table."""
    args = parse(arguments)
    started = time.monotonic()
    tasks = tuple(args.tasks.split(",")) if args.tasks else None
    jobs = [
        Job(index=args.first + place, seed=args.seed, shots=args.shots, preset=args.preset, tasks=tasks, rate=args.rate)
        for place in range(args.golfers)
    ]
    outcome = bench(jobs, workers=args.workers)
    rows = outcome["rows"]
    shots = int((rows["kind"] == "shot").sum())
    right = int((rows.groupby("golfer")["lead_side"].first() == "right").sum())
    title = (
        f"Accuracy on simulated lessons: {args.preset}, seed {args.seed}, {args.golfers} golfers "
        f"({right} lead with the right), {shots} shots and "
        f"{len(rows) - shots} practice swings, {rows['rate'].min():.0f}–{rows['rate'].max():.0f} Hz; limits: "
        f"{args.targets}; {time.monotonic() - started:.0f} s"
    )
    result = figures(outcome, preset=args.preset, targets=args.targets, title=title)
    print(table(result))
    if args.json is not None:
        args.json.write_text(json.dumps(_plain(result), indent=1, allow_nan=False), encoding="utf-8")
    if args.rows is not None:
        rows.drop(columns=[name for name in rows if name.startswith("flags")]).to_parquet(args.rows, index=False)
    return 0


if __name__ == "__main__":
    sys.exit(main())
