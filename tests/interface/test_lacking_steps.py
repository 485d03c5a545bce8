"""A step of the routine that gives nothing is told, with what it costs and what to do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from imuswing.commands.check import in_words
from imuswing.lesson import analyze
from imuswing.quality import LACK_COSTS
from imuswing.recording.model import Event, Recording
from imuswing.simulate import simulate_recording
from imuswing.swings.corrections import correction, denial

NOTHING = "Of these calibration steps nothing could be used: "


@pytest.fixture(scope="module")
def recording() -> Recording:
    return simulate_recording(seed=940, shots=2, preset="realistic")[0]


def checked(recording: Recording) -> str:
    return "\n".join(in_words("made up", analyze(recording).quality["recordings"][0]))


def without(recording: Recording, *steps: str) -> Recording:
    """As if nobody had done these steps: not marked, and what the data show of them denied."""
    return recording.with_events(
        tuple(
            correction(event.onset + event.duration / 2, denial(event.trial_type))
            if event.trial_type in steps
            else event
            for event in recording.events
        )
    )


def test_a_whole_routine_lacks_nothing(recording: Recording) -> None:
    # The simulated golfer wears no club sensor and does every other step.
    told = checked(recording)
    assert "nothing to improve was found" in told
    assert "club_hang" not in told


@pytest.mark.parametrize(
    ("steps", "cost"),
    [
        (("bow",), "bow. Without them the trunk's angles"),
        (("table",), "table. Without them the wrist's angles"),
        (("wrist_bend",), "wrist bend. Without them the wrist's angles"),
        (("forearm_roll",), "forearm roll. Without them the wrist's angles"),
        (("bow", "forearm_roll"), "bow, forearm roll. Without them the angles of trunk and wrist"),
    ],
)
def test_a_missing_step_is_told_with_its_cost(recording: Recording, steps: tuple[str, ...], cost: str) -> None:
    told = checked(without(recording, *steps))
    assert told.count("ADVICE") == 1
    assert NOTHING + cost in told
    assert "before the student goes home" in told


def test_the_sizes_that_are_told_are_those_that_were_measured() -> None:
    """docs/sensitivity.md, written by scripts/sensitivity.py: root mean square errors without one step and with all."""
    page = (Path(__file__).parents[2] / "docs" / "sensitivity.md").read_text(encoding="utf-8")
    rows = {cells[0]: cells[1:] for line in page.splitlines() if line.startswith("|") and (cells := cells_of(line))}
    columns = rows[""]
    for step, name in (("bow", "shoulder tilt at impact"), ("forearm_roll", "arm height at the top")):
        at = columns.index(f"{name}, °")
        bad, good = (float(rows[row][at]) for row in (f"no `{step}`", "all sensors and steps, 200 Hz"))
        assert LACK_COSTS[step] == f"{name} {bad:.1f}° rather than {good:.1f}°"


def cells_of(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip("|").split("|")]


def test_sizes_are_told_for_the_steps_that_lack(recording: Recording) -> None:
    told = checked(without(recording, "bow", "forearm_roll"))
    assert f"less exact. Errors in simulation (RMS): {LACK_COSTS['bow']} and {LACK_COSTS['forearm_roll']}." in told
    assert "RMS" not in checked(without(recording, "table"))


def test_a_step_for_a_sensor_that_is_not_worn_is_not_asked_for(recording: Recording) -> None:
    chest = replace(recording, sensors={"chest": recording.sensors["chest"]})
    assert NOTHING not in checked(without(chest, "table", "wrist_bend", "forearm_roll"))


def test_exchanged_marks_are_told_and_not_called_needless(recording: Recording) -> None:
    # The chest needs the bows, the forearm the roll: whatever else is said of them, they are needed.
    other = {"bow": "forearm_roll", "forearm_roll": "bow"}
    events: tuple[Event, ...] = tuple(
        replace(event, trial_type=other.get(event.trial_type, event.trial_type)) for event in recording.events
    )
    told = checked(recording.with_events(events))
    assert "not needed" not in told
    assert "bow: found, but nothing of it could be used" in told
    assert "forearm_roll: found, but nothing of it could be used" in told
    assert NOTHING + "bow, forearm roll." in told
