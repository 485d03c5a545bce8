"""Which calibration steps serve a recording, looked for part after part where it is long."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from imuswing.body.calibrate import FOUND_IN_DATA, Calibration, calibrate
from imuswing.body.find_routine import FINDABLE, find_routine
from imuswing.cutting import Oriented, address_gravity, learn_and_orient
from imuswing.errors import RecordingError
from imuswing.judged import judged_swings
from imuswing.orientation.quaternion import FloatArray
from imuswing.orientation.stretch import SensorCorrection
from imuswing.parts import Part, is_silent, known_starts, parts_of, prepared_part, seen, starts_after
from imuswing.recording.model import Event, Recording
from imuswing.rough import rough_swings
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.motion import Motion, Prepared
from imuswing.settings import Settings
from imuswing.shifts import Stood, postures
from imuswing.swings.corrections import without_denied
from imuswing.swings.event_doubts import refuse_other_times
from imuswing.vocabulary import CALIBRATION_STEPS, CORRECTION, LeadSide

CONTRADICTED = "the data, since the marked steps contradict each other"
"""The source of a calibration whose marks are not believed."""
MOST_APART = float(np.deg2rad(30.0))
"""Marked steps farther from each other are marked in the wrong places: in 30 simulated lessons of careless people the
worst step is 19° off, with marks that are late by 10 or 40 s 58 and 67°."""


class Reader:
    """A recording part after part; what one tells of sensors and clocks serves those that are looked at later."""

    def __init__(self, recording: Recording, settings: Settings) -> None:
        self.recording, self.settings = recording, settings
        self.parts = parts_of(recording, settings.parts)
        self._starts = known_starts(recording, self.parts[0], settings.parts, settings.sensors)
        self._clocks: dict[str, ClockLine] = {}
        self._corrections: dict[str, SensorCorrection] = {}
        self._last: tuple[int, Oriented] | None = None

    def seen(self, k: int) -> Recording:
        """The recording cut to part k."""
        return seen(self.recording, self.parts[k], self._starts, self.settings.parts)

    def prepared(self, k: int) -> Prepared | None:
        """Part k made trustworthy; None where no sensor recorded in it."""
        here = self.seen(k)
        if len(self.parts) > 1 and is_silent(here):
            return None
        prepared, self._clocks = prepared_part(here, self._clocks, self.settings.sensors)
        if len(self._clocks) > 1:
            self._starts = starts_after(here, prepared, self._starts, self.settings.sensors)
        return prepared

    def oriented(self, k: int) -> Oriented | None:
        """Part k oriented; None where no sensor recorded in it. The last one that was asked for is kept."""
        if self._last is None or self._last[0] != k:
            self._last = None
            prepared = self.prepared(k)
            if prepared is None:
                return None
            # Handed over for good: what is not corrected yet need not stand beside what is.
            held = [prepared]
            del prepared
            oriented = learn_and_orient(held.pop(), self.settings, self._corrections)
            self._corrections.update(oriented.corrections)
            self._last = k, oriented
        return self._last[1]

    def let_go(self) -> None:
        """Keep no part any longer."""
        self._last = None


def where_routine_may_be(recording: Recording, parts: Sequence[Part]) -> Iterable[int]:
    """The part with most of the marked steps; any where nothing is marked."""
    marked = recording.of_type(*CALIBRATION_STEPS)
    if not marked:
        return range(len(parts))
    held = [len({step.trial_type for step in marked if part.holds(step.onset)}) for part in parts]
    return [max(range(len(parts)), key=lambda k: held[k])]


def first_routine(reader: Reader) -> tuple[int, Routine] | None:
    """The routine that serves all parts, and the part that shows it; None where no part has data."""
    found: tuple[int, Routine] | None = None
    for k in where_routine_may_be(reader.recording, reader.parts):
        oriented = reader.oriented(k)
        if oriented is None:
            continue
        if found is None:
            found = k, routine_of(reader.seen(k), oriented, reader.settings)
        elif steps := _with_found(reader.seen(k), oriented.motions, reader.settings):
            found = k, replace(found[1], motions=oriented.motions, steps=steps, source=FOUND_IN_DATA)
        if found[1].steps:
            break
    return found


@dataclass(frozen=True, kw_only=True)
class Routine:
    """The calibration steps that serve a recording, and the motion that they stand in.

    source: in words.  here: whether they stand in the recording itself.  stood: how the sensors stood at that one's
    swings, if they do not.
    """

    motions: Mapping[str, Motion]
    steps: Sequence[Event]
    lead_side: LeadSide
    source: str = "this recording"
    here: bool = True
    stood: Stood = field(default_factory=Stood)

    @property
    def found(self) -> bool:
        """Whether none of its steps was marked by anybody."""
        return self.source == FOUND_IN_DATA


def routine_of(recording: Recording, oriented: Oriented, settings: Settings) -> Routine:
    """This recording's marked steps; else the newest earlier one's of the same visit; else what the data show. Marked
    steps that contradict each other are not believed: what the data show counts.

    Steps that were done and not marked are taken from the data too; where nothing is marked in the whole visit and this
    recording shows none, from the newest earlier recording that shows some.
    """
    marked = recording.of_type(*CALIBRATION_STEPS)
    if not marked and recording.source is not None:
        earlier = _marked_earlier(recording.source, settings)
        if earlier is not None:
            return earlier
    steps = _with_found(recording, oriented.motions, settings)
    if marked and not any(event in steps for event in marked):
        return Routine(motions=oriented.motions, steps=steps, lead_side=recording.lead_side, source=CONTRADICTED)
    if not steps and recording.source is not None:
        shown = _shown_earlier(recording.source, settings)
        if shown is not None:
            return shown
    source = "this recording" if marked else FOUND_IN_DATA if steps else "nothing: no step is marked or found"
    return Routine(motions=oriented.motions, steps=steps, lead_side=recording.lead_side, source=source)


def _marked_earlier(path: Path, settings: Settings) -> Routine | None:
    """The routine of the newest earlier recording of the visit that has it marked; None where none has.

    RecordingError, about this recording, where that one cannot be used.
    """
    from imuswing.recording.read import calibration_recording, read

    try:
        marked = calibration_recording(path)
        if marked is None:
            return None
        earlier = read(marked)
        refuse_other_times(earlier)
        return earlier_routine(earlier, settings)
    except RecordingError as error:
        raise RecordingError(
            path,
            f"has no routine of its own, and the visit's earlier recording cannot be used ({str(error).rstrip('.')})",
            "mend that one first, or mark a routine in this one",
        ) from error


def _shown_earlier(path: Path, settings: Settings) -> Routine | None:
    """The routine that the newest earlier recording of the visit shows without a mark; None where none does.

    An earlier recording that cannot be used shows none; it is told of where it is analyzed itself.
    """
    from imuswing.recording.find import earlier_recordings
    from imuswing.recording.read import read

    for earlier in earlier_recordings(path):
        try:
            routine = earlier_routine(read(earlier), settings)
        except RecordingError:
            continue
        if routine.steps:
            return routine
    return None


def earlier_routine(earlier: Recording, settings: Settings) -> Routine:
    """The routine of an earlier recording of the same visit."""
    reader = Reader(earlier, settings)
    motions: Mapping[str, Motion] = {}
    oriented: Oriented | None = None
    steps: tuple[Event, ...] = ()
    for k in where_routine_may_be(earlier, reader.parts):
        prepared = reader.prepared(k)
        if prepared is None:
            continue
        oriented = learn_and_orient(prepared, settings)
        motions = oriented.motions
        steps = _with_found(reader.seen(k), motions, settings)
        if steps:
            break
    source = earlier.source
    name = source.name if source is not None else "an earlier recording"
    found = Routine(motions=motions, steps=steps, lead_side=earlier.lead_side, source=name, here=False)
    if oriented is None or not steps:
        return found
    return replace(found, stood=_stood(reader.seen(k), found, oriented, settings))


def _stood(recording: Recording, routine: Routine, oriented: Oriented, settings: Settings) -> Stood:
    """How the sensors stood at the swings after the routine, and between them."""
    calibration = calibration_of(routine, oriented, settings, addresses=None)
    end = max(step.end for step in routine.steps)
    candidates = [c for c in rough_swings(oriented, calibration, settings) if c.start > end]
    calibration = calibration_of(routine, oriented, settings, addresses=address_gravity(oriented, candidates))
    swings = judged_swings(recording, oriented, calibration, candidates, settings).candidates
    return Stood(task=recording.task, postures=postures(oriented, swings))


def _with_found(recording: Recording, motions: Mapping[str, Motion], settings: Settings) -> tuple[Event, ...]:
    """The marked steps, and of those without a mark the ones that the data show and nobody denies; these alone where
    the marks contradict each other."""
    marked = recording.of_type(*CALIBRATION_STEPS)
    there = {event.trial_type for event in marked}
    steps = marked
    if not there >= FINDABLE:
        steps = (*marked, *(event for event in _shown(recording, motions, settings) if event.trial_type not in there))
    # Steps that fit each other so badly cannot be what they are said to be.
    if marked and worst_misfit(motions, steps, recording.lead_side, settings) > MOST_APART:
        return _shown(recording, motions, settings)
    return steps


def _shown(recording: Recording, motions: Mapping[str, Motion], settings: Settings) -> tuple[Event, ...]:
    """The steps that the data show and nobody denies."""
    return tuple(without_denied(find_routine(motions, settings=settings.routine), recording.of_type(CORRECTION)))


def worst_misfit(
    motions: Mapping[str, Motion], steps: Sequence[Event], lead_side: LeadSide, settings: Settings
) -> float:
    """rad, by which the step that fits the others worst misses them."""
    tried = calibrate(motions, steps, lead_side=lead_side, priors=settings.care)
    return max((step.residual or 0.0 for step in tried.steps.values()), default=0.0)


def calibration_of(
    routine: Routine, oriented: Oriented | None, settings: Settings, *, addresses: Mapping[str, FloatArray] | None
) -> Calibration:
    """Alignments by the routine and by the addresses, if given; oriented: what is worn here, None where all is."""
    found = calibrate(
        routine.motions, routine.steps, lead_side=routine.lead_side, addresses=addresses, priors=settings.care
    )
    if routine.here:
        return replace(found, source=routine.source)
    worn = {p: fitted for p, fitted in found.alignments.items() if oriented is None or p in oriented.motions}
    return replace(found, alignments=worn, table_interval=None, spans=(), source=routine.source)
