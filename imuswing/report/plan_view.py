"""A student's plan as the pages show it: goals with their bands, tasks, the coach's words, when to test again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from imuswing.errors import SettingsError, require_one_of
from imuswing.measures.dictionary import BY_NAME
from imuswing.report.views import SwingView


@dataclass(frozen=True, kw_only=True)
class GoalView:
    """A measure and the band it should lie in, in its own unit; `needed` of the last `of` shots, None where not said.

    task: kind of shot that counts, None for all.  words: the goal in the coach's words.
    """

    measure: str
    low: float | None = None
    high: float | None = None
    needed: int | None = None
    of: int | None = None
    task: str | None = None
    words: str | None = None

    def holds(self, value: float) -> bool:
        """Whether a value lies in the band; its ends belong to it."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)

    @property
    def better(self) -> str | float:
        """Which way is better, as a comparison with the own best wants it: `higher`, `lower` or the value aimed at."""
        if self.low is not None and self.high is not None:
            return (self.low + self.high) / 2.0
        return "lower" if self.low is None else "higher"


@dataclass(frozen=True, kw_only=True)
class GoalCount:
    """How many of the shots that could be measured met a goal; unclear: so near to an end of its band, within 1.96
    standard errors, that they may lie on either side."""

    met: int
    measured: int
    unclear: int = 0


@dataclass(frozen=True, kw_only=True)
class TaskView:
    """A practice task in words; parts that are not there are None."""

    title: str
    purpose: str | None = None
    set_up: str | None = None
    how: str | None = None
    mistake: str | None = None
    shows: str | None = None
    feedback: str | None = None
    caution: str | None = None
    often: str | None = None


@dataclass(frozen=True, kw_only=True)
class PlanView:
    """All that the pages say of a plan; empty where there is none."""

    work_on: str | None = None
    goals: tuple[GoalView, ...] = ()
    tasks: tuple[TaskView, ...] = ()
    notes: tuple[str, ...] = ()
    next_test: str | None = None


NO_PLAN = PlanView()


def plan_view(plan: Mapping[str, Any] | None, *, task: str | None = None) -> PlanView:
    """From a plan as plain data; SettingsError names what is not legal in it.

    task: the kind of shot that a page is about; goals about another kind are left out.
    """
    if plan is None:
        return NO_PLAN
    notes = plan.get("notes") or ()
    goals = [_goal(goal) for goal in plan.get("goals") or ()]
    return PlanView(
        work_on=_text(plan.get("work_on")),
        goals=tuple(goal for goal in goals if task is None or goal.task in (None, task)),
        tasks=tuple(_task(task) for task in plan.get("tasks") or ()),
        notes=(notes,) if isinstance(notes, str) else tuple(str(note) for note in notes),
        next_test=_text(plan.get("next_test")),
    )


def goal_count(goal: GoalView, shots: Sequence[SwingView]) -> GoalCount:
    """How many of these shots met the goal, of the last `goal.of` that were measured."""
    found = [
        (value, shot.values.get(f"{goal.measure}_se") or 0.0)
        for shot in shots
        if (value := shot.values.get(goal.measure)) is not None
    ]
    found = found if goal.of is None else found[-goal.of :]
    ends = [end for end in (goal.low, goal.high) if end is not None]
    return GoalCount(
        met=sum(goal.holds(value) for value, _ in found),
        measured=len(found),
        unclear=sum(any(abs(value - end) < 1.96 * error for end in ends) for value, error in found),
    )


def _goal(goal: Mapping[str, Any]) -> GoalView:
    measure = str(goal.get("measure"))
    require_one_of("the measure of a goal", measure, BY_NAME)
    low, high = (_number(goal.get(name), name) for name in ("low", "high"))
    if low is None and high is None:
        raise SettingsError(f"the goal about {measure} has neither low nor high; give at least one")
    needed, of = (None if goal.get(name) is None else int(goal[name]) for name in ("needed", "of"))
    task, words = (_text(goal.get(name)) for name in ("task", "words"))
    return GoalView(measure=measure, low=low, high=high, needed=needed, of=of, task=task, words=words)


def _task(task: Mapping[str, Any]) -> TaskView:
    names = ("purpose", "set_up", "how", "mistake", "shows", "feedback", "caution", "often")
    title = _text(task.get("title")) or str(task.get("name", "")).replace("_", " ")
    return TaskView(title=title, **{name: _text(task.get(name)) for name in names})


def _text(value: Any) -> str | None:
    return None if value is None else str(value).strip() or None


def _number(value: Any, name: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SettingsError(f"{name} of a goal is {value!r}; it must be a number")
    return float(value)
