"""Write docs/accuracy.md from the bench's own figures: `python scripts/make_accuracy_page.py REALISTIC.json HARD.json`.

The files come from `scripts/accuracy --json FILE`, one for each preset. Every figure on the page is one of theirs; it
says what the simulation cannot show.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

PAGE = Path(__file__).resolve().parents[1] / "docs" / "accuracy.md"

HEAD = """# How accurate the measures are

Written by `scripts/make_accuracy_page.py` from `scripts/accuracy`; do not edit by hand.

**What these figures are.** Simulated golfers with simulated sensors, straps, clocks and calibration routines go through
the whole analysis; the result is held against the simulation's truth. The simulator is part of this project. Its
sizes of errors come from the literature where they are known and are assumptions elsewhere; shock at impact, skin
and strap motion are among the assumptions.

**What they are not.** No recording of a real golf swing with an optical reference could be had, and no optical
validation of lead-wrist sensor angles at golf speed was found. On real sensors only orientation and two jointed
rigs could be checked (`scripts/orientation_accuracy`).

*sensor*: the same samples read with the true mount, bias and event times. *routine*: the true motion, skin included,
in the axes that the person's imperfect routine gives when each step is read plainly. *within*: a golfer's mean error
taken off, which is what matters for change within a visit. *covered*: share of true values within ± 1.96 standard
errors.
"""


def main() -> None:
    """Read the figures and write the page."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("figures", type=Path, nargs="+", help="JSON files of scripts/accuracy")
    args = parser.parse_args()
    parts = [HEAD, *(_part(json.loads(path.read_text(encoding="utf-8"))) for path in args.figures)]
    PAGE.write_text("\n".join(parts), encoding="utf-8")
    print(f"written: {PAGE}")


def _part(figures: dict[str, Any]) -> str:
    title = figures["title"].removeprefix("Accuracy on simulated lessons: ").rsplit(";", 1)[0]
    lines = [f"## {title[:1].upper()}{title[1:]}", ""]
    lines += [f"{figures['met']} of {figures['limits']} limits that the project set itself are met.", ""]
    lines += ["| swings and moments | value | limit | | n |", "|---|---|---|---|---|"]
    for row in figures["detection"]:
        lines.append(
            f"| {row['name']} | {row['value']:.3f} | {_limit(row, '{:.3f}', 1.0)} | {_met(row)} | {row['n']} |"
        )
    for row in figures["timing"]:
        limit = _limit(row, "{:.0f} ms", 1000.0)
        lines.append(f"| {row['name']} | {1000 * row['value']:.1f} ms | {limit} | {_met(row)} | {row['n']} |")
    for row in figures["stalls"]:
        lines.append(
            f"| {row['name']} | {row['value']:.3f} | {_limit(row, '{:.3f}', 1.0)} | {_met(row)} | {row['n']} |"
        )
    lines += [
        "",
        "| measure | RMSE | within | sensor | routine | limit | | covered |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in figures["measures"]:
        if row.get("value") is None or row.get("coverage") is None:
            continue
        cells = [_number(row.get(key)) for key in ("value", "within", "sensor", "routine", "limit")]
        lines.append(f"| `{row['name']}` | {' | '.join(cells)} | {_met(row)} | {row['coverage']:.2f} |")
    absent = [f"`{row['name']}`" for row in figures["measures"] if not row.get("n")]
    if absent:
        lines += ["", f"Null throughout: {', '.join(absent)} (no pose of the routine ties the club's heading)."]
    lines += ["", "| told stall probability | share that were stalls | n |", "|---|---|---|"]
    lines += [f"| {row['told']:.2f} | {row['was']:.2f} | {row['n']} |" for row in figures["reliability"]]
    return "\n".join(lines) + "\n"


def _limit(row: dict[str, Any], form: str, factor: float) -> str:
    if row["limit"] is None:
        return ""
    return ("≥ " if row["at_least"] else "≤ ") + form.format(factor * row["limit"])


def _met(row: dict[str, Any]) -> str:
    return {True: "met", False: "**missed**", None: ""}[row["met"]]


def _number(value: float | None) -> str:
    if value is None:
        return ""
    decimals = 3 if abs(value) < 0.1 else 2 if abs(value) < 10 else 1
    return f"{value:.{decimals}f}"


if __name__ == "__main__":
    main()
