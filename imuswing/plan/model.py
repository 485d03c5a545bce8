"""A student's plan: goals with their bands, practice tasks, the coach's words, when to test again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from imuswing.errors import SettingsError, meant_or_legal
from imuswing.measures.dictionary import BY_NAME
from imuswing.vocabulary import KIND_SHOT

if TYPE_CHECKING:
    import pandas as pd

WITHIN: Final = 1.96
"""A value nearer to an end of the band than so many standard errors is not surely on its side (95 in 100, normal)."""


@dataclass(frozen=True, kw_only=True)
class Goal:
    """A measure and the band that it should lie in, in its own unit; the ends belong to the band.

    needed, of: the goal is met when `needed` of the last `of` shots lie in the band; both None where it is only
    counted.
    task: kind of shot that counts, None for all.  words: the goal in the coach's words.
    """

    measure: str
    low: float | None = None
    high: float | None = None
    needed: int | None = None
    of: int | None = None
    task: str | None = None
    words: str | None = None

    def __post_init__(self) -> None:
        if self.measure not in BY_NAME:
            raise SettingsError(f"the measure is {self.measure!r}; {meant_or_legal(self.measure, list(BY_NAME))}")
        ends = [end for end in (self.low, self.high) if end is not None]
        if not ends:
            raise SettingsError(f"the goal about {self.measure} has neither low nor high; give at least one")
        if not all(math.isfinite(end) for end in ends):
            raise SettingsError(f"the band of {self.measure} has an end that is no finite number; write a number")
        if len(ends) == 2 and ends[0] >= ends[1]:
            raise SettingsError(
                f"the band of {self.measure} goes from {ends[0]:g} to {ends[1]:g}; low must be under high"
            )
        if (self.needed is None) != (self.of is None):
            raise SettingsError(f"the goal about {self.measure} has only one of needed and of; give both or neither")
        if self.needed is not None and self.of is not None and not 1 <= self.needed <= self.of:
            raise SettingsError(
                f"the goal about {self.measure} needs {self.needed} of {self.of} shots; needed must be from 1 to of"
            )

    def holds(self, value: float) -> bool:
        """Whether a value lies in the band."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, kw_only=True)
class Task:
    """A practice task in words; name: of one of the set, or the coach's own.

    shows: what the sensors should show, in plain words; measures: the same as columns of the results.
    feedback: when and how to look at numbers.  often: how often, as agreed with this student.
    """

    name: str
    title: str
    purpose: str | None = None
    set_up: str | None = None
    how: str | None = None
    mistake: str | None = None
    shows: str | None = None
    measures: tuple[str, ...] = ()
    feedback: str | None = None
    caution: str | None = None
    often: str | None = None
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.name or not self.title:
            raise SettingsError("a task has no name or no title; give both")
        for measure in self.measures:
            if measure not in BY_NAME:
                raise SettingsError(
                    f"the task {self.name} has the measure {measure!r}; {meant_or_legal(measure, list(BY_NAME))}"
                )


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What one student works on. participant: label without `sub-`.  next_test: when, in words or as a date."""

    participant: str
    work_on: str | None = None
    goals: tuple[Goal, ...] = ()
    tasks: tuple[Task, ...] = ()
    notes: tuple[str, ...] = ()
    next_test: str | None = None


@dataclass(frozen=True, kw_only=True)
class GoalResult:
    """How a goal stands.

    met: shots in the band.  of: shots looked at that could be measured.  needed: how many should be met, None where the
    goal does not say.  unclear: shots so near to an end of the band that their standard error leaves it open.
    reached: True or False, None where it cannot be told yet or the goal names no number.
    """

    met: int
    of: int
    needed: int | None
    unclear: int
    reached: bool | None


def goal_result(swings: pd.DataFrame, goal: Goal) -> GoalResult:
    """How many of the last `goal.of` measured shots (all where it is None) in a table of swings, in its order, met it.

    Practice swings, other tasks and shots whose measure is null do not count.
    """
    chosen = swings[(swings["kind"] == KIND_SHOT).to_numpy(dtype=bool, na_value=False)]
    if goal.task is not None:
        chosen = chosen[(chosen["task"] == goal.task).to_numpy(dtype=bool, na_value=False)]
    chosen = chosen[chosen[goal.measure].notna()]
    if goal.of is not None:
        chosen = chosen.tail(goal.of)
    values = [float(value) for value in chosen[goal.measure]]
    measure = BY_NAME[goal.measure]
    errors = [0.0] * len(values)
    if measure.has_se and measure.se_name in chosen:
        errors = [float(se) if se == se else 0.0 for se in chosen[measure.se_name]]
    met = sum(goal.holds(value) for value in values)
    unclear = sum(_near_an_end(goal, value, WITHIN * se) for value, se in zip(values, errors, strict=True))
    return GoalResult(
        met=met, of=len(values), needed=goal.needed, unclear=unclear, reached=_reached(goal, met, len(values))
    )


def _near_an_end(goal: Goal, value: float, error: float) -> bool:
    return any(abs(value - end) < error for end in (goal.low, goal.high) if end is not None)


def _reached(goal: Goal, met: int, counted: int) -> bool | None:
    if goal.needed is None or goal.of is None:
        return None
    if met >= goal.needed:
        return True
    return False if counted == goal.of else None


def plan_data(plan: Plan) -> dict[str, Any]:
    """The plan as plain data, as it stands in its file; what is empty is left out."""
    return {
        "participant": plan.participant,
        **_filled({"work_on": plan.work_on, "next_test": plan.next_test, "notes": list(plan.notes)}),
        **_filled({"goals": [_fields(goal) for goal in plan.goals], "tasks": [_fields(task) for task in plan.tasks]}),
    }


def _fields(item: Goal | Task) -> dict[str, Any]:
    names: Sequence[str] = tuple(item.__dataclass_fields__)
    values = {name: getattr(item, name) for name in names}
    return _filled({name: list(value) if isinstance(value, tuple) else value for name, value in values.items()})


def _filled(data: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in data.items() if value is not None and value != []}
