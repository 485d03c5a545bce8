"""docs/calibration_compared.md and its picture from the figures of scripts/calibration_compared.py."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from imuswing.report.palette import LIGHT

DOCS = Path(__file__).resolve().parents[1] / "docs"
HEAD = """# Ways to calibrate, compared

Written by `scripts/calibration_compared.py`; do not edit by hand. {golfers} simulated golfers, {shots} shots each with
practice swings between them, 200 Hz. All ways get the same readings, and everything after the alignment is the same;
so the numbers show the alignment alone. Root mean square error against the simulation's truth over address, top and
impact; "–" is a measure that is null in most swings because a step that the way needs is missing. Bold is the best of a
routine. A way is scored on the swings that it gives: one that gives up where it is hard looks better than it is. With
so few golfers, differences under a fifth may be chance. In the picture lines
end at 20°, the number tells all. A functional axis alone is signed by its first movement:
without `stand` a late mark turned some wrists over.

## The ways

- **Static poses**: gravity while standing with hanging arms, and palm down on a table; for the trunk gravity upright
  and at address. The plainest way: an N-pose with gravity in place of a magnetometer. It was recommended for the
  shoulder (Bonfiglio et al. 2025, J Appl Biomech, doi 10.1123/jab.2023-0276, abstract); at the elbow it was the least
  precise of three (Bonfiglio et al. 2024, Front Bioeng Biotechnol 12:1385750, abstract).
- **Functional axes**: the gyro's main axis of a bow, a forearm roll and a wrist bend, then gravity in a pose (the idea
  of Cutti et al. 2008, doi 10.1007/s11517-007-0296-5, from memory, and of Favre et al. 2009, J Biomech 42:2330,
  abstract). How true and precise poses and movements are at the wrist: Bouvier et al. 2015, Sensors 15:18813.
- **Joint constraint**: the wrist as two hinges; the axes that fit its movement best, in the wrist bend and in the
  fastest stretches of the recording, then gravity in a pose for the zero (Seel, Raisch & Schauer 2014, Sensors
  14:6891; Müller et al. 2017, IEEE J Biomed Health Inform 21:401, from memory; Olsson et al. 2020, Sensors 20:3534;
  Laidig, Weygers & Seel 2022, Sensors 22:9850). An axis that the movement does not tell to 5° by its own standard
  error stays that of the poses. The trunk has no such joint and keeps its poses.
- **Ours**: every step gives axes with the care that people take over it; all are matched together, weighted, so that a
  missing step costs accuracy and nothing else. The roll's axis is the one about which gravity moves, so that a turning
  shoulder does not tilt it, and it counts less sideways, where a bending elbow does. Then all swings of the session
  correct the arm: both sensors feel the same wrist, chest and forearm the same shoulder at the end of a nearly
  straight arm, and a wrist does not turn about the forearm.

![Errors of four ways by routine](calibration_compared.svg)

{table}

## On real sensors

Open recordings, in parts of 20 s. Jointed rigs with two hinges and a reference: error of the axes. A person's forearm
and hand without reference: how far the parts' axes lie from their common direction, which is repeatability only.

{rigs}

No recording of a routine with a reference could be had, so that the poses, and with them the whole of our way, are
checked by simulation only.

{words}
"""

WORDS = """## Which to use when

- **The whole routine is done, or all of it but a step or two: ours, the default.** It is the only one that gives every
  measure whichever step is missing, and the best or near the best for backswing arc, arm height, tilt and lean.
- **Still poses alone** do well for the wrist where both poses are done: forearm and hand share what is wrong with a
  posture, so that it cancels. We took that over (the hand is told how the forearm hung and lay). What is left of the
  lead is partly the simulator's: its hanging wrist is exactly straight, a person's is not, so ours trusts it less. They
  are the worst for arc, arm height, tilt and lean: a hanging forearm or a bend over the ball is no exact axis.
- **Functional axes** alone suit the trunk, where the bow makes tilt and lean as good as ours. At the arm each
  movement's error goes straight into the wrist, and the first missing step leaves nothing.
- **The joint's constraint** finds the hinges of a rig to half a degree from any movement: the way for stiff joints.
  At a person's wrist, skin that stays behind the roll breaks it, and golf swings turn the wrist mostly about one axis,
  so that the other is hardly told. We use it for headings and small corrections only, weighted against the poses.
"""
GROUPS = ("wrist flexion", "ulnar deviation", "backswing arc", "arm height", "shoulder tilt", "chest lean")
PICTURED = ("wrist flexion", "ulnar deviation", "arm height", "shoulder tilt")


def write_page(told: dict[str, Any]) -> list[Path]:
    """Write both files and return their paths."""
    page, picture = DOCS / "calibration_compared.md", DOCS / "calibration_compared.svg"
    picture.write_text(_picture(told["lines"]), encoding="utf-8")
    table = [f"| routine | way | {' | '.join(f'{name}, °' for name in GROUPS)} |", "|---|---|" + "---|" * len(GROUPS)]
    for case in _cases(told["lines"]):
        best = {
            g: min((x[g] for x in told["lines"] if x["case"] == case and x[g] is not None), default=None)
            for g in GROUPS
        }
        for line in (line for line in told["lines"] if line["case"] == case):
            cells = " | ".join(_cell(line[group], best[group]) for group in GROUPS)
            table.append(f"| {case} | {line['way']} | {cells} |")
    rigs = ["| recording | main axis of turning, ° | joint constraint, ° |", "|---|---|---|"]
    rigs += [f"| `{x['name']}` | {_number(x['turning'])} | {_number(x['constraint'])} |" for x in told["open"]]
    shown = HEAD.replace("{golfers}", str(told["golfers"])).replace("{shots}", str(told["shots"]))
    shown = shown.replace("{table}", "\n".join(table)).replace("{rigs}", "\n".join(rigs)).replace("{words}", WORDS)
    page.write_text(shown, encoding="utf-8")
    return [page, picture]


def _cases(lines: list[dict[str, Any]]) -> list[str]:
    return list(dict.fromkeys(line["case"] for line in lines))


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"


def _cell(value: float | None, best: float | None) -> str:
    text = _number(value)
    return f"**{text}**" if value is not None and text == _number(best) else text


ROW, LEFT, WIDE, TOP, GAP, MOST = 17, 330, 190, 62, 12, 20.0
COLOURS = {"static poses": "slowing", "functional axes": "stalled", "joint constraint": "unjudged", "ours": "turning"}


def _picture(lines: list[dict[str, Any]]) -> str:
    """One row a case and way, one panel a measure: a dot with its number beside it."""
    height = TOP + ROW * len(lines) + GAP * len(_cases(lines)) + 10
    width = LEFT + WIDE * len(PICTURED) + 20
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        f'font-size="12" role="img" aria-label="Errors of ways to calibrate; the table has the numbers">'
        f'<rect width="{width}" height="{height}" fill="{LIGHT["sheet"]}"/>'
    ]
    for place, name in enumerate(PICTURED):
        left = LEFT + WIDE * place
        parts.append(f'<text x="{left}" y="22" fill="{LIGHT["ink"]}" font-weight="bold">{name}</text>')
        parts.append(f'<text x="{left}" y="38" fill="{LIGHT["quiet"]}">RMS error, °</text>')
        parts.append(f'<line x1="{left}" x2="{left}" y1="{TOP - 12}" y2="{height - 8}" stroke="{LIGHT["rule"]}"/>')
    y, case = float(TOP), lines[0]["case"]
    for line in lines:
        if line["case"] != case:
            case, y = line["case"], y + GAP
        if line["way"] == "static poses":
            name = case.replace("`", "")
            parts.append(f'<text x="8" y="{y + 4}" fill="{LIGHT["ink"]}" font-weight="bold">{_short(name)}</text>')
        parts.append(f'<text x="{LEFT - 10}" y="{y + 4}" text-anchor="end" fill="{LIGHT["ink"]}">{line["way"]}</text>')
        parts += [_dot(LEFT + WIDE * place, y, line[name], line["way"]) for place, name in enumerate(PICTURED)]
        y += ROW
    return "".join(parts) + "</svg>\n"


def _short(case: str) -> str:
    return case.replace(", steps missing by chance, straps slip", ", as it comes")


def _dot(left: float, y: float, value: float | None, way: str) -> str:
    if value is None:
        return f'<text x="{left + 6}" y="{y + 4}" fill="{LIGHT["quiet"]}">–</text>'
    x = left + (WIDE - 60) * min(value, MOST) / MOST
    size = 5 if way == "ours" else 3.5
    return (
        f'<line x1="{left}" x2="{x:.1f}" y1="{y}" y2="{y}" stroke="{LIGHT["rule"]}" stroke-width="3"/>'
        f'<circle cx="{x:.1f}" cy="{y}" r="{size}" fill="{LIGHT[COLOURS[way]]}"/>'
        f'<text x="{x + 8:.1f}" y="{y + 4}" fill="{LIGHT["ink"]}">{_number(value)}</text>'
    )
