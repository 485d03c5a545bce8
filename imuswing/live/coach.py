"""What the coach says while it runs: blocks, outcomes, notes, steps of the routine, the feedback mode, a swing undone.

Each command gives the next state, what the journal must keep of it, and what the pages are told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from imuswing.live.journal import event_data
from imuswing.live.learn import steps_marked
from imuswing.live.messages import (
    Block,
    BlockCommand,
    Command,
    Feedback,
    FeedbackCommand,
    Message,
    NoteCommand,
    Noted,
    Outcome,
    OutcomeCommand,
    Problem,
    Step,
    StepCommand,
    UndoCommand,
    Undone,
)
from imuswing.live.state import State
from imuswing.recording.model import Event
from imuswing.rounds import PAUSE_S, groups_of
from imuswing.swings.corrections import NO_SWING, correction
from imuswing.vocabulary import BLOCK, SHOT

NOTED_AFTER_S = 3.0
"""An outcome that is noted late is written down so long after its impact: notes belong to the shot just before."""

Entry = Mapping[str, Any]
"""One line of the journal's log."""

Answer = tuple[State, Sequence[Entry], Sequence[Message]]


def obey(state: State, command: Command) -> Answer:
    """Carry out a command."""
    if isinstance(command, BlockCommand):
        return _block(state, command)
    if isinstance(command, OutcomeCommand):
        return _outcome(state, command)
    if isinstance(command, UndoCommand):
        return _undo(state, command)
    if isinstance(command, NoteCommand):
        return _note(state, command)
    if isinstance(command, StepCommand):
        return _step(state, command)
    if isinstance(command, FeedbackCommand):
        feedback = Feedback(mode=command.mode, every=command.every, measure=command.measure)
        return replace(state, feedback=feedback, in_block=0), [{"feedback": asdict(feedback)}], [feedback]
    return state, [], []


def closed_block(state: State) -> State:
    """With the block that runs ended now, as an event."""
    if state.block is None or state.block.name is None:
        return state
    event = Event(
        onset=state.block.since,
        duration=max(state.now - state.block.since, 0.0),
        trial_type=BLOCK,
        block=state.block.name,
        intent=state.block.intent,
        note=state.block_note,
    )
    return replace(state, events=(*state.events, event), block=None, block_note=None)


def from_entries(state: State, entries: Sequence[Entry]) -> State:
    """With the events, the block that runs and the feedback mode, from the journal's log."""
    events: list[Event] = []
    block: Block | None = None
    note: str | None = None
    for entry in entries:
        if "add" in entry:
            events.append(Event(**entry["add"]))
        elif "drop" in entry:
            event = Event(**entry["drop"])
            if event in events:
                events.remove(event)
        elif "block" in entry:
            block, note = (Block(**entry["block"]) if entry["block"] is not None else None), None
        elif "block_note" in entry:
            note = entry["block_note"]
        elif "feedback" in entry:
            state = replace(state, feedback=Feedback(**entry["feedback"]))
    return replace(state, events=tuple(events), block=block, block_note=note)


def _added(state: State, *events: Event) -> tuple[State, list[Entry]]:
    return replace(state, events=(*state.events, *events)), [{"add": event_data(event)} for event in events]


def _dropped(state: State, *events: Event) -> tuple[State, list[Entry]]:
    kept = tuple(event for event in state.events if event not in events)
    return replace(state, events=kept), [{"drop": event_data(event)} for event in events]


def _block(state: State, command: BlockCommand) -> Answer:
    before = len(state.events)
    state = closed_block(state)
    entries: list[Entry] = [{"add": event_data(event)} for event in state.events[before:]]
    told = Block(name=command.name, intent=command.intent, since=state.now)
    state = replace(state, block=told if command.name is not None else None, in_block=0)
    running = {"name": told.name, "intent": told.intent, "since": told.since} if command.name is not None else None
    return state, [*entries, {"block": running}], [told]


def _last(state: State, number: int | None) -> int | None:
    if number is None:
        return max(state.shots, default=None)
    return number if number in state.shots else None


NO_SHOT = Problem(text="There is no such shot: take one of the list, or wait for the next.")


def _outcome(state: State, command: OutcomeCommand) -> Answer:
    number = _last(state, command.number)
    if number is None:
        return state, [], [NO_SHOT]
    state, entries = _on_shot(state, number, outcome=command.outcome)
    return state, entries, [Outcome(number=number, outcome=command.outcome)]


def _on_shot(state: State, number: int, **words: str | None) -> tuple[State, list[Entry]]:
    """The coach's row on a shot with its outcome or note changed; without either it goes."""
    impact = state.shots[number].impact_s
    following = min((shot.impact_s for shot in state.shots.values() if shot.impact_s > impact), default=np.inf)
    # Another swing may follow sooner, and a note belongs to the one just before it.
    until = min(impact + NOTED_AFTER_S, 0.5 * (impact + following))
    old = [e for e in state.events if e.trial_type == SHOT and impact <= e.onset <= until]
    onset = min(max(state.now, impact), until)
    row = old[0] if old else Event(onset=onset, duration=0.0, trial_type=SHOT)
    row = replace(row, **words)  # type: ignore[arg-type]
    state, entries = _dropped(state, *old)
    if row.outcome is None and row.note is None:
        return state, entries
    state, more = _added(state, row)
    return state, [*entries, *more]


def _undo(state: State, command: UndoCommand) -> Answer:
    number = _last(state, command.number)
    if number is None:
        return state, [], [NO_SHOT]
    shot = state.shots[number]
    state, entries = _added(state, correction(shot.impact_s, NO_SWING))
    shots = {other: one for other, one in state.shots.items() if other != number}
    pending = tuple(one for one in state.pending if one.number != number)
    past = tuple(one for one in state.past if abs(one.sight.candidate.back - shot.impact_s) > UNDONE_S)
    state = replace(state, shots=shots, pending=pending, past=past)
    return state, entries, [Undone(number=number)]


UNDONE_S = 0.15
"""The swing that is undone: its arm came back nearer to its impact than this."""


def _note(state: State, command: NoteCommand) -> Answer:
    """A note belongs to the last shot, before the first one to the block that runs."""
    text = " ".join(command.text.split())
    number = _last(state, None)
    if not text:
        return state, [], [Problem(text="The note is empty: write a word.")]
    if number is not None:
        state, entries = _on_shot(state, number, note=text)
        return state, entries, [Noted(time=state.now, text=text)]
    if state.block is None:
        return state, [], [Problem(text="A note belongs to a shot or a block: start a block first.")]
    return replace(state, block_note=text), [{"block_note": text}], [Noted(time=state.now, text=text)]


def _step(state: State, command: StepCommand) -> Answer:
    if command.action == "skip":
        return replace(state, doing=None), [], [Step(step=command.step, state="skipped")]
    if command.action in ("start", "redo"):
        tried = _tried(state, command.step)
        state, entries = _dropped(state, *tried)
        read = state.steps_read - len(tried)
        state = replace(state, doing=command.step, doing_since=state.now, steps_read=max(read, 0))
        return state, entries, [Step(step=command.step, state="doing")]
    if state.doing != command.step:
        text = f"The step {command.step.replace('_', ' ')} was not started: start it, then end it."
        return state, [], [Problem(text=text)]
    event = Event(onset=state.doing_since, duration=state.now - state.doing_since, trial_type=command.step)
    state, entries = _added(replace(state, doing=None), event)
    return state, entries, []


def _tried(state: State, step: str) -> list[Event]:
    """The marks of a step that it is done anew instead of. Long after a routine another one begins, which serves the
    swings from then on: the marks of the one before stay, for the swings until then."""
    groups = groups_of(steps_marked(state.events))
    if not groups or state.now - max(event.end for event in groups[-1]) > PAUSE_S:
        return []
    return [event for event in groups[-1] if event.trial_type == step]
