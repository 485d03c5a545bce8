"""docs/sensitivity.md and its picture from the figures of scripts/sensitivity.py."""

from __future__ import annotations

from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parents[1] / "docs"

COLUMNS = {
    "impact_ms_95": ("impact, 95 %", "ms"),
    "chest_turn_rate_impact_dps": ("chest turn rate at impact", "°/s"),
    "chest_continuity": ("continuity", ""),
    "shoulder_tilt_impact_deg": ("shoulder tilt at impact", "°"),
    "wrist_flexion_impact_deg": ("wrist flexion at impact", "°"),
    "wrist_ulnar_impact_deg": ("ulnar deviation at impact", "°"),
    "backswing_arc_deg": ("backswing arc", "°"),
    "arm_height_top_deg": ("arm height at the top", "°"),
    "tempo_ratio": ("tempo ratio", ""),
}
"""Column of the figures: what it is called on the page, and its unit."""

LIMITS = {
    "impact_ms_95": 10.0,
    "chest_continuity": 0.05,
    "wrist_flexion_impact_deg": 4.0,
    "backswing_arc_deg": 3.0,
}
LEAST_RECALL = 0.98
"""What counts as good enough: the limits that this project set itself for its accuracy."""

HEAD = """# What each sensor, step and rate buys

Written by `scripts/sensitivity.py`; do not edit by hand. {golfers} simulated golfers, {shots} shots each with practice
swings between them, errors of the preset `realistic` except that all sensors share one clock and lose no bursts; root
mean square error against the simulation's truth (impact: 95 % of shots lie within). "–" is a measure that is null in
most swings. Read the rows against each other: with so few golfers, differences under a fifth may be chance.

![Errors by sensors, steps, rates and ranges](sensitivity.svg)

"""


def write_page(told: dict[str, Any]) -> list[Path]:
    """Write both files and return their paths."""
    page, picture = DOCS / "sensitivity.md", DOCS / "sensitivity.svg"
    picture.write_text(_picture(told["lines"]), encoding="utf-8")
    parts = [HEAD.format(golfers=told["golfers"], shots=told["shots"]), _advice(told["lines"])]
    head = " | ".join(f"{name}{f', {unit}' if unit else ''}" for name, unit in COLUMNS.values())
    parts.append(f"| | swings found | {head} |\n|---|---|{'---|' * len(COLUMNS)}\n")
    for line in told["lines"]:
        cells = " | ".join(_number(line[key]) for key in COLUMNS)
        parts.append(f"| {line['name']} | {line['recall']:.2f} | {cells} |\n")
    page.write_text("".join(parts), encoding="utf-8")
    return [page, picture]


def _advice(lines: list[dict[str, Any]]) -> str:
    """The lowest rate and ranges that are good enough."""
    limits = ", ".join(
        f"{COLUMNS[key][0]} ≤ {value:g}{' ' if COLUMNS[key][1] == 'ms' else ''}{COLUMNS[key][1]}"
        for key, value in LIMITS.items()
    )
    told = [f"Good enough here means: at least {LEAST_RECALL:.0%} of the swings found, {limits}.", ""]
    for group, what in (("rates", "sample rate"), ("gyro range", "gyro range"), ("accelerometer range",) * 2):
        enough = "none of these"
        # From the top: one that passes by chance below one that fails is not good enough.
        for line in reversed([line for line in lines if line["group"] == group]):
            if not _good(line):
                break
            enough = line["name"]
        told.append(f"- lowest {what} that is good enough: **{enough}**")
    return "\n".join(told) + "\n\n"


def _good(line: dict[str, Any]) -> bool:
    return line["recall"] >= LEAST_RECALL and all(
        line[key] is not None and line[key] <= limit for key, limit in LIMITS.items()
    )


def _number(value: float | None) -> str:
    if value is None:
        return "–"
    return f"{value:.3f}" if abs(value) < 0.1 else f"{value:.2f}" if abs(value) < 10 else f"{value:.1f}"


ROW, LEFT, WIDE, TOP, GAP = 20, 260, 170, 62, 14
INK, QUIET, RULE, DOT = "#1d2430", "#565f6e", "#d9d3c5", "#0c56bd"


def _picture(lines: list[dict[str, Any]]) -> str:
    """One row a variant, one panel a measure: a dot with its number beside it."""
    height = TOP + ROW * len(lines) + GAP * len({line["group"] for line in lines}) + 10
    width = LEFT + WIDE * len(LIMITS) + 20
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        f'font-size="12" role="img" aria-label="Errors by sensors, steps, rates and ranges; the table has the numbers">'
        f'<rect width="{width}" height="{height}" fill="#fffdf8"/>'
    ]
    for place, key in enumerate(LIMITS):
        name, unit = COLUMNS[key]
        left = LEFT + WIDE * place
        parts.append(f'<text x="{left}" y="22" fill="{INK}" font-weight="bold">{name}</text>')
        parts.append(f'<text x="{left}" y="38" fill="{QUIET}">{"error, " + unit if unit else "error"}</text>')
        parts.append(f'<line x1="{left}" x2="{left}" y1="{TOP - 12}" y2="{height - 8}" stroke="{RULE}"/>')
    y, group = float(TOP), lines[0]["group"]
    largest = {key: max(line[key] for line in lines if line[key] is not None) for key in LIMITS}
    for line in lines:
        if line["group"] != group:
            group, y = line["group"], y + GAP
        parts.append(f'<text x="{LEFT - 10}" y="{y + 4}" text-anchor="end" fill="{INK}">{_label(line)}</text>')
        for place, key in enumerate(LIMITS):
            left, value = LEFT + WIDE * place, line[key]
            if value is None:
                parts.append(f'<text x="{left + 6}" y="{y + 4}" fill="{QUIET}">–</text>')
                continue
            x = left + (WIDE - 60) * value / largest[key]
            parts.append(f'<line x1="{left}" x2="{x:.1f}" y1="{y}" y2="{y}" stroke="{RULE}" stroke-width="3"/>')
            parts.append(f'<circle cx="{x:.1f}" cy="{y}" r="4" fill="{DOT}"/>')
            parts.append(f'<text x="{x + 8:.1f}" y="{y + 4}" fill="{INK}">{_number(value)}</text>')
        y += ROW
    return "".join(parts) + "</svg>\n"


def _label(line: dict[str, Any]) -> str:
    name = line["name"].replace("`", "")
    return f"{line['group']}: {name}" if line["group"].endswith("range") else name
