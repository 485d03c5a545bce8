"""Starting a dataset and adding participants."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from imuswing.errors import SettingsError, require_one_of
from imuswing.recording.participants import PARTICIPANTS
from imuswing.recording.tables import json_text, read_json, read_table, table_text, write_files
from imuswing.vocabulary import LEAD_SIDES

BIDS_VERSION: Final = "1.10.0"
DESCRIPTION: Final = "dataset_description.json"

PARTICIPANT_COLUMNS: Final[Mapping[str, Mapping[str, Any]]] = {
    "participant_id": {"Description": "Pseudonym of the participant"},
    "lead_side": {
        "Description": "Side of the body that is nearer the target",
        "Levels": {"left": "leads with the left side (plays right-handed)", "right": "leads with the right side"},
    },
}


SIMULATED: Final = "simulated"
"""Among the `Keywords` of a dataset's description: its recordings are of no real person."""


def is_simulated(root: Path) -> bool:
    """Whether the dataset at `root` says that it is simulated; without a description it does not."""
    path = root / DESCRIPTION
    return path.exists() and SIMULATED in (read_json(path).get("Keywords") or ())


def start_dataset(folder: Path | str, *, name: str, description: str, simulated: bool = False) -> None:
    """Start a dataset: its description and a README that says `description`.

    simulated: said among the keywords, so that every page made from it says so too.

    Raises SettingsError where a dataset stands already.
    """
    folder = Path(folder)
    if (folder / DESCRIPTION).exists():
        raise SettingsError(f"{folder} is a dataset already; add participants to it or choose another folder")
    about = {
        "Name": name,
        "BIDSVersion": BIDS_VERSION,
        "DatasetType": "raw",
        **({"Keywords": [SIMULATED]} if simulated else {}),
        "GeneratedBy": [{"Name": "imuswing", "Description": "Recordings of body-worn inertial sensors"}],
    }
    labels = "The labels of participants are pseudonyms. Units stand in the files of each recording."
    readme = f"# {name}\n\n{description}\n\n{labels}\n"
    write_files({folder / "README.md": readme, folder / DESCRIPTION: json_text(about)})


def add_participant(
    folder: Path | str,
    *,
    participant: str,
    lead_side: str,
    columns: Mapping[str, str] | None = None,
    descriptions: Mapping[str, str] | None = None,
    overwrite: bool = False,
) -> None:
    """Add a participant (label without `sub-`) to participants.tsv, with other columns as text.

    descriptions: by other column what it means, for participants.json.  A participant that stands there with the same
    cells is left; with other cells SettingsError, unless `overwrite`.
    """
    root = dataset_folder(folder)
    check_label("participant", participant)
    require_one_of("lead_side", lead_side, LEAD_SIDES)
    new = {"participant_id": f"sub-{participant}", "lead_side": lead_side, **(columns or {})}
    table, sidecar = root / PARTICIPANTS, root / "participants.json"
    rows = rows_of(table, needed=("participant_id",))
    old = next((row for row in rows if row["participant_id"] == new["participant_id"]), None)
    if old is not None and new.items() <= old.items():
        return
    if old is not None and not overwrite:
        raise SettingsError(f"{table}: sub-{participant} stands there already, with other values")
    if old is None:
        rows.append(new)
    else:
        old.update(new)
    names = list(dict.fromkeys(column for row in rows for column in row))
    fields = read_json(sidecar) if sidecar.is_file() else {}
    for column in names:
        told = (descriptions or {}).get(column, column.replace("_", " "))
        fields.setdefault(column, PARTICIPANT_COLUMNS.get(column, {"Description": told}))
    write_files({sidecar: json_text(fields), table: table_text(names, rows)})


def dataset_folder(folder: Path | str) -> Path:
    """The folder of a dataset; SettingsError where none was started."""
    folder = Path(folder)
    if not (folder / DESCRIPTION).is_file():
        raise SettingsError(f"{folder} is no dataset (it has no {DESCRIPTION}); start one first")
    return folder


def check_label(what: str, label: str) -> None:
    """SettingsError unless a label is made of letters and digits."""
    if re.fullmatch("[0-9A-Za-z]+", label) is None:
        raise SettingsError(f"{what} is {label!r}; a label is made of letters and digits only")


def rows_of(path: Path, *, needed: tuple[str, ...]) -> list[dict[str, str]]:
    """The rows of a table as text by column, none where there is no table."""
    return read_table(path, needed=needed, missing_do="") if path.is_file() else []
