"""A goal in one line: `chest_continuity over 0.6 in 8 of 10 chip`, `tempo_ratio between 2.7 and 3.3`."""

from __future__ import annotations

import re
from typing import Final

from imuswing.errors import SettingsError
from imuswing.measures.dictionary import BY_NAME
from imuswing.plan.model import Goal

NUMBER: Final = r"([+-]?\d+(?:\.\d+)?|[+-]?\.\d+)"
FORM: Final = re.compile(
    rf"(?P<measure>.+?)\s+(?:over\s+(?P<over>{NUMBER})|under\s+(?P<under>{NUMBER})"
    rf"|between\s+(?P<low>{NUMBER})\s+and\s+(?P<high>{NUMBER}))"
    r"(?:\s+in\s+(?P<needed>\d+)\s+of\s+(?P<of>\d+)(?:\s+(?P<task>[0-9A-Za-z]+))?)?",
    re.IGNORECASE,
)
SHAPE: Final = "MEASURE over NUMBER, MEASURE under NUMBER or MEASURE between NUMBER and NUMBER"


def parse_goal(text: str) -> Goal:
    """A goal from one line; the measure by its column or its label. SettingsError says what is wrong."""
    found = FORM.fullmatch(" ".join(text.split()))
    if found is None:
        raise SettingsError(
            f"the goal {text!r} is not understood; write {SHAPE}, then if wanted in 8 of 10 and a kind of shot"
        )
    over, under, low, high = (
        None if found[name] is None else float(found[name]) for name in ("over", "under", "low", "high")
    )
    return Goal(
        measure=_measure(found["measure"]),
        low=over if over is not None else low,
        high=under if under is not None else high,
        needed=None if found["needed"] is None else int(found["needed"]),
        of=None if found["of"] is None else int(found["of"]),
        task=found["task"],
    )


def goal_text(goal: Goal) -> str:
    """A goal as the line that `parse_goal` reads."""
    if goal.low is not None and goal.high is not None:
        band = f"between {_number(goal.low)} and {_number(goal.high)}"
    else:
        band = f"under {_number(goal.high)}" if goal.low is None else f"over {_number(goal.low)}"
    count = "" if goal.of is None else f" in {goal.needed} of {goal.of}"
    return f"{goal.measure} {band}{count}{'' if goal.task is None or goal.of is None else f' {goal.task}'}"


def _measure(text: str) -> str:
    """A column's name from what was written: the name itself, with blanks, or the label."""
    plain = text.lower().replace("-", "_").replace(" ", "_")
    labels = {measure.label.replace(" ", "_"): name for name, measure in BY_NAME.items()}
    return labels.get(plain, plain)


def _number(value: float | None) -> str:
    return f"{value:.10g}"
