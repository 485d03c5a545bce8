"""Write docs/accuracy.md from the bench's own figures: `python scripts/make_accuracy_page.py REALISTIC.json HARD.json`.

The files come from `scripts/accuracy --json FILE`, one for each preset. Every figure on the page is one of theirs; it
says what the simulation cannot show. The section about standard errors comes from `--coverage FILE…`, the same bench
over many golfers; that about clocks from `--clocks FILE…` of `scripts/clock_accuracy.py --json FILE`. What is not given
stays as it stands on the page.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from clock_accuracy import groups

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
    parser.add_argument("figures", type=Path, nargs="*", help="JSON files of scripts/accuracy")
    parser.add_argument("--clocks", type=Path, nargs="+", default=[], help="JSON files of scripts/clock_accuracy.py")
    parser.add_argument("--coverage", type=Path, nargs="+", default=[], help="JSON files of scripts/accuracy")
    args = parser.parse_args()
    measures, coverage, clocks = _standing()
    if args.figures:
        measures = "\n".join([HEAD, *(_part(json.loads(path.read_text(encoding="utf-8"))) for path in args.figures)])
    if args.clocks:
        clocks = _clocks([row for path in args.clocks for row in json.loads(path.read_text(encoding="utf-8"))])
    if args.coverage:
        coverage = _coverage([json.loads(path.read_text(encoding="utf-8")) for path in args.coverage])
    PAGE.write_text("\n".join(part for part in (measures, coverage, clocks) if part), encoding="utf-8")
    print(f"written: {PAGE}")


def _standing() -> tuple[str, str, str]:
    """The page as it stands: accuracy, the section about standard errors and that about clocks."""
    page = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    before, title, clocks = page.partition(f"\n{CLOCKS_TITLE}\n")
    measures, second, coverage = before.partition(f"\n{COVERAGE_TITLE}\n")
    return measures, second[1:] + coverage, title[1:] + clocks


COVERAGE_TITLE = "## Standard errors"

COVERAGE_HEAD = f"""{COVERAGE_TITLE}

Share of true values within ± 1.96 standard errors, over more golfers than above, each with a routine of their own; in
brackets where it lies 19 times in 20, by drawing golfers anew with replacement (percentile bootstrap; a golfer's swings
share the routine's errors, so that golfers count, not swings). A bold one leaves 0.95 out: below, the standard errors
are too small; above, too large.
"""


def _coverage(benches: list[dict[str, Any]]) -> str:
    lines = [COVERAGE_HEAD]
    for bench in benches:
        title = bench["title"].removeprefix("Accuracy on simulated lessons: ").rsplit("; limits", 1)[0]
        held = [row for row in bench["measures"] if row.get("coverage") is not None]
        good = sum(_holds(row) for row in held)
        lines.append(f"- {title}: 0.95 lies in the brackets of {good} of {len(held)} measures.")
    names = [row["name"] for row in benches[0]["measures"] if row.get("coverage") is not None]
    presets = [bench["title"].removeprefix("Accuracy on simulated lessons: ").split(",")[0] for bench in benches]
    lines += ["", f"| measure | {' | '.join(presets)} |", f"|---{'|---' * len(benches)}|"]
    for name in names:
        rows = [next(row for row in bench["measures"] if row["name"] == name) for bench in benches]
        lines.append(f"| `{name}` | {' | '.join(_held(row) for row in rows)} |")
    return "\n".join(lines) + "\n"


def _holds(row: dict[str, Any]) -> bool:
    return bool(row["coverage_low"] <= 0.95 <= row["coverage_high"])


def _held(row: dict[str, Any]) -> str:
    if row.get("coverage") is None:
        return ""
    share = f"{row['coverage']:.2f} [{row['coverage_low']:.2f}–{row['coverage_high']:.2f}]"
    return share if _holds(row) else f"**{share}**"


CLOCKS_TITLE = "## Clocks"

CLOCKS_HEAD = f"""{CLOCKS_TITLE}

Written from `scripts/clock_accuracy.py`: simulated lessons whose sensors have clocks of their own, starting up to 2 s
(`realistic`) or 4 s (`hard`) from each other and drifting by up to 50 ppm. Each two clocks of a recording are one pair;
its error is the root mean square over the time that they share. *aligned*: pairs that were aligned by more than the
start times in the files; the others are told as not aligned, with a warning. *SE*: median standard error told against
the first clock; *beyond 3 SE*: share of all clocks whose error is larger than three times what was told, aligned or
not.

In the simulation a shock reaches all sensors at the same moment. On an open recording of one walking person, without
any tap, motion alone placed forearm and hand within 1 ms, back and forearm within 6 ms, and back or hip and hand only
within 16 ms (`tests/reference/test_clocks_open_data.py`); standard errors without taps are told accordingly.
"""

LESS = {
    "whole": "taps before and after",
    "unmarked taps": "taps that nobody noted",
    "no taps": "no taps",
    "starts late": "one sensor starts a minute late, at an unknown time",
    "no hints": "nobody knows the start times",
}


def _clocks(rows: list[dict[str, Any]]) -> str:
    seeds = ", ".join(str(seed) for seed in sorted({row["seed"] for row in rows}))
    lessons = len({(row["seed"], row["golfer"], row["shots"], row["preset"], row["rate"]) for row in rows})
    lines = [CLOCKS_HEAD, f"{lessons} lessons, seeds {seeds}; errors in ms.", ""]
    lines += [
        "| to go by | shots | preset | Hz | aligned | RMS | 95 % | largest | beyond 3 ms | SE | beyond 3 SE |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    order = list(LESS)
    for g in sorted(
        groups(rows), key=lambda g: (order.index(g["variant"]), -g["shots"], g["preset"] == "hard", g["rate"])
    ):
        cells = [
            LESS[g["variant"]],
            g["shots"],
            f"`{g['preset']}`",
            f"{g['rate']:.0f}",
            f"{g['aligned']} of {g['pairs']}",
        ]
        cells += [f"{g['rms']:.1f}", f"{g['p95']:.1f}", f"{g['largest']:.1f}", f"{100 * g['beyond_target']:.1f} %"]
        cells += [f"{g['se']:.1f}", f"{100 * g['beyond_3_se']:.1f} %"]
        lines.append(f"| {' | '.join(str(cell) for cell in cells)} |")
    return "\n".join(lines) + "\n"


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
