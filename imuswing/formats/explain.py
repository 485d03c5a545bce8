"""Why a text file cannot be read: the first thing that is wrong, looked for line by line, in one sentence."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from imuswing.errors import RecordingError, counted
from imuswing.formats.text import LONGEST_LINE, MISSING, SEPARATORS, is_number, seconds_of_date, split

if TYPE_CHECKING:
    from imuswing.formats.text import Layout

_SHOWN: int = 24
_NAMES = {character: name for name, character in SEPARATORS.items()}


def explain(path: Path, layout: Layout, technical: str) -> RecordingError:
    """The error to raise for a file that the parser gave up on."""
    try:
        with path.open(encoding=layout.encoding, newline=None) as file:
            header: list[str] = []
            for number, line in enumerate(iter(lambda: file.readline(LONGEST_LINE), ""), start=1):
                if len(line) == LONGEST_LINE:
                    return RecordingError(path, f"has no end in line {number}, so it is damaged", "export it again")
                if "\0" in line:
                    return RecordingError(
                        path, f"holds NUL bytes (line {number}), so it is damaged", "copy it from the recorder again"
                    )
                if number <= layout.skip:
                    header.append(line.strip().removeprefix("\ufeff"))
                    continue
                wrong = _wrong(line, number, layout, header) if line.strip() else None
                if wrong is not None:
                    last = next((rest for rest in file if rest.strip()), None) is None
                    return RecordingError(path, *_cut_off(line, number, layout, wrong, last))
    except UnicodeError:
        return RecordingError(path, f"is not {layout.encoding} text throughout", "save it as UTF-8")
    return RecordingError(path, f"cannot be read as a table of numbers ({technical})", "export it again")


def _cut_off(line: str, number: int, layout: Layout, wrong: tuple[str, str], last: bool) -> tuple[str, str]:
    if last and len(split(line, layout.separator)) < len(layout.names):
        return f"ends in the middle of line {number}, so it was cut off", "copy it again, or delete that line"
    return wrong


def _wrong(line: str, number: int, layout: Layout, header: list[str]) -> tuple[str, str] | None:
    """What is wrong with a line and what to do, None where all is well."""
    cells = split(line, layout.separator)
    if line.strip() in header:
        return (
            f"repeats its header in line {number}, so it holds two recordings",
            "cut it there into two files and import each",
        )
    if len(cells) != len(layout.names):
        for character, name in _NAMES.items():
            if character != layout.separator and len(split(line, character)) == len(layout.names):
                here = _NAMES[layout.separator]
                return f"is separated by {here} above line {number} and by {name} there", "export it again in one piece"
        return (
            f"line {number} has {counted(len(cells), 'cell')} instead of {len(layout.names)}",
            "export it again, or delete that line",
        )
    for cell, kind, name in zip(cells, layout.kinds, layout.names, strict=True):
        if cell in MISSING or kind == "text":
            continue
        if (kind == "number" and not is_number(cell, layout.decimal)) or (kind == "date" and not _is_date(cell)):
            shown = cell if len(cell) <= _SHOWN else cell[:_SHOWN] + "…"
            what = "number" if kind == "number" else "date"
            return (
                f"line {number} holds {shown!r} where {name!r} needs a {what}",
                "correct that cell, or empty it if the sample was lost",
            )
    return None


def _is_date(cell: str) -> bool:
    try:
        seconds_of_date(cell)
    except ValueError:
        return False
    return True
