"""Messages between engine and page: JSON as the standard has it, and commands refused with what would be legal."""

from __future__ import annotations

import json
import math

import pytest

from imuswing.errors import SettingsError
from imuswing.live.messages import (
    COMMANDS,
    LONGEST_TEXT,
    Estimate,
    FeedbackCommand,
    FinishCommand,
    Hello,
    OutcomeCommand,
    Shot,
    StepCommand,
    read_command,
    to_json,
)


def refuse_constant(name: str) -> float:
    raise AssertionError(f"{name} is no JSON (RFC 8259, section 6)")


def test_a_shot_is_json_as_the_standard_has_it_with_null_for_what_is_not_known() -> None:
    shot = Shot(
        number=3,
        impact_s=81.25,
        kind="shot",
        verdict="stalled",
        stall_probability=0.99,
        measures={"backswing_arc_deg": Estimate(value=71.5, se=math.nan)},
        curves={"time_s": (-0.005, 0.0), "wrist_flexion_deg": (math.inf, -12.0)},
        flags=("chest_hardly_turned",),
    )
    told = json.loads(to_json(shot), parse_constant=refuse_constant)
    assert told["type"] == "shot"
    assert told["measures"] == {"backswing_arc_deg": {"value": 71.5, "se": None}}
    assert told["curves"]["wrist_flexion_deg"] == [None, -12.0]
    assert told["flags"] == ["chest_hardly_turned"]


def test_bands_open_at_one_end_stay_so() -> None:
    hello = Hello(
        participant="S1",
        session="1",
        task="chip",
        lead_side="left",
        worn=("chest",),
        bands={"tempo_ratio": (None, 3.0)},
    )
    assert json.loads(to_json(hello))["bands"] == {"tempo_ratio": [None, 3.0]}


@pytest.mark.parametrize(
    ("text", "command"),
    [
        ('{"type": "step", "action": "start", "step": "bow"}', StepCommand(action="start", step="bow")),
        ('{"type": "outcome", "outcome": "thin"}', OutcomeCommand(outcome="thin")),
        ('{"type": "outcome", "outcome": null, "number": 4}', OutcomeCommand(outcome=None, number=4)),
        ('{"type": "feedback", "mode": "summary", "every": 3}', FeedbackCommand(mode="summary", every=3)),
        ('{"type": "finish"}', FinishCommand()),
    ],
)
def test_commands_are_read(text: str, command: object) -> None:
    assert read_command(text) == command


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("stop", "no JSON"),
        ("[1]", "no JSON object"),
        ('{"type": "shutdown"}', "'finish'"),
        ('{"type": "step", "action": "start"}', "has no step"),
        ('{"type": "step", "action": "start", "step": "jump"}', "'wrist_bend'"),
        ('{"type": "finish", "now": "yes"}', "has now"),
        ('{"type": "undo", "number": "3"}', "whole number"),
        ('{"type": "undo", "number": true}', "whole number"),
        ('{"type": "feedback", "mode": "loud"}', "'outside_band'"),
        ('{"type": "feedback", "mode": "summary", "every": 0}', "from 1 to 100"),
        ('{"type": "note", "text": 7}', "must be text"),
        (json.dumps({"type": "note", "text": "x" * (LONGEST_TEXT + 1)}), str(LONGEST_TEXT)),
    ],
)
def test_other_commands_are_refused_with_what_would_be_legal(text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        read_command(text)


def test_every_kind_of_command_says_what_it_does() -> None:
    assert all(made.__doc__ for made in COMMANDS.values())
