"""Writes docs/independent.md: the scores of 30 golfers a level, each level on golfers of its own.

    PYTHONPATH=scripts .venv/bin/python -m independent.page --work DIR [--golfers 30]

Levels that DIR holds already are not run again.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from independent import errors, score

PAGE = Path(__file__).parents[2] / "docs" / "independent.md"
SEEDS = {"ideal": 300, "real": 100, "hard": 200}
GOLFERS = {"ideal": 10, "real": 30, "hard": 30}
SHOTS = 6
GOOD_SHARE = 0.90  # under it a standard error is called too narrow

HEAD = """<!-- Made by scripts/independent/page.py; do not edit. -->

# Checked by a second simulator

The figures of [accuracy](accuracy.md) rest on the simulator that ships with imuswing. `scripts/independent/` is
another one, written from the definitions and the recording layout alone: own bodies, own movements, own sensor
errors, own truth. It shares no code with the package and speaks to it through recordings and the command `analyze`
only. Where both agree, a mistake would have to be made twice. It is still a simulation, and no golfer: sizes that no
study gives are assumptions, and the source says which.

Each golfer ({shots} shots, some practice swings, waggles and walking between, one kind of shot, either side) is
drawn at random. Levels:

- `ideal`: no error of sensors or routine. What is left is how the definitions are read, and the smoothing.
- `real`: sensors, clocks, straps, skin and a routine as a careful lesson has them.
- `hard`: about twice that; a strap that slips in a third of the sessions, a routine step left out in four of ten,
  bursts of lost samples, soft and fat shots, false starts.

```sh
PYTHONPATH=scripts .venv/bin/python -m independent.score --out DIR --level real --golfers 30
PYTHONPATH=scripts .venv/bin/python -m independent.score --out DIR --level real --golfers 30 --without skin_wobble
```

`--without` and `--only` switch single sources of error, `--left-out` a step of the routine:

{sources}

Sizes that decide: poses and movements of the routine are off by 3° an axis at `real` and 4.8° at `hard` (one standard
deviation); forearm skin stays behind by 15 and 30 % of the roll, trunk skin by 3 ± 2 and 6 ± 4 % of the turn.
"""

COLUMNS = """\
*Change* is the spread of the errors within a golfer: what all swings of one golfer have in common is taken off.
*Inside* is the share within 1.96 standard errors, 0.95 where they are right; in brackets its 95 % interval when
whole golfers are drawn anew. Moments are in ms.
"""


def level_part(level: str, figures: dict[str, Any]) -> str:
    swings, stall = figures["swings"], figures["stall"]
    text = [
        f"\n## {level}\n",
        f"{figures['golfers']} golfers, {swings['true']} swings, of these {swings['true_shots']} shots. Found: "
        f"{swings['recall']:.3f} of the swings and {swings['recall_shots']:.3f} of the shots; "
        f"{swings['precision']:.3f} of what was found is a swing; kind right in {swings['kind_right']:.3f}.",
        f"Stalled: {stall['stalled']} of {stall['shots']} shots; precision {stall['precision']:.2f}, recall "
        f"{stall['recall']:.2f}, F1 {stall['f1']:.2f}; Brier score of the probability {stall['brier']:.3f}.\n",
        "| Measure | n | Bias | RMSE | 95 % under | Change | Told SE | Inside |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, m in figures["measures"].items():
        factor = 1000.0 if name in score.MOMENTS else 1.0
        digits = 3 if name in ("chest_continuity", "tempo_ratio", "backswing_s", "downswing_s") else 1
        cells = " | ".join(f"{factor * m[k]:.{digits}f}" for k in ("bias", "rmse", "p95", "change_rmse", "mean_se"))
        share = f"{m['inside']:.2f} ({m['inside_low']:.2f}–{m['inside_high']:.2f})"
        text.append(f"| `{name}` | {m['n']} | {cells} | {share} |")
    low = [f"`{n}`" for n, m in figures["measures"].items() if m["inside"] < GOOD_SHARE]
    if level == "ideal":
        text.append("\nA practice swing without any noise can pass for a shot: judge the kind at the other levels.")
    if low and level != "ideal":
        text.append(f"\nStandard errors too narrow (inside under {GOOD_SHARE:.2f}): {', '.join(low)}.")
    return "\n".join(text) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--levels", nargs="*", choices=errors.LEVELS, default=errors.LEVELS, help="run these only")
    args = parser.parse_args()
    parts = []
    for level in errors.LEVELS:
        kept = args.work / level / "score.json"
        if not kept.exists():
            if level not in args.levels:
                continue
            score.run(args.work / level, level=level, golfers=GOLFERS[level], shots=SHOTS, seed=SEEDS[level])
        parts.append(level_part(level, json.loads(kept.read_text())))
    if len(parts) == len(errors.LEVELS):
        sources = "\n".join(f"- `{name}`: {what}" for name, what in errors.SOURCES.items())
        PAGE.write_text(HEAD.format(shots=SHOTS, sources=sources) + "\n" + COLUMNS + "".join(parts))


if __name__ == "__main__":
    main()
