"""Adding a student to a dataset: consent first, then the row, the folder and the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from imuswing.errors import RecordingError, SettingsError
from imuswing.plan.files import IGNORED
from imuswing.recording.dataset import DESCRIPTION, add_participant, check_label, rows_of, start_dataset
from imuswing.recording.participants import PARTICIPANTS
from imuswing.recording.tables import NOT_AVAILABLE, write_files

YES: Final = "yes"
BIDSIGNORE: Final = ".bidsignore"
CONSENT_COLUMNS: Final[Mapping[str, str]] = {
    "consent": "Whether the student agreed to be recorded and to have the recordings kept on this computer",
    "consent_date": "Day on which that was noted",
    "guardian_consent": "Whether a parent or guardian of a student under age agreed as well; n/a for adults",
}
ABOUT: Final = "Lessons with body-worn inertial sensors."


@dataclass(frozen=True, kw_only=True)
class Consent:
    """Who agreed, and when it was noted; guardian: of a student under age."""

    on: date
    guardian: bool = False

    @property
    def columns(self) -> dict[str, str]:
        """Cells of participants.tsv."""
        return {
            "consent": YES,
            "consent_date": self.on.isoformat(),
            "guardian_consent": YES if self.guardian else NOT_AVAILABLE,
        }


def student_row(dataset: Path, participant: str) -> dict[str, str] | None:
    """A student's row in participants.tsv, None where there is none."""
    rows = rows_of(dataset / PARTICIPANTS, needed=("participant_id",))
    return next((row for row in rows if row["participant_id"] == f"sub-{participant}"), None)


def has_consent(row: Mapping[str, str] | None) -> bool:
    """Whether a row says that the student agreed."""
    return row is not None and row.get("consent", "").strip().lower() == YES


def add_student(dataset: Path, *, participant: str, lead_side: str, consent: Consent | None) -> bool:
    """Add a student to a dataset, which is started if there is none; whether anything was added.

    consent: None only where the student's row says already that there is.  The dataset is valid at every moment: the
    first student's folder comes before the table, a later one's after it.
    """
    check_label("participant", participant)
    _check_place(dataset)
    row = student_row(dataset, participant)
    if row is not None and row.get("lead_side", lead_side) != lead_side:
        raise SettingsError(
            f"{dataset / PARTICIPANTS} says that sub-{participant} leads with the {row['lead_side']} side; give "
            f"--lead-side {row['lead_side']}, or correct the table"
        )
    if consent is None and not has_consent(row):
        raise SettingsError(f"sub-{participant} has not agreed yet; record nobody without consent")
    if not (dataset / DESCRIPTION).exists():
        start_dataset(dataset, name=dataset.resolve().name, description=ABOUT)
    ignore_plans(dataset)
    folder = dataset / f"sub-{participant}"
    if not (dataset / PARTICIPANTS).exists():
        _make_folder(folder)
    if consent is not None:
        add_participant(
            dataset,
            participant=participant,
            lead_side=lead_side,
            columns=consent.columns,
            descriptions=CONSENT_COLUMNS,
            overwrite=True,
        )
    _make_folder(folder)
    return row is None


def _make_folder(folder: Path) -> None:
    folder.mkdir(exist_ok=True)


def ignore_plans(dataset: Path) -> None:
    """Have the validator leave the folder of plans alone: a line in .bidsignore, others stay."""
    path = dataset / BIDSIGNORE
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    if IGNORED not in lines:
        write_files({path: "\n".join([*lines, IGNORED]) + "\n"})


def _check_place(dataset: Path) -> None:
    """RecordingError where the dataset can neither be used nor started."""
    if dataset.exists() and not dataset.is_dir():
        raise RecordingError(dataset, "is a file", "name the folder of a dataset, or a new one")
    if dataset.is_dir() and not (dataset / DESCRIPTION).exists():
        others = sorted(path.name for path in dataset.iterdir() if not path.name.startswith("."))
        # README.md is what an interrupted start leaves.
        if others not in ([], ["README.md"]):
            raise RecordingError(
                dataset, f"holds other files ({others[0]}, …) and is no dataset", "name a new folder or a dataset"
            )
