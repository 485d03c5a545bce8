"""Changing the marks of a recording: each edit a verb with a text, numbers being those of the list as it was shown."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

from imuswing.errors import SettingsError, require_one_of
from imuswing.marking.lines import Line, minutes
from imuswing.recording.model import Event, Recording
from imuswing.swings.corrections import AT_IMPACT, NO_SWING, correction, denial
from imuswing.vocabulary import (
    BLOCK,
    CALIBRATION_STEPS,
    CORRECTION,
    KIND_PRACTICE,
    KIND_SHOT,
    SHOT,
    TAP,
)

TIME: Final = r"\d+(?::[0-5]?\d){0,2}(?:\.\d+)?"
SPAN: Final = re.compile(rf"({TIME})(?:-({TIME})|\+({TIME}))?")
NEAR_S: Final = 0.5
"""`@TIME` means the swing whose impact is nearest to it within this; swings are seconds apart (common practice, no
source)."""
END_MARGIN_S: Final = 0.001
"""Times are written to the millisecond; a mark at the very end may be rounded up."""


@dataclass(frozen=True, kw_only=True)
class Edit:
    """verb: one of `VERBS`.  text: what stands behind it, such as `3=thin` or `baseline@60-180`.

    A line may also be named by a time, as in `@81.417=thin`: the swing with its impact there, or the block.
    may_lie_over: a block may lie over another, as the coach's page moves one shot to another block that way.
    """

    verb: str
    text: str
    may_lie_over: bool = False


def edited(recording: Recording, listed: Sequence[Line], edits: Sequence[Edit]) -> tuple[Event, ...]:
    """The events of a recording after the edits, in time order; SettingsError says what is wrong with one."""
    work = _Work(recording, listed)
    for edit in edits:
        require_one_of("what to do", edit.verb, VERBS)
        VERBS[edit.verb](work, edit.text.strip())
    _refuse_overlaps(recording.events, work.events, CALIBRATION_STEPS)
    if not any(edit.may_lie_over for edit in edits):
        _refuse_overlaps(recording.events, work.events, (BLOCK,))
    return tuple(sorted(work.events, key=lambda event: event.onset))


def _refuse_overlaps(before: Sequence[Event], after: Sequence[Event], kinds: Sequence[str]) -> None:
    """SettingsError where a new or moved mark overlaps another one; what overlapped before is left as it is."""
    known = {(event.onset, event.duration) for event in before if event.trial_type in kinds}
    marks = sorted((event for event in after if event.trial_type in kinds), key=lambda event: event.onset)
    for first, second in combinations(marks, 2):
        # A block without an end runs to the next one.
        apart = second.onset > first.onset if first.duration == 0.0 else second.onset > first.end - END_MARGIN_S
        if not apart and not {(first.onset, first.duration), (second.onset, second.duration)} <= known:
            one, other = (
                f"{mark.block or mark.trial_type}@{mark.onset:.3f}-{mark.end:.3f}" for mark in (first, second)
            )
            raise SettingsError(f"{one} and {other} would overlap; change their times, or delete one of them")


class _Work:
    """Events while they are edited, with the rows that each line stands for by now."""

    def __init__(self, recording: Recording, listed: Sequence[Line]) -> None:
        first = recording.tracking_systems[0]
        sensors = [stream for stream in recording.sensors.values() if stream.tracking_system == first]
        self.lasts = max(stream.duration_s for stream in sensors)
        self.listed = listed
        self.events = list(recording.events)
        self.rows = [list(line.rows) for line in listed]
        self.changed: set[int] = set()
        self.deleted: set[int] = set()

    def line(self, text: str) -> tuple[int, Line]:
        """A line that is to be changed, with its index; SettingsError if it is to be deleted as well."""
        index, line = self.find(text)
        self.changed.add(index)
        self.check(index)
        return index, line

    def check(self, index: int) -> None:
        if index in self.changed & self.deleted:
            raise SettingsError(f"line {index + 1} cannot be both deleted and changed; leave one of the two out")

    def find(self, text: str) -> tuple[int, Line]:
        """A line by its number, or as `@TIME` the swing whose impact is there, with its index."""
        if text.startswith("@"):
            index = self._swing_at(text)
            return index, self.listed[index]
        if not text.isdecimal() or not 1 <= int(text) <= len(self.listed):
            raise SettingsError(f"there is no line {text!r}; the list has the numbers 1 to {len(self.listed)}")
        return int(text) - 1, self.listed[int(text) - 1]

    def _swing_at(self, text: str) -> int:
        start = _moment(text)
        swings = [(abs(line.swing.impact - start), k) for k, line in enumerate(self.listed) if line.swing is not None]
        away, index = min(swings, default=(math.inf, 0))
        if away > NEAR_S:
            raise SettingsError(
                f"no swing has its impact at {start:.3f} s; look at the list, and make the page anew if it is older"
            )
        return index

    def block(self, text: str) -> tuple[int, Line]:
        """The line of a block: by its number, or as `@TIME` the last one that has begun by then."""
        if not text.startswith("@"):
            return self.line(text)
        start = _moment(text)
        begun = [k for k, line in enumerate(self.listed) if line.what == BLOCK and line.onset <= start]
        if not begun:
            raise SettingsError(f"no block has begun by {start:.3f} s; mark one with block NAME@START-END")
        return self.line(str(begun[-1] + 1))

    def add(self, event: Event, index: int | None = None) -> None:
        if event.onset > self.lasts + END_MARGIN_S or event.end > self.lasts + END_MARGIN_S:
            raise SettingsError(
                f"{event.trial_type} would end at {max(event.onset, event.end):.3f} s; the recording ends at "
                f"{self.lasts:.3f} s ({minutes(self.lasts)})"
            )
        if event in self.events:
            raise SettingsError(f"{event.trial_type} at {event.onset:.3f} s is marked already")
        self.events.append(event)
        if index is not None:
            self.rows[index].append(event)

    def remove(self, index: int, event: Event) -> None:
        self.events.remove(event)
        self.rows[index].remove(event)

    def change(self, index: int, event: Event, **fields: object) -> None:
        changed = replace(event, **fields)  # type: ignore[arg-type]
        if changed != event:
            self.remove(index, event)
            self.add(changed, index)

    def of_type(self, index: int, *trial_types: str) -> Event | None:
        """The line's row of these types, None without one."""
        return next((row for row in self.rows[index] if row.trial_type in trial_types), None)

    def say(self, index: int, onset: float, *notes: str) -> None:
        """A person's word on a swing instead of earlier ones with other notes of the same question."""
        for row in [row for row in self.rows[index] if row.trial_type == CORRECTION]:
            self.remove(index, row)
        for note in notes:
            self.add(correction(round(onset, 3), note), index)


def _moment(text: str) -> float:
    """`@81.4` or `@1:21.4` in seconds."""
    start, duration = span(text.removeprefix("@"))
    if duration is not None:
        raise SettingsError(f"{text!r} has an end; write a moment only, such as @81.4")
    return start


def seconds(text: str) -> float:
    """`84.8`, `1:24.8` or `1:02:03` in seconds."""
    total = 0.0
    for part in text.split(":"):
        total = 60.0 * total + float(part)
    return total


def span(text: str) -> tuple[float, float | None]:
    """`12.5`, `12.5-22.5` or `12.5+10` as start and duration, None where only a start is given."""
    found = SPAN.fullmatch(text.strip())
    if found is None:
        raise SettingsError(f"{text!r} is no time; write 12.5, 12.5-22.5, 12.5+10 or 1:24.5, in s or min:s")
    start = seconds(found[1])
    if found[2] is None and found[3] is None:
        return start, None
    duration = round(seconds(found[2]) - start, 6) if found[2] is not None else seconds(found[3])
    if duration <= 0.0:
        raise SettingsError(f"{text!r} ends before it begins; write the start first")
    return start, duration


def _pair(text: str, mark: str, shape: str) -> tuple[str, str]:
    left, found, right = text.partition(mark)
    if not found or not left.strip():
        raise SettingsError(f"{text!r} is not understood; write {shape}")
    return left.strip(), right.strip()


def _add_step(work: _Work, text: str) -> None:
    name, when = _pair(text, "@", "a step and its time, such as bow@12.5-22.5")
    require_one_of("the step", name, CALIBRATION_STEPS)
    start, duration = span(when)
    if duration is None:
        raise SettingsError(f"the step {name} needs an end; write {name}@{when}-END or {name}@{when}+LENGTH")
    work.add(Event(onset=start, duration=duration, trial_type=name))


def _add_block(work: _Work, text: str) -> None:
    name, rest = _pair(text, "@", "a block and its time, such as baseline@60-180 or drill@60-180=turn on")
    when, _, intent = rest.partition("=")
    start, duration = span(when)
    work.add(Event(onset=start, duration=duration or 0.0, trial_type=BLOCK, block=name, intent=intent.strip() or None))


def _add_shot(work: _Work, text: str) -> None:
    when, _, outcome = text.partition("=")
    start, duration = span(when)
    if duration is not None:
        raise SettingsError(f"the shot {text!r} has an end; write its moment only, such as 123.4=thin")
    work.add(Event(onset=start, duration=0.0, trial_type=SHOT, outcome=outcome.strip() or None))


def _add_impact(work: _Work, text: str) -> None:
    start, duration = span(text)
    if duration is not None:
        raise SettingsError(f"the impact {text!r} has an end; write its moment only, such as 123.456")
    work.add(correction(round(start, 3), AT_IMPACT))


def _add_tap(work: _Work, text: str) -> None:
    start, duration = span(text)
    work.add(Event(onset=start, duration=duration or 0.0, trial_type=TAP))


def _delete(work: _Work, text: str) -> None:
    index, line = work.find(text)
    work.deleted.add(index)
    work.check(index)
    for row in list(work.rows[index]):
        work.remove(index, row)
    if line.swing is not None:
        work.add(correction(round(line.swing.impact, 3), NO_SWING), index)
    if line.found_step is not None:
        middle = 0.5 * (line.found_step.onset + line.found_step.end)
        work.add(correction(round(middle, 3), denial(line.found_step.trial_type)), index)


def _undo(work: _Work, text: str) -> None:
    index, _ = work.find(text)
    work.deleted.discard(index)
    work.changed.discard(index)
    words = [row for row in work.rows[index] if row.trial_type == CORRECTION]
    if not words:
        raise SettingsError(f"line {text} holds no correction; only what was set by hand can be taken back")
    for row in words:
        work.remove(index, row)


def _keep(work: _Work, text: str) -> None:
    index, line = work.line(text)
    if line.found_step is None:
        raise SettingsError(f"line {text} is no step that was found; only such a step can be kept")
    step = line.found_step
    work.add(Event(onset=round(step.onset, 3), duration=round(step.duration, 3), trial_type=step.trial_type), index)


def _move(work: _Work, text: str) -> None:
    number, when = _pair(text, "=", "a line and its time, such as 3=12.5-22.5")
    index, line = work.line(number)
    start, duration = span(when)
    if line.swing is not None:
        swing = line.swing
        if duration is not None or not swing.top < start <= swing.finish:
            raise SettingsError(
                f"the impact of swing {swing.number} can only lie between its top, {swing.top:.3f} s, and its finish, "
                f"{swing.finish:.3f} s"
            )
        work.say(index, start, AT_IMPACT)
    elif line.found_step is not None:
        kept = line.found_step.duration if duration is None else duration
        work.add(Event(onset=start, duration=round(kept, 3), trial_type=line.what), index)
    else:
        row = _row(work, index, number)
        work.change(index, row, onset=start, duration=row.duration if duration is None else duration)


def _outcome(work: _Work, text: str) -> None:
    number, outcome = _pair(text, "=", "a line and the outcome, such as 5=thin")
    index, line = work.line(number)
    note = work.of_type(index, SHOT)
    if note is not None:
        work.change(index, note, outcome=outcome or None)
    elif line.swing is not None:
        work.add(
            Event(onset=round(line.swing.impact, 3), duration=0.0, trial_type=SHOT, outcome=outcome or None), index
        )
        if line.swing.kind == KIND_PRACTICE:
            # What has an outcome struck a ball.
            work.say(index, line.swing.impact, KIND_SHOT)
    else:
        raise SettingsError(f"line {number} is no shot; only shots have an outcome")


def _kind(work: _Work, text: str) -> None:
    number, kind = _pair(text, "=", f"a line and {KIND_SHOT} or {KIND_PRACTICE}, such as 5={KIND_PRACTICE}")
    index, line = work.line(number)
    if line.swing is None:
        raise SettingsError(f"line {number} is no swing that was found; only a swing has a kind")
    require_one_of("the kind", kind, (KIND_SHOT, KIND_PRACTICE))
    note = work.of_type(index, SHOT)
    if kind == KIND_PRACTICE and note is not None:
        work.remove(index, note)
    work.say(index, line.swing.impact, kind)


def _intent(work: _Work, text: str) -> None:
    number, intent = _pair(text, "=", "a line and the intention, such as 2=chest keeps turning")
    index, _ = work.block(number)
    work.change(index, _row(work, index, number, BLOCK, SHOT), intent=intent or None)


def _rename(work: _Work, text: str) -> None:
    number, name = _pair(text, "=", "the line of a block and its name, such as 2=drill")
    index, _ = work.block(number)
    if not name:
        raise SettingsError(f"line {number} would be a block without a name; write {number}=NAME")
    work.change(index, _row(work, index, number, BLOCK), block=name)


def _note(work: _Work, text: str) -> None:
    number, note = _pair(text, "=", "a line and a note, such as 2=wind from the left")
    index, _ = work.line(number)
    work.change(index, _row(work, index, number, *CALIBRATION_STEPS, BLOCK, SHOT, TAP), note=note or None)


def _row(work: _Work, index: int, number: str, *trial_types: str) -> Event:
    """The marked row that a line stands for; SettingsError where nothing of these types is marked there."""
    types = trial_types or (*CALIBRATION_STEPS, BLOCK, SHOT, TAP, CORRECTION)
    row = work.of_type(index, *types)
    if row is None:
        kinds = "step, block, shot or tap" if len(types) > 2 else " or ".join(types)
        raise SettingsError(f"line {number} holds no marked {kinds}; mark it first")
    return row


VERBS: Final[Mapping[str, Callable[[_Work, str], None]]] = {
    "step": _add_step,
    "block": _add_block,
    "shot": _add_shot,
    "tap": _add_tap,
    "impact": _add_impact,
    "delete": _delete,
    "undo": _undo,
    "keep": _keep,
    "move": _move,
    "outcome": _outcome,
    "kind": _kind,
    "intent": _intent,
    "rename": _rename,
    "note": _note,
}
"""What can be done, by the word for it."""
