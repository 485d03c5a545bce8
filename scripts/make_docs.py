"""Writes what can be derived of the documentation: measures and commands, and the schemas under shared/.

    scripts/make_docs.py           writes the files
    scripts/make_docs.py --check   writes nothing; names the files that are out of date and exits with 1

From the dictionary of measures come docs/measures.md, shared/measures.json and shared/tables.json, from the command
line docs/commands.md.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from imuswing.cli import build_parser
from imuswing.measures.dictionary import (
    CURVE_UNITS,
    MEASURES,
    MOMENT_COLUMNS,
    SCHEMA_VERSION,
    VERDICT_COLUMN,
    VERDICTS,
    Measure,
    swing_columns,
)
from imuswing.measures.rates import RateSettings
from imuswing.measures.tables import curve_schema, swing_schema
from imuswing.vocabulary import KIND_PRACTICE, KIND_SHOT

PROJECT = Path(__file__).resolve().parents[1]
MADE_BY = "Made by scripts/make_docs.py; do not edit."

GROUPS = {
    "chest": "Chest",
    "wrist": "Lead wrist",
    "backswing": "Backswing and tempo",
    "pelvis": "Pelvis",
    "club": "Club",
}

CONTEXT = {
    "participant": "The student's pseudonym: the label of the file names, without `sub-`",
    "session": "Visit, without `ses-`",
    "task": "Kind of shot, without `task-`",
    "acq": "Set, without `acq-`",
    "run": "Run, without `run-`; text, as in the file name",
    "swing": "Number of the swing in its recording, from 1",
    "block": "Name of the block in which the swing stands",
    "intent": "What that block aims at",
    "outcome": "What became of the shot, in the coach's words",
    "flags": "Remarks of the analysis, a list of words; empty where there is nothing to say",
    "kind": f"`{KIND_SHOT}` (a ball was struck) or `{KIND_PRACTICE}`",
    VERDICT_COLUMN: f"{', '.join(f'`{word}`' for word in VERDICTS)}: the word for the chest continuity",
    "time_s": "Time from impact",
}
"""Columns that are no measures."""


def measures_page() -> str:
    """docs/measures.md."""
    parts = [
        f"<!-- {MADE_BY} -->",
        "# What is measured",
        "Every measure is a column of the table of swings, with the same name. Signs mean the same for every golfer, "
        "whichever side leads. A measure that cannot be had is null, and the flags or the quality record say why. "
        "Except where the table says so, each has a second column with `_se` behind its name: the standard error, in "
        "the same unit, from the sensors' noise, the calibration's spread and the smoothing. It is meant such that "
        "the value ± 1.96 standard errors holds the truth 95 times in 100.",
        "Angles follow the recommendations of the International Society of Biomechanics (Wu et al. 2005, J Biomech "
        "38:981): the Cardan sequence Z-X-Y for the wrist (hand in forearm: flexion first, deviation second) and for "
        "the trunk's turn since address (third angle). The *side-to-side axis* of the chest points to the lead side; "
        "the *address line* is, swing by swing, its horizontal direction at address: it runs to the target when the "
        "shoulders are square, and leans are told along it when they are not.",
        "## Moments",
        "Seconds on the clock of the first tracking system, from its first sample; each with its standard error.",
        table(["Column", "What it is"], [[f"`{name}`", text] for name, text in MOMENT_COLUMNS.items()]),
        "*Address* is the last quiet moment before the takeaway.",
    ]
    for group, title in GROUPS.items():
        rows = [_measure_row(measure) for measure in MEASURES if measure.group == group]
        parts += [f"## {title}", table(["Column", "Unit", "What it is", "Sign", "Needs"], rows)]
        if group == "chest":
            parts.append(_verdict_text())
    parts += [
        "## Curves",
        "From 0.5 s before the takeaway to 0.5 s after the finish, `time_s` is 0 at impact. The definitions are those "
        "of the measures with the same beginning of the name.",
        table(["Column", "Unit"], [[f"`{name}`", unit] for name, unit in CURVE_UNITS.items()]),
    ]
    return "\n\n".join(parts) + "\n"


def _verdict_text() -> str:
    limits = RateSettings()
    turning, slowing, stalled = VERDICTS
    least = math.degrees(limits.least_peak)
    return (
        f"`{VERDICT_COLUMN}` is a word for the chest continuity: `{turning}` from {limits.turning_from:g}, `{slowing}` "
        f"from {limits.slowing_from:g}, `{stalled}` below. Where the chest's fastest rate is under {least:g} °/s its "
        f"continuity is null, the verdict `{stalled}` and a flag says `chest_hardly_turned`. These limits are common "
        "practice, no source; the settings (`RateSettings`) change them."
    )


def _measure_row(measure: Measure) -> list[str]:
    needs = ", ".join(point.replace("_", " ") for point in measure.needs)
    what = measure.definition if measure.has_se else f"{measure.definition} (no standard error)"
    return [f"`{measure.name}`", measure.unit, what, measure.sign, needs]


def commands_page() -> str:
    """docs/commands.md, from the parsers themselves; not from their help texts, whose form changes with Python."""
    parser = build_parser()
    parts = [
        f"<!-- {MADE_BY} -->",
        "# Commands",
        str(parser.description),
        "`scripts/demo` installs the package into `.venv`; call `.venv/bin/imuswing`, or activate that environment and "
        "call `imuswing`. `imuswing COMMAND --help` says the same as this page. What the exit statuses mean stands in "
        "[results](results.md#exit-status).",
    ]
    for name, command in _subparsers(parser).items():
        positional = [a for a in command._actions if not a.option_strings]
        options = [a for a in command._actions if a.option_strings and a.dest != "help"]
        parts += [f"## imuswing {name}", str(command.description)]
        parts.append(f"```\n{_usage(name, positional, options)}\n```")
        rows = [[f"`{_called(a)}`", _meaning(a)] for a in (*positional, *options)]
        if rows:
            parts.append(table(["Argument", "Meaning"], rows))
        example = str(command.epilog or "").removeprefix("example:").strip()
        parts.append(f"Example:\n\n```\n{example}\n```")
    return "\n\n".join(parts) + "\n"


def _subparsers(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    found = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return dict(found[0].choices)


def _usage(name: str, positional: Sequence[argparse.Action], options: Sequence[argparse.Action]) -> str:
    words = [f"imuswing {name}", *(_called(a) for a in positional)]
    words += [_called(a) if a.required else f"[{_called(a)}]" for a in options]
    return " ".join(words)


def _called(action: argparse.Action) -> str:
    value = action.metavar or ("|".join(map(str, action.choices)) if action.choices else action.dest.upper())
    if not action.option_strings:
        return f"{value}…" if action.nargs in ("+", "*") else str(value)
    name = action.option_strings[-1]
    return name if action.nargs == 0 else f"{name} {value}"


def _meaning(action: argparse.Action) -> str:
    return str(action.help or "")


def measures_json() -> str:
    """shared/measures.json: the dictionary of measures as data."""
    measures = [
        {
            "name": m.name,
            "unit": m.unit,
            "label": m.label,
            "definition": m.definition,
            "sign": m.sign,
            "needs": list(m.needs),
            "standard_error": m.se_name if m.has_se else None,
        }
        for m in MEASURES
    ]
    source = "Axes and sequences: Wu et al. 2005, J Biomech 38:981; the verdict's limits: common practice, no source"
    return _json({"comment": MADE_BY, "schema": SCHEMA_VERSION, "source": source, "measures": measures})


def tables_json() -> str:
    """shared/tables.json: the columns of the two result tables, with type, unit and meaning."""
    tables = {
        "swings.parquet": _columns(swing_schema(), swing_columns()),
        "curves.parquet": _columns(curve_schema(CURVE_UNITS), curve_schema(CURVE_UNITS).names),
    }
    return _json({"comment": MADE_BY, "schema": SCHEMA_VERSION, "tables": tables})


def _columns(schema: Any, names: Sequence[str]) -> list[dict[str, Any]]:
    columns = []
    for name in names:
        field = schema.field(name)
        unit = (field.metadata or {}).get(b"unit", b"").decode()
        columns.append({"name": name, "type": str(field.type), "unit": unit or None, "meaning": _column_meaning(name)})
    return columns


def _column_meaning(name: str) -> str:
    definitions = {m.name: m.definition for m in MEASURES} | MOMENT_COLUMNS | CONTEXT
    if name in definitions:
        return definitions[name]
    if name.endswith("_se"):
        return f"Standard error of {name.removesuffix('_se')}"
    return "Curve; see the measures with the same beginning of the name"


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table; a bar in a cell is escaped."""
    lines = [header, ["---"] * len(header), *([cell.replace("|", "\\|") for cell in row] for row in rows)]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def _json(data: Any) -> str:
    return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


FILES = {
    "docs/measures.md": measures_page,
    "docs/commands.md": commands_page,
    "shared/measures.json": measures_json,
    "shared/tables.json": tables_json,
}


def main() -> int:
    """Write or check every file."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--check", action="store_true", help="write nothing; exit with 1 if a file is out of date")
    check = parser.parse_args().check
    stale = [name for name, make in FILES.items() if not _is_current(PROJECT / name, make())]
    for name in stale:
        if check:
            print(f"{name} is out of date; run scripts/make_docs.py")
        else:
            (PROJECT / name).write_text(FILES[name](), encoding="utf-8")
            print(f"written: {name}")
    return 1 if check and stale else 0


def _is_current(path: Path, text: str) -> bool:
    return path.is_file() and path.read_text(encoding="utf-8") == text


if __name__ == "__main__":
    sys.exit(main())
