"""A file of corrections, as the coach's page saves it: recordings by their file names, below each its edits.

    # what stands behind a hash is left out
    sub-S001_ses-01_task-chip_tracksys-chest_motion.tsv
    outcome @81.417=thin
    delete @129.450

An edit is a line as it is typed at `imuswing mark`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from imuswing.errors import RecordingError
from imuswing.marking.edits import VERBS, Edit
from imuswing.recording.tables import read_text

NAMES_A_RECORDING: Final = "_motion.tsv"


def read_sheet(path: Path) -> dict[str | None, list[Edit]]:
    """The edits by the recording's file name, None for those above the first name; RecordingError names the line."""
    found: dict[str | None, list[Edit]] = {}
    name: str | None = None
    for number, line in enumerate(read_text(path, missing_do="save it from the coach's page").splitlines(), start=1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        if text.endswith(NAMES_A_RECORDING) and " " not in text:
            name = text
            continue
        verb, _, rest = text.partition(" ")
        if verb not in VERBS:
            raise RecordingError(path, f"line {number} begins with {verb!r}", f"begin it with {', '.join(VERBS)}")
        found.setdefault(name, []).append(Edit(verb=verb, text=rest.strip(), may_lie_over=True))
    if not found:
        raise RecordingError(path, "holds no correction", "save it from the coach's page, or write one a line")
    return found


def recordings_meant(
    path: Path, sheet: Mapping[str | None, Sequence[Edit]], recordings: Sequence[Path]
) -> dict[Path, Sequence[Edit]]:
    """Which of these recordings each part of a sheet is about; RecordingError where that is not clear."""
    found: dict[Path, Sequence[Edit]] = {}
    for name, edits in sheet.items():
        meant = [one for one in recordings if name in (None, one.name)]
        if len(meant) != 1:
            told = f"is about {name}" if name else "names no recording"
            do = "name its dataset" if name and not meant else "name one recording"
            raise RecordingError(path, f"{told}, and {len(meant)} recordings here fit that", do)
        found[meant[0]] = [*found.get(meant[0], ()), *edits]
    return found
