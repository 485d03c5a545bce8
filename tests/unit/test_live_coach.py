"""Blocks, outcomes, notes, undone swings and feedback modes, and that the journal's log gives the same events again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from imuswing.live.coach import closed_block, from_entries, obey
from imuswing.live.engine import begin
from imuswing.live.feedback import in_bands, is_shown, is_summed_up, summary
from imuswing.live.messages import (
    BlockCommand,
    Command,
    Estimate,
    Feedback,
    FeedbackCommand,
    NoteCommand,
    OutcomeCommand,
    Problem,
    Shot,
    StepCommand,
    UndoCommand,
)
from imuswing.live.model import SensorHead, Session, SystemHead
from imuswing.live.state import State
from imuswing.recording.model import Event

HEAD = SystemHead(name="imu", rate=200.0, sensors=(SensorHead(tracked_point="chest"),))
SESSION = Session(participant="P1", session="1", task="chip", lead_side="left")


def shot(number: int, impact: float, **more: object) -> Shot:
    fields = {"kind": "shot", "verdict": "turning", "stall_probability": 0.0, "measures": {}, "curves": {}, **more}
    return Shot(number=number, impact_s=impact, **fields)  # type: ignore[arg-type]


def start(*shots: Shot, now: float = 20.0) -> State:
    return replace(begin(SESSION, [HEAD]), now=now, shots={one.number: one for one in shots})


def said(state: State, *commands: tuple[float, Command]) -> tuple[State, list[dict], list[object]]:
    """The state after commands, each at its time, with all that the journal and the pages were told."""
    log: list[dict] = []
    told: list[object] = []
    for now, command in commands:
        state, entries, messages = obey(replace(state, now=now), command)
        log += [dict(entry) for entry in entries]
        told += messages
    return state, log, told


def again(entries: Sequence[dict]) -> tuple[Event, ...]:
    return closed_block(replace(from_entries(start(), entries), now=99.0)).events


def test_a_block_runs_until_the_next_or_its_end_and_keeps_its_note() -> None:
    state, log, _ = said(
        start(),
        (10.0, BlockCommand(name="baseline")),
        (12.0, NoteCommand(text="wind  from\nthe left")),
        (30.0, BlockCommand(name="drill", intent="chest keeps turning")),
        (50.0, BlockCommand(name=None)),
    )
    assert state.events == (
        Event(onset=10.0, duration=20.0, trial_type="block", block="baseline", note="wind from the left"),
        Event(onset=30.0, duration=20.0, trial_type="block", block="drill", intent="chest keeps turning"),
    )
    assert again(log) == state.events


def test_a_block_that_still_runs_ends_with_the_recording() -> None:
    state, log, _ = said(start(), (10.0, BlockCommand(name="transfer")))
    assert closed_block(replace(state, now=99.0)).events == again(log)
    assert again(log)[0].duration == pytest.approx(89.0)


def test_an_outcome_stands_shortly_after_its_shot_and_can_be_changed_and_taken_back() -> None:
    first, second = shot(1, 18.0), shot(2, 60.0)
    state, log, _ = said(
        start(first, second),
        (61.0, OutcomeCommand(outcome="thin")),
        (200.0, OutcomeCommand(outcome="fat", number=1)),
        (201.0, NoteCommand(text="looked up")),
    )
    # A note of a shot is looked for up to 8 s after its impact (`swings.kind`).
    assert set(state.events) == {
        Event(onset=61.0, duration=0.0, trial_type="shot", outcome="thin", note="looked up"),
        Event(onset=21.0, duration=0.0, trial_type="shot", outcome="fat"),
    }
    assert set(again(log)) == set(state.events)
    state, more, _ = said(state, (202.0, OutcomeCommand(outcome=None, number=1)))
    assert [event.outcome for event in state.events] == ["thin"]
    assert set(again([*log, *more])) == set(state.events)


def test_a_late_note_stays_with_its_shot_where_another_swing_followed_soon() -> None:
    state, _, _ = said(
        start(shot(1, 10.0), shot(2, 12.0, kind="practice")), (16.0, OutcomeCommand(outcome="fat", number=1))
    )
    (row,) = state.events
    assert 10.0 <= row.onset < 12.0
    state, _, _ = said(state, (17.0, OutcomeCommand(outcome="thin", number=2)))
    assert [(event.onset < 12.0, event.outcome) for event in state.events] == [(True, "fat"), (False, "thin")]


def test_an_undone_swing_is_denied_in_the_recording() -> None:
    state, log, _ = said(start(shot(1, 18.0), shot(2, 30.0)), (33.0, UndoCommand()))
    assert state.events == (Event(onset=30.0, duration=0.0, trial_type="correction", note="no swing"),)
    assert sorted(state.shots) == [1]
    assert again(log) == state.events
    state, _, _ = said(state, (34.0, UndoCommand()))
    assert not state.shots
    assert isinstance(said(state, (35.0, UndoCommand()))[2][-1], Problem)


@pytest.mark.parametrize("command", [OutcomeCommand(outcome="fat", number=7), NoteCommand(text="wind"), UndoCommand()])
def test_what_belongs_to_no_shot_is_said(command: Command) -> None:
    state, log, told = said(start(), (5.0, command))
    assert not log
    assert isinstance(told[0], Problem)
    assert not state.events


def test_a_step_is_marked_from_its_start_to_its_end_and_done_again() -> None:
    state, log, told = said(
        start(),
        (5.0, StepCommand(action="start", step="bow")),
        (17.0, StepCommand(action="end", step="bow")),
        (20.0, StepCommand(action="redo", step="bow")),
        (31.0, StepCommand(action="end", step="bow")),
        (40.0, StepCommand(action="end", step="stand")),
    )
    assert state.events == (Event(onset=20.0, duration=11.0, trial_type="bow"),)
    assert again(log) == state.events
    assert isinstance(told[-1], Problem)


def shown(mode: str, count: int = 12, **more: object) -> list[int]:
    feedback = Feedback(mode=mode, every=3)  # type: ignore[arg-type]
    settings = {"verdict": "turning", "inside": {}, **more}
    return [k for k in range(1, count + 1) if is_shown(feedback, count=k, **settings)]  # type: ignore[arg-type]


def test_feedback_modes_show_what_their_names_say() -> None:
    assert shown("every") == list(range(1, 13))
    assert shown("none") == shown("summary") == []
    # Ever less: all of the first three, every second of the next three, every third, every fourth.
    assert shown("faded") == [1, 2, 3, 4, 6, 7, 10]
    assert shown("outside_band") == []
    assert shown("outside_band", verdict="stalled", count=2) == [1, 2]
    assert shown("outside_band", inside={"chest_continuity": False}, count=1) == [1]
    assert shown("outside_band", verdict="slowing", inside={"chest_continuity": True}, count=1) == []
    assert [k for k in range(1, 10) if is_summed_up(Feedback(mode="summary", every=3), k)] == [3, 6, 9]


def test_the_mode_can_be_changed_at_any_time() -> None:
    state, log, told = said(start(), (5.0, FeedbackCommand(mode="summary", every=4)))
    assert told == [Feedback(mode="summary", every=4)] == [state.feedback]
    # A test block stays one when the recording is taken up again.
    assert from_entries(start(), log).feedback == state.feedback


def test_ends_of_a_band_belong_to_it() -> None:
    measures = {"backswing_arc_deg": Estimate(value=60.0), "tempo_ratio": Estimate(value=None)}
    bands = {"backswing_arc_deg": (60.0, 80.0), "tempo_ratio": (None, 3.0), "chest_continuity": (0.6, None)}
    assert in_bands(measures, bands) == {"backswing_arc_deg": True}
    assert in_bands(measures, {"backswing_arc_deg": (None, 59.9)}) == {"backswing_arc_deg": False}


def test_a_summary_gives_means_with_their_standard_errors() -> None:
    values = (2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0)
    shots = [
        shot(k, float(k), measures={"tempo_ratio": Estimate(value=value, se=0.1)}, in_band={"tempo_ratio": value < 5.0})
        for k, value in enumerate(values)
    ]
    told = summary([*shots, shot(9, 9.0, kind="practice")])
    # Mean 5, sum of squares about it 32: sd² = 32 / 7, se² = sd² / 8, by hand.
    assert told.measures["tempo_ratio"].value == pytest.approx(5.0)
    assert told.measures["tempo_ratio"].se == pytest.approx((32.0 / 7.0 / 8.0) ** 0.5)
    assert told.counts == {"turning": 8}
    assert told.in_band == {"tempo_ratio": 4}
    assert told.numbers == tuple(range(8))


def test_a_routine_that_is_done_again_long_after_keeps_the_marks_of_the_first() -> None:
    # Until the strap was put on anew, swings rest on the first; offline, a minute's pause begins a new round.
    def done(step: str, at: float) -> list[tuple[float, StepCommand]]:
        return [(at, StepCommand(action="start", step=step)), (at + 3.0, StepCommand(action="end", step=step))]

    _, log, _ = said(
        start(now=0.0), *done("stand", 5.0), *done("bow", 10.0), *done("stand", 600.0), *done("bow", 610.0)
    )
    held = [(event.trial_type, event.onset) for event in again(log)]
    assert held == [("stand", 5.0), ("bow", 10.0), ("stand", 600.0), ("bow", 610.0)]
    # Put right at once, the last try counts, of the second round as of the first.
    _, log, _ = said(start(now=0.0), *done("stand", 5.0), *done("stand", 600.0), *done("stand", 610.0))
    assert [event.onset for event in again(log)] == [5.0, 610.0]
