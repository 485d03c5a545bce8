"""The bench's one table, as text."""

from __future__ import annotations

import math
from typing import Any

from bench.targets import unit_of


def _number(value: float | None, decimals: int) -> str:
    return "–" if value is None or math.isnan(value) else f"{value:.{decimals}f}"


def _met(met: bool | None) -> str:
    return {None: "", True: "met", False: "MISSED"}[met]


def _plain(figure: dict[str, Any], scale: float, unit: str, decimals: int) -> str:
    limit = figure["limit"]
    told = "" if limit is None else f"{'≥' if figure['at_least'] else '≤'} {scale * limit:.{decimals}f}{unit}"
    value = _number(scale * figure["value"], decimals)
    return f"  {figure['name']:<46}{value:>9}{unit:<4}{told:>12}  {_met(figure['met']):<7} n {figure['n']}"


MEASURE_HEAD = (
    f"  {'measure':<31}{'n':>5}{'null':>5}{'RMSE':>8}{'bias':>8}{'within':>8}{'sensor':>8}{'routine':>8}{'ratio':>7}"
    f"{'limit':>8} {'':<7}{'se':>7}{'cover':>7} {'by golfer':>11} {'interval':>11}"
)


def _measure(row: dict[str, Any]) -> str:
    if row["n"] == 0:
        return f"  {row['name']:<31}{0:>5}{row['null']:>5}  null throughout"
    decimals = {"deg": 2, "dps": 1, "s": 3, "1": 3}[unit_of(row["name"])]
    texts = "".join(f"{_number(row[key], decimals):>8}" for key in ("value", "bias", "within", "sensor", "routine"))
    line = f"  {row['name']:<31}{row['n']:>5}{row['null']:>5}{texts}{_number(row['ratio'], 2):>7}"
    line += f"{_number(row['limit'], decimals):>8} {_met(row['met']):<7}"
    if "coverage" in row:
        shares = row["coverage_by_golfer"].values()
        line += f"{_number(row['se_median'], decimals):>7}{row['coverage']:>7.2f} "
        line += f"{min(shares):>5.2f}–{max(shares):.2f} {row['coverage_low']:>5.2f}–{row['coverage_high']:.2f}"
        line += f" {_met(row['coverage_met'])}"
    return line


def table(result: dict[str, Any]) -> str:
    """All figures of a result as text; times in ms, measures in their own units."""
    lines = [result["title"], "", "Swings"]
    lines += [_plain(figure, 1.0, "", 3) for figure in result["detection"]]
    if result["extra"]:
        counts: dict[str, int] = {}
        for row in result["extra"]:
            counts[row["what"]] = counts.get(row["what"], 0) + 1
        lines.append("  taken for swings: " + ", ".join(f"{what} {count}" for what, count in sorted(counts.items())))
    lines += ["", "Moments"]
    lines += [_plain(figure, 1000.0, " ms", 1) for figure in result["timing"]]
    lines += [
        "",
        "Measures (° , °/s, s or 1). within: a golfer's mean error taken off. sensor, routine: the references' RMSE.",
        "se: median; cover: share within ±1.96 se, lowest and highest golfer, 95 % interval when golfers are redrawn.",
        MEASURE_HEAD,
    ]
    lines += [_measure(row) for row in result["measures"]]
    lines += ["", "Stalls"]
    lines += [_plain(figure, 1.0, "", 3) for figure in result["stalls"]]
    if result["reliability"]:
        told = ", ".join(f"{row['told']:.2f} → {row['was']:.2f} (n {row['n']})" for row in result["reliability"])
        lines.append(f"  told probability → share that were stalls: {told}")
    if result["odd"]:
        lines += ["", "Swings to look at"]
        lines += [
            f"  golfer {row['golfer']} {row['task']} swing {row['swing']}: {row['what']}" for row in result["odd"]
        ]
    lines += ["", f"{result['met']} of {result['limits']} limits met."]
    if result["failures"]:
        lines.append(f"{len(result['failures'])} recordings could not be used (see standard error).")
    return "\n".join(lines)
