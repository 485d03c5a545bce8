"""People's corrections: which movement they speak of, what follows; edits of the list of marks."""

from __future__ import annotations

from dataclasses import replace

import pytest
from recordings_for_tests import make_recording, make_stream

from imuswing.errors import SettingsError
from imuswing.marking.edits import Edit, edited, seconds, span
from imuswing.marking.lines import FoundSwing, Line, Look, lines, minutes, table
from imuswing.recording.model import Event
from imuswing.swings.corrections import apply_corrections, correction, lost_warnings, without_denied
from imuswing.swings.find import Candidate
from imuswing.swings.impact import Impact
from imuswing.swings.judge import Judged
from imuswing.vocabulary import CORRECTION


def candidate(start: float) -> Candidate:
    """A movement that begins at `start`, turns 1 s later, is back after 1.4 s and goes on until 2.1 s."""
    shape = {"arc": 1.0, "miss": 0.0, "through": 1.0, "speed_back": 1.0, "speed_down": 3.0, "speed_before": 0.0}
    return Candidate(start=start, top=start + 1.0, back=start + 1.4, end=start + 2.1, **shape)


SHOT = Judged(swing_odds=4.0, shot_odds=3.0, back=11.4, impact=Impact(time=11.41, se=0.001, unclear=False), flags=())
DOUBTFUL = Judged(swing_odds=-2.0, shot_odds=-1.0, back=21.4, impact=None, flags=("kind_uncertain",))
CANDIDATES, JUDGED = [candidate(10.0), candidate(20.0)], [SHOT, DOUBTFUL]


def heard(onset: float, note: str) -> tuple[list[Judged], list[Event]]:
    return apply_corrections(CANDIDATES, JUDGED, [correction(onset, note)])


def test_without_corrections_all_stays() -> None:
    assert apply_corrections(CANDIDATES, JUDGED, []) == (JUDGED, [])


def test_a_swing_that_is_none() -> None:
    found, lost = heard(11.4, "no swing")
    assert found[0].swing_odds < -10.0
    assert found[1] == DOUBTFUL
    assert lost == []


def test_an_impact_set_by_hand_makes_a_shot_of_a_movement_that_was_left_out() -> None:
    found, _ = heard(21.45, "impact")
    assert found[0] == SHOT
    assert found[1].impact == Impact(time=21.45, se=0.010, unclear=False)
    assert found[1].struck
    assert found[1].swing_odds > 10.0
    assert found[1].flags == ("impact_by_hand",)


@pytest.mark.parametrize(("note", "struck"), [("shot", True), ("practice", False)])
def test_a_kind_set_by_hand(note: str, struck: bool) -> None:
    found, _ = heard(21.4, note)
    assert found[1].struck is struck
    assert "kind_by_hand" in found[1].flags
    assert "kind_uncertain" not in found[1].flags
    assert ("impact_uncertain" in found[1].flags) is struck


@pytest.mark.parametrize(
    ("onset", "note"),
    [(15.0, "no swing"), (10.5, "impact"), (12.2, "impact"), (11.4, "nonsense"), (9.9, "practice")],
)
def test_a_correction_that_fits_no_movement_is_told(onset: float, note: str) -> None:
    """An impact lies between top and end of the movement; between 10 and 11 s it is before the top."""
    found, lost = heard(onset, note)
    assert found == JUDGED
    assert [event.onset for event in lost] == [onset]
    warning = lost_warnings(lost)[0]
    assert f"{onset:.3f}" in warning["text"]
    assert warning["do"]


def test_of_two_movements_the_one_that_returns_nearer_is_meant() -> None:
    found, _ = apply_corrections([candidate(10.0), candidate(11.5)], JUDGED, [correction(11.6, "no swing")])
    assert [thought.swing_odds < -10.0 for thought in found] == [True, False]


def test_a_step_that_was_found_is_denied() -> None:
    bow = Event(onset=30.0, duration=10.0, trial_type="bow")
    later = replace(bow, onset=80.0)
    assert without_denied((bow, later), [correction(35.0, "no bow")]) == (later,)
    assert without_denied((bow,), [correction(35.0, "no stand")]) == (bow,)
    assert apply_corrections(CANDIDATES, JUDGED, [correction(35.0, "no bow")]) == (JUDGED, [])


@pytest.mark.parametrize(("text", "value"), [("84.8", 84.8), ("1:24.8", 84.8), ("1:02:03", 3723.0), ("0", 0.0)])
def test_times(text: str, value: float) -> None:
    assert seconds(text) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "value"),
    [("12.5", (12.5, None)), ("12.5-22.5", (12.5, 10.0)), ("12.5+10", (12.5, 10.0)), ("1:00-3:00", (60.0, 120.0))],
)
def test_spans(text: str, value: tuple[float, float | None]) -> None:
    assert span(text) == value


def test_minutes_are_cut_not_rounded() -> None:
    assert [minutes(value) for value in (59.97, 60.0, 84.804, 3600.0)] == ["0:59.9", "1:00.0", "1:24.8", "60:00.0"]


STAND = Event(onset=1.0, duration=4.0, trial_type="stand")
BLOCK = Event(onset=10.0, duration=20.0, trial_type="block", block="baseline")
NOTE = Event(onset=22.0, duration=0.0, trial_type="shot", outcome="thin")
ALONE = Event(onset=45.0, duration=0.0, trial_type="shot")
RECORDING = make_recording(make_stream(count=12_000), events=[STAND, BLOCK, NOTE, ALONE])
BOW = Event(onset=6.0, duration=3.0, trial_type="bow", note="found in the data")
SEEN = Look(
    swings=(
        FoundSwing(number=1, takeaway=19.0, top=19.9, impact=20.2, finish=21.0, kind="shot", verdict="stalled"),
        FoundSwing(number=2, takeaway=34.0, top=34.9, impact=35.2, finish=36.0, kind="practice"),
    ),
    steps=(BOW,),
)
LISTED = lines(RECORDING, SEEN)


def after(*edits: str) -> list[Event]:
    """Events that are new after edits such as 'delete 3', without those that were there before."""
    made = [Edit(verb=verb, text=text) for verb, _, text in (edit.partition(" ") for edit in edits)]
    return [event for event in edited(RECORDING, LISTED, made) if event not in RECORDING.events]


def gone(*edits: str) -> list[Event]:
    made = [Edit(verb=verb, text=text) for verb, _, text in (edit.partition(" ") for edit in edits)]
    events = edited(RECORDING, LISTED, made)
    return [event for event in RECORDING.events if event not in events]


def test_the_list_holds_what_is_marked_and_found_once() -> None:
    assert [(line.what, line.source) for line in LISTED] == [
        ("stand", "marked"),
        ("bow", "found"),
        ("block", "marked"),
        ("swing", "found and noted"),
        ("swing", "found"),
        ("shot", "marked"),
    ]
    text = table(LISTED)
    assert len(text) == 7
    assert "thin" in text[4]
    assert "no shot found" in text[6]


@pytest.mark.parametrize(
    ("edit", "new", "old"),
    [
        ("step table@50+5", [Event(onset=50.0, duration=5.0, trial_type="table")], []),
        (
            "block drill@0:40-0:55=turn on",
            [Event(onset=40, duration=15, trial_type="block", block="drill", intent="turn on")],
            [],
        ),
        ("block free@40", [Event(onset=40.0, duration=0.0, trial_type="block", block="free")], []),
        ("shot 35.9=pure", [Event(onset=35.9, duration=0.0, trial_type="shot", outcome="pure")], []),
        ("tap 0.5", [Event(onset=0.5, duration=0.0, trial_type="tap")], []),
        ("impact 52.123", [correction(52.123, "impact")], []),
        ("delete 1", [], [STAND]),
        ("delete 2", [correction(7.5, "no bow")], []),
        ("delete 4", [correction(20.2, "no swing")], [NOTE]),
        ("delete 5", [correction(35.2, "no swing")], []),
        ("keep 2", [Event(onset=6.0, duration=3.0, trial_type="bow")], []),
        ("move 1=2-5", [Event(onset=2.0, duration=3.0, trial_type="stand")], [STAND]),
        ("move 3=12", [replace(BLOCK, onset=12.0)], [BLOCK]),
        ("move 2=5.5+4", [Event(onset=5.5, duration=4.0, trial_type="bow")], []),
        ("move 4=20.25", [correction(20.25, "impact")], []),
        ("outcome 4=fat", [replace(NOTE, outcome="fat")], [NOTE]),
        ("outcome 4=", [replace(NOTE, outcome=None)], [NOTE]),
        ("outcome 6=top", [replace(ALONE, outcome="top")], [ALONE]),
        ("kind 4=practice", [correction(20.2, "practice")], [NOTE]),
        ("kind 5=shot", [correction(35.2, "shot")], []),
        ("intent 3=turn", [replace(BLOCK, intent="turn")], [BLOCK]),
        ("rename 3=drill", [replace(BLOCK, block="drill")], [BLOCK]),
        ("note 1=windy", [replace(STAND, note="windy")], [STAND]),
    ],
)
def test_each_edit(edit: str, new: list[Event], old: list[Event]) -> None:
    assert after(edit) == new
    assert gone(edit) == old


def test_an_outcome_on_a_practice_swing_makes_a_shot_of_it() -> None:
    found = after("outcome 5=thin")
    assert [(event.trial_type, event.onset) for event in found] == [("shot", 35.2), (CORRECTION, 35.2)]
    assert (found[0].outcome, found[1].note) == ("thin", "shot")


def test_edits_of_one_line_follow_each_other() -> None:
    assert after("outcome 4=fat", "move 4=20.3", "kind 4=shot") == [
        correction(20.2, "shot"),
        replace(NOTE, outcome="fat"),
    ]
    assert after("move 5=35.3", "undo 5") == []


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        ("dance 3", "'delete'"),
        ("delete 7", "the numbers 1 to 6"),
        ("delete 0", "the numbers 1 to 6"),
        ("delete x", "the numbers 1 to 6"),
        ("step jump@1+2", "'forearm_roll'"),
        ("step bow@50", "needs an end"),
        ("step bow@50-40", "ends before it begins"),
        ("step bow@50-90", "the recording ends at"),
        ("step bow", "bow@12.5-22.5"),
        ("block @1-2", "baseline@60-180"),
        ("shot soon", "is no time"),
        ("shot 1-2", "its moment only"),
        ("shot 61", "the recording ends at"),
        ("shot 45", "is marked already"),
        ("keep 1", "is no step that was found"),
        ("undo 4", "holds no correction"),
        ("move 4=19.0", "between its top, 19.900 s, and its finish, 21.000 s"),
        ("move 4", "3=12.5-22.5"),
        ("outcome 3=thin", "is no shot"),
        ("kind 4=waggle", "'practice'"),
        ("kind 1=shot", "no swing that was found"),
        ("intent 1=x", "no marked block or shot"),
        ("rename 4=x", "no marked block"),
        ("rename 3=", "without a name"),
        ("note 5=x", "mark it first"),
    ],
)
def test_wrong_edits_say_what_is_legal(edit: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        after(edit)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    "edits",
    [("delete 4", "outcome 4=fat"), ("outcome 4=fat", "delete @20.2"), ("delete 3", "rename @12=x")],
)
def test_a_line_is_not_both_deleted_and_changed(edits: tuple[str, str]) -> None:
    with pytest.raises(SettingsError, match="cannot be both deleted and changed"):
        after(*edits)
    assert after("delete 5", "undo 5", "outcome 5=fat")


@pytest.mark.parametrize(
    "edit",
    ["block drill@25-40", "block drill@5-12", "block drill@15", "block drill@10", "step bow@2-4", "step stand@4-8"],
)
def test_a_new_block_or_step_that_overlaps_another_is_refused(edit: str) -> None:
    """Marked are a stand from 1 s to 5 s and a block from 10 s to 30 s."""
    with pytest.raises(SettingsError, match="would overlap"):
        after(edit)


def test_a_block_may_touch_another_take_its_place_or_begin_within_one_that_is_open() -> None:
    assert after("block drill@30-40", "step bow@5-9")
    assert after("delete 3", "block drill@15-40")
    assert after("move 3=15-45")
    assert after("block free@40", "block last@50-55")
    over = Edit(verb="block", text="drill@19-21", may_lie_over=True)
    assert len(edited(RECORDING, LISTED, [over])) == len(RECORDING.events) + 1
    both = RECORDING.with_events((*RECORDING.events, Event(onset=20.0, duration=5.0, trial_type="block", block="old")))
    assert edited(both, lines(both, SEEN), [Edit(verb="tap", text="0.5")])


def test_lines_say_what_was_set_by_hand() -> None:
    recording = RECORDING.with_events((*RECORDING.events, correction(20.2, "impact"), correction(48.0, "no swing")))
    listed: tuple[Line, ...] = lines(recording, SEEN)
    swing = next(line for line in listed if line.swing is not None)
    assert correction(20.2, "impact") in swing.rows
    assert [line.about for line in listed if line.what == CORRECTION] == ["no swing"]
    undone = edited(recording, listed, [Edit(verb="delete", text=str(len(listed)))])
    assert correction(48.0, "no swing") not in undone
