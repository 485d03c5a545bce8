"""The whole way of an import: read the files, guess or take a map, make a recording, write it into a dataset."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from imuswing.errors import RecordingError, SettingsError, require_one_of
from imuswing.formats.assemble import Assembled, assemble
from imuswing.formats.guess import Guess, guess_maps
from imuswing.formats.joined import joined
from imuswing.formats.mapping import FileMap, map_text, read_map
from imuswing.formats.stacked import parted
from imuswing.formats.table import Table
from imuswing.recording.dataset import DESCRIPTION, check_label, start_dataset
from imuswing.recording.model import Event, Recording
from imuswing.recording.participants import PARTICIPANTS, read_lead_side
from imuswing.recording.tables import read_table
from imuswing.recording.write import write_recording
from imuswing.vocabulary import LEAD_SIDES, LeadSide

MAPS_FOLDER: Final = Path("code", "import_maps")
"""Where a dataset keeps the maps of its imports; BIDS leaves the content of `code` free."""


@dataclass(frozen=True, kw_only=True)
class Labels:
    """Whose recording it is, and under which labels it is filed."""

    participant: str
    session: str | None
    task: str
    acq: str | None = None
    run: str | None = None


@dataclass(frozen=True, kw_only=True)
class Written:
    """What an import wrote: motion tables, the map, and sentences about what was done."""

    paths: tuple[Path, ...]
    map_path: Path
    notes: tuple[str, ...]


def read_tables(files: Sequence[Path]) -> list[Table]:
    """The tables of all files, by the ends of their names; what is unknown is read as text."""
    tables: list[Table] = []
    for path in files:
        if not path.is_file():
            raise RecordingError(path, "does not exist" if not path.exists() else "is no file", "check its name")
        tables += [part for table in _reader(path)(path) for part in parted(table)]
    return joined(tables)


def _reader(path: Path) -> Callable[[Path], list[Table]]:
    from imuswing.formats import arrays, text

    readers: dict[str, Callable[[Path], list[Table]]] = {
        ".npz": arrays.read_npz,
        ".mat": arrays.read_mat,
        ".parquet": arrays.read_parquet,
        ".xdf": arrays.read_xdf,
    }
    return readers.get(path.suffix.lower(), lambda file: [text.read_text_table(file)])


def lead_side_of(dataset: Path, participant: str, told: str | None) -> LeadSide:
    """The lead side of a participant, from the dataset or as told; SettingsError where neither says it."""
    check_label("participant", participant)
    path = dataset / PARTICIPANTS
    known = None
    if path.is_file():
        rows = read_table(path, needed=("participant_id",), missing_do="")
        if any(row["participant_id"] == f"sub-{participant}" for row in rows):
            known = read_lead_side(dataset, participant)
    if known and told and known != told:
        raise SettingsError(f"{path} says that sub-{participant} leads with the {known} side, not the {told}")
    if not known and not told:
        raise SettingsError(f"sub-{participant} is new in {dataset}; say --lead-side left or --lead-side right")
    side = known or told
    require_one_of("lead side", side, LEAD_SIDES)
    return "left" if side == "left" else "right"


def find_maps(
    tables: Sequence[Table], *, map_path: Path | None, rate: float | None, sensors: Sequence[str], lead_side: str
) -> Guess:
    """The maps of a file, or the guessed ones with their doubts."""
    if map_path is None:
        return guess_maps(tables, rate=rate, sensors=sensors, lead_side=lead_side)
    maps = read_map(map_path)
    if rate is not None:
        maps = tuple(replace(one, rate_hz=rate) for one in maps)
    from imuswing.formats.held import held_against_data

    held = [doubt for stream in assemble(tables, maps).sensors.values() for doubt in held_against_data(stream)]
    return Guess(maps=maps, doubts=tuple(held))


def make_recording(
    tables: Sequence[Table], maps: Sequence[FileMap], *, labels: Labels, lead_side: LeadSide, events: Path | None
) -> tuple[Recording, Assembled, tuple[str, ...]]:
    """The recording, its clocks, and doubts about its files and events."""
    from imuswing.formats.event_file import Marker, read_event_file, to_events

    assembled = assemble(tables, maps)
    first = min(assembled.starts)
    duration = max(s.duration_s for s in assembled.sensors.values() if s.tracking_system == first)
    markers: list[Marker] = [] if events is None else read_event_file(events)
    source = events or tables[0].source
    if events is None:
        # A stream of markers is on the clock of the samples.
        markers = [(time - assembled.starts[first], None, label, {}) for time, label in tables[0].markers]
    found: tuple[Event, ...] = ()
    doubts = tuple(dict.fromkeys(doubt for table in tables for doubt in table.doubts))
    if markers:
        start = assembled.starts[first] if events else 0.0
        found, more = to_events(markers, path=source, start=start, absolute=assembled.absolute, duration=duration)
        doubts += more
    recording = Recording(
        participant=labels.participant,
        session=labels.session,
        task=labels.task,
        acq=labels.acq,
        run=labels.run,
        lead_side=lead_side,
        sensors=assembled.sensors,
        events=found,
        start_hints=assembled.start_hints,
    )
    return recording, assembled, doubts


def write_import(
    recording: Recording,
    assembled: Assembled,
    maps: Sequence[FileMap],
    *,
    dataset: Path,
    doubts: Sequence[str],
    overwrite: bool,
) -> Written:
    """Write the recording, its map and what was done; a new dataset is started where there is none."""
    notes = (*assembled.notes, *doubts)
    if not (dataset / DESCRIPTION).is_file():
        start_dataset(dataset, name=dataset.name, description="Recordings brought in from other formats.")
    map_path = dataset / MAPS_FOLDER / f"{_stem(recording)}.toml"
    kept = [replace(maps[0], file="*")] if len(maps) == 1 else maps
    paths = write_recording(
        recording,
        dataset,
        acq_time=assembled.acq_time,
        overwrite=overwrite,
        fields={"ImportNotes": [_nameless(note, maps) for note in notes]} if notes else {},
        more={map_path: map_text(kept, doubts=[_nameless(doubt, maps) for doubt in doubts])},
    )
    return Written(paths=tuple(paths), map_path=map_path, notes=notes)


def _nameless(sentence: str, maps: Sequence[FileMap]) -> str:
    """A sentence without names of files, which may hold a person's."""
    for number, name in enumerate(dict.fromkeys(one.file for one in maps), start=1):
        sentence = sentence.replace(name, f"file {number}") if "*" not in name else sentence
    return sentence


def _stem(recording: Recording) -> str:
    parts: Mapping[str, str | None] = {
        "sub": recording.participant,
        "ses": recording.session,
        "task": recording.task,
        "acq": recording.acq,
        "run": recording.run,
    }
    return "_".join(f"{key}-{value}" for key, value in parts.items() if value is not None)
