"""A live recording from its first sample to a whole recording: source, journal, engine and pages joined."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from imuswing.errors import SettingsError
from imuswing.live.arrive import arrives_after, take
from imuswing.live.coach import closed_block, from_entries, obey
from imuswing.live.engine import begin, step
from imuswing.live.hub import Hub
from imuswing.live.journal import AGAIN_S, Journal, event_data, make_recording, read_rows, remove
from imuswing.live.learn import steps_marked
from imuswing.live.messages import Band, Ended, FinishCommand, Hello, Message, Problem, Shot, Undone
from imuswing.live.model import TIME_COLUMN, Arrival, Session, Source
from imuswing.live.resume import delays_of, fed, opening_end, renumbered, told_at
from imuswing.live.settings import LiveSettings
from imuswing.live.state import State
from imuswing.live.tell import told_steps
from imuswing.recording.events import read_events
from imuswing.recording.layout import MotionName, motion_files, parse_motion_name, session_folder
from imuswing.routine import Routine, earlier_routine
from imuswing.vocabulary import KIND_SHOT

TABLES: Final = ("derivatives", "imuswing-tables")
SHOWN_FILE: Final = "shown.parquet"
SHOWN_UNITS: Final = {"impact_s": "s", "chest_verdict": "", "shown_after_s": "s", "kind": "", "last_verdict": ""}

REST_S = 2.0
"""After a failure nothing is computed for so long: the samples that it failed on have passed then."""

WAITS_FOR_ROOM = (
    "{folder} cannot be written ({why}), and the newest samples wait in memory: make room, and the recording is made "
    "whole by itself; Ctrl-C would lose them."
)


@dataclass(frozen=True, kw_only=True)
class Finished:
    """What a live recording became. path: its first motion table.  shown: where the verdicts stand.  swings: how many
    were told."""

    path: Path
    shown: Path
    swings: int


class Live:
    """One live recording. `run` takes it from the source's first sample to the end."""

    def __init__(
        self,
        dataset: Path,
        session: Session,
        source: Source,
        *,
        hub: Hub,
        settings: LiveSettings | None = None,
        bands: Mapping[str, Band] | None = None,
        intents: Sequence[str] = (),
        say: Callable[[Message], None] = lambda message: None,
    ) -> None:
        self.settings = settings or LiveSettings()
        self.dataset, self.source, self.hub, self._say = dataset, source, hub, say
        resumed = Journal.resume(dataset, session)
        self.resumed = resumed is not None
        if resumed is not None and tuple(resumed.heads.values()) != tuple(source.heads):
            resumed.close()
            raise SettingsError(
                f"{resumed.folder} holds an unfinished recording of other sensors; end it with --finish, then start"
            )
        if resumed is None:
            session = replace(session, run=free_run(dataset, session))
        self.journal = resumed or Journal.start(dataset, session, source.heads)
        self.state = begin(self.journal.session, source.heads)
        earlier = newest_routine(dataset, session, self.settings)
        self.state = replace(self.state, bands=bands or {}, earlier=earlier)
        self._intents = tuple(intents)
        self._trouble: str | None = None
        self._clocks_noted: frozenset[str] = frozenset()
        self._rest_until = -np.inf
        self._untold: tuple[int, ...] = ()

    def run(self) -> Finished:
        """Until the source ends, the coach finishes, or Ctrl-C."""
        after = self._take_up() if self.resumed else {}
        self._greet()
        try:
            for arrival in self.source.arrivals(after):
                if not self._turn(arrival):
                    break
        except KeyboardInterrupt:
            self._tell(Problem(text="Stopped: the recording is made whole now."))
        self._wait_for_room()
        finished = finish_journal(self.journal, self.dataset, self.state)
        self._tell(Ended(path=str(finished.path), shots=finished.swings))
        return finished

    def _wait_for_room(self) -> None:
        """Until all that waits in memory stands on the disk; Ctrl-C gives it up."""
        told = False
        while True:
            try:
                self.journal.through()
                return
            except OSError as error:
                if not told:
                    text = WAITS_FOR_ROOM.format(folder=self.journal.folder, why=error.strerror)
                    self._tell(Problem(text=text, lasts=True))
                told = True
                time.sleep(AGAIN_S)

    def _greet(self) -> None:
        session, state = self.journal.session, self.state
        worn = tuple(sensor.tracked_point for head in self.source.heads for sensor in head.sensors)
        self._tell(
            Hello(
                participant=session.participant,
                session=session.session,
                task=session.task,
                lead_side=session.lead_side,
                worn=worn,
                bands=state.bands,
                intents=self._intents,
                replay_speed=self.source.speed if self.source.speed and np.isfinite(self.source.speed) else None,
                resumed=self.resumed,
                simulated=session.simulated,
            )
        )
        for message in (*told_steps(state), state.feedback, *([state.block] if state.block else [])):
            self._tell(message)
        for number, shot in sorted(state.shots.items()):
            new = number in self._untold
            if new:
                self._note_shown(shot)
            self._tell(replace(shot, sound=False, revised=not new, shown_after_s=None))

    def _turn(self, arrival: Arrival) -> bool:
        """One turn of the loop; False where the coach has ended the recording."""
        began = time.perf_counter()
        state, chunks, messages = take(self.state, arrival, self.settings)
        for chunk in chunks:
            self.journal.add(chunk)
        for event in arrival.events:
            self.journal.note({"add": event_data(event)})
        going = True
        for command in self.hub.commands():
            going = going and not isinstance(command, FinishCommand)
            state, entries, told = obey(state, command)
            for entry in entries:
                self.journal.note(entry)
            messages += told
        state, told_now = self._computed(state)
        self.state = state
        self._note_clocks()
        for message in told_now:
            if isinstance(message, Undone):
                self.journal.note({"taken_back": message.number})
        for message in (*messages, *told_now):
            self._tell(self._stamped(message, arrival, began) if isinstance(message, Shot) else message)
        if self.journal.trouble != self._trouble:
            self._trouble = self.journal.trouble
            written = "The disk can be written again: nothing was lost."
            self._tell(Problem(text=self._trouble or written, lasts=self._trouble is not None))
        return going

    def _computed(self, state: State) -> tuple[State, list[Message]]:
        """One step; what fails in it is said, and never stops the recording."""
        if state.now < self._rest_until:
            return state, []
        try:
            return step(state, self.settings)
        except Exception as error:  # noqa: BLE001 - no fault of the computation may cost the samples
            self._rest_until = state.now + REST_S
            what = f"{type(error).__name__}: {error}".rstrip(": ")
            text = f"This moment could not be computed ({what}); the recording goes on, and analyze can be run on it."
            return replace(state, pending=()), [Problem(text=text)]

    def _stamped(self, shot: Shot, arrival: Arrival, began: float) -> Shot:
        """When it is shown, after impact, as at speed 1; all that is shown of it is kept in the journal's log."""
        after = arrival.now - arrives_after(self.state) - shot.impact_s + arrival.behind_s + time.perf_counter() - began
        shot = replace(shot, shown_after_s=round(after, 4))
        self._note_shown(shot)
        return shot

    def _note_shown(self, shot: Shot) -> None:
        entry = {"number": shot.number, "kind": shot.kind, "impact_s": shot.impact_s}
        self.journal.note({"shown": {**entry, "chest_verdict": shot.verdict, "shown_after_s": shot.shown_after_s}})

    def _note_clocks(self) -> None:
        """When each system began against this computer's clock: needed if the recording is taken up again."""
        delays = {name: clock.delay for name, clock in self.state.clocks.items()}
        known = {name: delay for name, delay in delays.items() if delay is not None}
        if known.keys() > self._clocks_noted:
            self._clocks_noted = frozenset(known)
            self.journal.note({"delays": known})

    def _tell(self, message: Message) -> None:
        self.hub.publish(message)
        self._say(message)

    def _take_up(self) -> dict[str, float]:
        """Feed what the journal holds, as if it came again, silently; by system the last time that it holds."""
        entries = self.journal.entries()
        delays = delays_of(entries)
        state = from_entries(self.state, entries)
        last: dict[str, float] = {}
        rows = {}
        for name, head in self.journal.heads.items():
            rows[name] = read_rows(self.journal.table(name), head)
            if len(rows[name]):
                last[name] = float(rows[name][-1, TIME_COLUMN])
        for arrival in fed(rows, delays, opening_s=opening_end(state)):
            state, _, _ = take(state, arrival, self.settings)
            state, _ = step(state, self.settings)
        self.state, self._untold = renumbered(state, told_at(entries))
        self._clocks_noted = frozenset(delays)
        self.source.take_up(self.journal.began, delays)
        return last


def finish_journal(journal: Journal, dataset: Path, state: State | None = None) -> Finished:
    """Make a journal a recording, with the verdicts that were shown beside its derivatives, and take it away.

    state: of the run that ends; None for one that was interrupted: its log tells the events then.
    """
    entries = journal.entries()
    if state is None:
        delays, first = delays_of(entries), min(journal.heads)
        offsets = {name: delays[name] - delays[first] for name in delays if first in delays}
        state = from_entries(begin(journal.session, journal.heads.values()), entries)
    else:
        offsets = {name: line.offset for name, line in state.known.clocks.items()}
    paths = make_recording(journal, dataset, events=closed_block(state).events, offsets=offsets)
    shown = shown_rows(entries)
    file = results_folder(dataset, paths[0]) / SHOWN_FILE
    write_shown(shown, file)
    remove(journal)
    return Finished(path=paths[0], shown=file, swings=len(shown))


def results_folder(dataset: Path, first: Path) -> Path:
    """Where the derivatives of a recording go that stand in the dataset; first: its first motion table."""
    name = parse_motion_name(first).without_tracksys()
    session = session_folder(Path(), name)
    return dataset.joinpath(*TABLES) / session / "_".join(name.parts)


def shown_rows(entries: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One row a swing, from all that the journal's log says was told of it.

    chest_verdict and shown_after_s are of the first look, with its impact_s; what was told as a practice swing and
    turned out to be a shot has the impact and the verdict that it was given as a shot, and the time when that verdict
    was first told. kind and last_verdict: as they stood at the end; a swing that was taken back, because it
    turned out to be none, has no last verdict.
    """
    rows: dict[int, dict[str, Any]] = {}
    for entry in entries:
        if "taken_back" in entry and entry["taken_back"] in rows:
            rows[entry["taken_back"]]["last_verdict"] = None
        if "shown" not in entry:
            continue
        told = entry["shown"]
        row = rows.setdefault(told["number"], dict(told))
        if told["kind"] == KIND_SHOT != row["kind"] or row["chest_verdict"] is None:
            same = told["chest_verdict"] == row["chest_verdict"]
            row.update(told, **({"shown_after_s": row["shown_after_s"]} if same else {}))
        row.update(kind=told["kind"], last_verdict=told["chest_verdict"])
    return list(rows.values())


def write_shown(shown: Sequence[Mapping[str, Any]], path: Path) -> None:
    """The verdicts that were told (`shown_rows`), practice swings among them, whole or not at all."""
    import os

    import pyarrow as pa
    import pyarrow.parquet

    told = [row for row in shown if row["chest_verdict"] is not None]
    kinds = {
        "impact_s": pa.float64(),
        "chest_verdict": pa.string(),
        "shown_after_s": pa.float64(),
        "kind": pa.string(),
        "last_verdict": pa.string(),
    }
    schema = pa.schema([pa.field(name, kind, metadata={"unit": SHOWN_UNITS[name]}) for name, kind in kinds.items()])
    table = pa.table({name: [row[name] for row in told] for name in kinds}, schema=schema)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        pyarrow.parquet.write_table(table, part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def free_run(dataset: Path, session: Session) -> str | None:
    """The label of the run: None for a first recording of the task in the session, then 2, 3, …"""
    name = MotionName(sub=session.participant, ses=session.session, task=session.task, tracksys=None)
    folder = session_folder(dataset, name) / "motion"
    stem = "_".join(name.parts)
    taken = {parse_motion_name(path).run for path in folder.glob(f"{stem}_*motion.tsv")} if folder.is_dir() else set()
    if not taken:
        return None
    return str(max((int(run) for run in taken if run is not None), default=1) + 1)


def newest_routine(dataset: Path, session: Session, settings: LiveSettings) -> Routine | None:
    """The routine of the newest recording of the same visit that has one marked; None without one."""
    from imuswing.recording.find import find_recordings
    from imuswing.recording.read import read

    name = MotionName(sub=session.participant, ses=session.session, task=session.task, tracksys=None)
    folder = session_folder(dataset, name)
    if not any(folder.glob("motion/*_motion.tsv")):
        return None
    for path in reversed(find_recordings(folder)):
        if steps_marked(read_events(motion_files(path))):
            return earlier_routine(read(path), settings.analysis)
    return None
