"""A recording as a numbered list: what is marked in its events file, and what the analysis finds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from imuswing.body.find_routine import find_routine
from imuswing.errors import RecordingError
from imuswing.lesson import Settings, analyze
from imuswing.recording.model import Event, Recording
from imuswing.sensors.prepare import prepare
from imuswing.swings.corrections import NO_SWING, ON_SWINGS, without_denied
from imuswing.swings.kind import match_notes
from imuswing.vocabulary import BLOCK, CALIBRATION_STEPS, CORRECTION, KIND_SHOT, SHOT

SWING: Final = "swing"
MARKED, FOUND, BOTH = "marked", "found", "found and noted"
HEADER: Final = ("no.", "at (s)", "until (s)", "min:s", "what", "about", "source")


@dataclass(frozen=True, kw_only=True)
class FoundSwing:
    """A swing as the analysis sees it, s on the clock of the events; kind: `shot` or `practice`."""

    number: int
    takeaway: float
    top: float
    impact: float
    finish: float
    kind: str
    verdict: str | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of the list.

    what: a trial_type, or `swing`.  rows: the events it stands for.  swing: what was found.
    found_step: a step that nobody marked.
    """

    what: str
    onset: float
    end: float
    about: str
    source: str
    rows: tuple[Event, ...] = ()
    swing: FoundSwing | None = None
    found_step: Event | None = None

    @property
    def note(self) -> Event | None:
        """The coach's `shot` row, None without one."""
        return next((row for row in self.rows if row.trial_type == SHOT), None)


@dataclass(frozen=True, kw_only=True)
class Look:
    """What the analysis finds; reason: why it finds no swings, None where it could look."""

    swings: tuple[FoundSwing, ...] = ()
    steps: tuple[Event, ...] = ()
    reason: str | None = None


def look(recording: Recording, *, settings: Settings | None = None) -> Look:
    """Analyze a recording; one that cannot be analyzed gives the reason, since its marks may be what is wrong."""
    settings = settings or Settings()
    try:
        lesson = analyze(recording, settings=settings)
    except RecordingError as error:
        return Look(reason=str(error))
    marked = {event.trial_type for event in recording.of_type(*CALIBRATION_STEPS)}
    motions = prepare(recording, settings=settings.sensors).motions
    found = without_denied(find_routine(motions, settings=settings.routine), recording.of_type(CORRECTION))
    return Look(
        swings=tuple(_swing(row) for row in lesson.swings.to_dict("records")),
        steps=tuple(step for step in found if step.trial_type not in marked),
    )


def lines(recording: Recording, seen: Look, *, settings: Settings | None = None) -> tuple[Line, ...]:
    """The numbered list, in time order; a shot that was noted and found is one line."""
    kind = (settings or Settings()).judge.kind
    notes = recording.of_type(SHOT)
    struck = [swing for swing in seen.swings if swing.kind == KIND_SHOT]
    impacts = np.array([swing.impact for swing in struck])
    matched = match_notes(impacts, [note.onset for note in notes], settings=kind)
    note_of = {swing.number: notes[m] for swing, m in zip(struck, matched, strict=True) if m >= 0}
    words = [event for event in recording.of_type(CORRECTION) if event.note in ON_SWINGS and event.note != NO_SWING]
    by_hand = {swing.number: [word for word in words if _speaks_of(word, swing)] for swing in seen.swings}
    listed = [_swing_line(swing, note_of.get(swing.number), by_hand[swing.number]) for swing in seen.swings]
    told = {row for line in listed for row in line.rows}
    listed += [_marked_line(event) for event in recording.events if event not in told]
    listed += [
        Line(what=step.trial_type, onset=step.onset, end=step.end, about="", source=FOUND, found_step=step)
        for step in seen.steps
    ]
    return tuple(sorted(listed, key=lambda line: (line.onset, line.end)))


def table(listed: Sequence[Line]) -> list[str]:
    """The list as aligned text."""
    rows = [list(HEADER)]
    for number, line in enumerate(listed, start=1):
        end = "" if line.end == line.onset else f"{line.end:.3f}"
        rows.append([str(number), f"{line.onset:.3f}", end, minutes(line.onset), line.what, line.about, line.source])
    widths = [max(len(row[k]) for row in rows) for k in range(len(HEADER))]
    right = {0, 1, 2, 3}
    return [
        "  ".join(
            cell.rjust(width) if k in right else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def minutes(seconds: float) -> str:
    """Seconds as m:ss.s; the tenth is cut, not rounded, so that 59.97 s is not 0:60.0."""
    tenths = int(abs(seconds) * 10.0 + 1e-6)
    return f"{'-' if seconds < 0 else ''}{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def _swing(row: dict[str, Any]) -> FoundSwing:
    verdict = row["chest_verdict"]
    return FoundSwing(
        number=int(row["swing"]),
        takeaway=float(row["takeaway_s"]),
        top=float(row["top_s"]),
        impact=float(row["impact_s"]),
        finish=float(row["finish_s"]),
        kind=str(row["kind"]),
        verdict=verdict if isinstance(verdict, str) else None,
        flags=tuple(row["flags"]),
    )


def _speaks_of(word: Event, swing: FoundSwing) -> bool:
    return swing.takeaway <= word.onset <= swing.finish


def _swing_line(swing: FoundSwing, note: Event | None, by_hand: Iterable[Event]) -> Line:
    told = list(by_hand)
    doubts = [flag.replace("_", " ") for flag in swing.flags if flag.startswith(("kind_", "impact_"))]
    parts = [f"swing {swing.number}: {swing.kind}", swing.verdict and f"chest {swing.verdict}", note and note.outcome]
    return Line(
        what=SWING,
        onset=swing.impact,
        end=swing.impact,
        about=", ".join([*(part for part in parts if part), *doubts]),
        source=BOTH if note is not None else FOUND,
        rows=(*told, note) if note is not None else tuple(told),
        swing=swing,
    )


def _marked_line(event: Event) -> Line:
    parts = [event.block, event.intent, event.outcome, event.note]
    if event.trial_type == SHOT:
        parts.append("no shot found shortly before it")
    elif event.trial_type == BLOCK and event.duration == 0.0:
        parts.append("runs to the next block")
    return Line(
        what=event.trial_type,
        onset=event.onset,
        end=event.end,
        about=", ".join(part for part in parts if part),
        source=MARKED,
        rows=(event,),
    )
