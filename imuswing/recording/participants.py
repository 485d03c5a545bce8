"""participants.tsv: which side leads."""

from __future__ import annotations

from pathlib import Path
from typing import Final, cast

from imuswing.errors import RecordingError
from imuswing.recording.tables import read_table, value
from imuswing.vocabulary import LEAD_SIDES, LeadSide

PARTICIPANTS: Final = "participants.tsv"


def read_lead_side(root: Path, participant: str) -> LeadSide:
    """`lead_side` of a participant (label without `sub-`) of the dataset at `root`."""
    path = root / PARTICIPANTS
    do = "give it the columns participant_id and lead_side, with left or right for each participant"
    rows = read_table(path, needed=("participant_id", "lead_side"), missing_do=do)
    sides = [value(row, "lead_side") for row in rows if row["participant_id"].strip() == f"sub-{participant}"]
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
