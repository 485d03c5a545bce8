"""Where engine and page meet: order, what a late page is told, commands in order."""

from __future__ import annotations

import json

from imuswing.live.hub import Hub
from imuswing.live.messages import (
    FinishCommand,
    Hello,
    NoteCommand,
    Notice,
    Outcome,
    Problem,
    Routine,
    Shot,
    Step,
    Undone,
)


def shot(number: int, verdict: str = "turning") -> Shot:
    return Shot(
        number=number, impact_s=9.0, kind="shot", verdict=verdict, stall_probability=0.0, measures={}, curves={}
    )


def test_a_late_page_is_told_what_holds_and_hears_no_old_shot() -> None:
    hub = Hub()
    hub.publish(Hello(participant="S1", session="1", task="chip", lead_side="left", worn=("chest",)))
    hub.publish(Routine(steps=(Step(step="stand", state="next"),)))
    hub.publish(Step(step="stand", state="doing"))
    hub.publish(Step(step="stand", state="good"))
    for number in (1, 2, 3):
        hub.publish(shot(number))
    hub.publish(Outcome(number=1, outcome="thin"))
    hub.publish(Outcome(number=2, outcome="fat"))
    hub.publish(Undone(number=2))
    late: list[str] = []
    hub.attach(late.append)
    told = [json.loads(text) for text in late]
    assert [message["type"] for message in told] == ["hello", "routine", "step", "shot", "shot", "outcome"]
    assert told[2]["state"] == "good"
    assert [message["number"] for message in told[3:]] == [1, 3, 1]
    assert not any(message["sound"] for message in told if message["type"] == "shot")
    hub.publish(shot(4))
    assert json.loads(late[-1])["sound"] is True
    hub.detach(late.append)


def test_commands_come_out_once_in_their_order() -> None:
    hub = Hub()
    hub.send(NoteCommand(text="wind"))
    hub.send(FinishCommand())
    assert hub.commands() == [NoteCommand(text="wind"), FinishCommand()]
    assert hub.commands() == []


def test_a_late_page_is_told_what_is_still_wrong_and_not_what_was() -> None:
    hub, heard = Hub(), []
    for kind, point in (("dropped_out", "chest"), ("left_out", "lead_hand"), ("dropped_out", "lead_hand")):
        hub.publish(Notice(point=point, kind=kind, time=1.0, text="Made up."))
    hub.publish(Notice(point="chest", kind="came_back", time=2.0, text="Made up."))
    hub.publish(Problem(text="Disk full.", lasts=True))
    hub.publish(Problem(text="No such shot."))
    hub.attach(heard.append)
    told = [json.loads(text) for text in heard]
    assert [(m["kind"], m["point"]) for m in told if m["type"] == "notice"] == [
        ("left_out", "lead_hand"),
        ("dropped_out", "lead_hand"),
    ]
    assert [m["text"] for m in told if m["type"] == "problem"] == ["Disk full."]
    hub.publish(Problem(text="Disk fine.", lasts=False))
    again: list[str] = []
    hub.attach(again.append)
    assert not [text for text in again if '"problem"' in text]
