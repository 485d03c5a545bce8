"""participants.tsv: which side leads."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Final, cast

from imuswing.errors import RecordingError
from imuswing.recording.tables import read_table, value
from imuswing.vocabulary import LEAD_SIDES, LeadSide

PARTICIPANTS: Final = "participants.tsv"


def read_lead_side(root: Path, participant: str) -> LeadSide:
    """`lead_side` of a participant (label without `sub-`) of the dataset at `root`."""
    path = root / PARTICIPANTS
    do = "write it with the columns participant_id and lead_side, left or right for each participant"
    if not path.is_file():
        raise RecordingError(path, "does not exist", do)
    status = path.stat()
    sides = _sides(path, status.st_mtime_ns, status.st_size).get(f"sub-{participant}", [])
    if not sides:
        raise RecordingError(path, f"has no row for sub-{participant}", "add one, with lead_side left or right")
    if len(sides) > 1:
        raise RecordingError(path, f"has {len(sides)} rows for sub-{participant}", "keep one of them")
    if sides[0] not in LEAD_SIDES:
        raise RecordingError(
            path,
            f"gives sub-{participant} the lead_side {sides[0] or 'n/a'!r}",
            "write left (the golfer plays right-handed) or right (left-handed)",
        )
    return cast(LeadSide, sides[0])


@lru_cache(maxsize=4)
def _sides(path: Path, changed_ns: int, size: int) -> dict[str, list[str | None]]:
    """By participant_id the sides in its rows; kept in memory until the file changes, as each recording asks for it."""
    sides: dict[str, list[str | None]] = {}
    for row in read_table(path, needed=("participant_id", "lead_side"), missing_do="write it"):
        sides.setdefault(row["participant_id"].strip(), []).append(value(row, "lead_side"))
    return sides
