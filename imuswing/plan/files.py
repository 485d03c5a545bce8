"""A student's plan as a TOML file, to be edited by hand or by `imuswing new`."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from imuswing.errors import RecordingError, SettingsError
from imuswing.plan.model import Goal, Plan, Task, plan_data
from imuswing.plan.tasks import practice_set
from imuswing.plan.toml import toml_text
from imuswing.recording.tables import read_text, write_files

FOLDER: Final = "plans"
IGNORED: Final = f"/{FOLDER}"
"""Line of a dataset's .bidsignore by which the validator leaves the plans alone."""

HEADER: Final = (
    "# What this student works on. Edit it by hand or with imuswing new, which writes the file anew: comments are then",
    "# lost. The student reads the notes word for word. A goal has a measure, low or high or both, and needed of the",
    "# last so many shots.",
)
T = TypeVar("T")

PLAN_KEYS: Final = ("participant", "work_on", "next_test", "notes", "goals", "tasks")
GOAL_KEYS: Final = tuple(Goal.__dataclass_fields__)
TASK_KEYS: Final = tuple(Task.__dataclass_fields__)


def plan_path(dataset: Path, participant: str) -> Path:
    """Where a student's plan stands."""
    return dataset / FOLDER / f"sub-{participant}.toml"


def plan_of(where: Path, participant: str) -> Plan:
    """A student's plan, from its file or from the dataset that holds it; RecordingError for another student's."""
    file = plan_path(where, participant) if where.is_dir() else where
    plan = read_plan(file)
    # A plan that names nobody takes its file's name.
    if plan.participant not in (participant, file.stem):
        raise RecordingError(
            file, f"is the plan of {plan.participant}, and this is about {participant}", "name that student's plan"
        )
    return plan


def write_plan(plan: Plan, path: Path) -> None:
    """Write a plan, whole or not at all."""
    write_files({path: "\n".join(HEADER) + "\n\n" + toml_text(plan_data(plan))})


def read_plan(path: Path) -> Plan:
    """Read a plan; a task that only has the name of one of the practice set takes the set's words.

    Raises RecordingError that names the file and the line.
    """
    text = read_text(path, missing_do="write one with imuswing new")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordingError(path, f"is no valid TOML ({_told(error)})", "correct it there") from error
    place = _Place(path=path, text=text)
    place.check_keys(data, PLAN_KEYS, "the plan")
    participant = data.get("participant", path.stem.removeprefix("sub-"))
    if not isinstance(participant, str):
        raise place.error("participant", f"has the participant {participant!r}", "write a label in double quotes")
    return Plan(
        participant=participant,
        work_on=place.words(data, "work_on"),
        next_test=place.words(data, "next_test"),
        notes=place.list_of_words(data, "notes", one=True),
        goals=tuple(place.each(data, "goals", _goal)),
        tasks=tuple(place.each(data, "tasks", _task)),
    )


def _told(error: tomllib.TOMLDecodeError) -> str:
    """What tomllib says, with the line in front: `line 3: Invalid value`."""
    found = re.fullmatch(r"(.*) \(at (line \d+), column \d+\)", str(error))
    return f"{found[2]}: {found[1]}" if found else str(error)


class _Place:
    """Knows the text of a plan file, to name the line of what is wrong."""

    def __init__(self, *, path: Path, text: str) -> None:
        self.path = path
        self.lines = text.splitlines()
        self.first = 0

    def error(self, key: str | None, wrong: str, do: str) -> RecordingError:
        """An error at the line of a key, or at the table's header."""
        for number in range(self.first, len(self.lines)):
            if number > self.first and self.lines[number].lstrip().startswith("["):
                break
            if key is not None and re.match(rf"\s*\"?{re.escape(key)}\"?\s*=", self.lines[number]):
                return RecordingError(self.path, f"line {number + 1} {wrong}", do)
        return RecordingError(self.path, f"line {self.first + 1} {wrong}", do)

    def each(self, data: Mapping[str, Any], name: str, make: Callable[[_Place, Mapping[str, Any]], T]) -> list[T]:
        """One thing for each `[[name]]`."""
        tables = data.get(name, [])
        if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
            raise self.error(name, f"gives {name} no tables", f"write [[{name}]] above each")
        headers = [n for n, line in enumerate(self.lines) if re.match(rf"\s*\[\[\s*{name}\s*\]\]", line)]
        made = []
        for index, table in enumerate(tables):
            self.first = headers[index] if index < len(headers) else 0
            made.append(make(self, table))
        self.first = 0
        return made

    def check_keys(self, data: Mapping[str, Any], legal: tuple[str, ...], what: str) -> None:
        for key in data:
            if key not in legal:
                raise self.error(key, f"has {key!r}, which {what} has not", f"use {', '.join(legal)}")

    def words(self, data: Mapping[str, Any], key: str) -> str | None:
        value = data.get(key)
        if value is None:
            return None
        if isinstance(value, date | datetime):
            return value.isoformat()
        if not isinstance(value, str):
            raise self.error(key, f"has the {key} {value!r}", "write words in double quotes")
        return value.strip() or None

    def list_of_words(self, data: Mapping[str, Any], key: str, *, one: bool = False) -> tuple[str, ...]:
        value = data.get(key, [])
        if one and isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.error(key, f"has the {key} {value!r}", 'write a list such as ["one", "two"]')
        return tuple(value)

    def number(self, data: Mapping[str, Any], key: str, kind: type[float] | type[int]) -> Any:
        value = data.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int,) if kind is int else (int, float)):
            raise self.error(key, f"has the {key} {value!r}", f"write a {'whole ' if kind is int else ''}number")
        return kind(value)


def _goal(place: _Place, data: Mapping[str, Any]) -> Goal:
    place.check_keys(data, GOAL_KEYS, "a goal")
    try:
        return Goal(
            measure=place.words(data, "measure") or "",
            low=place.number(data, "low", float),
            high=place.number(data, "high", float),
            needed=place.number(data, "needed", int),
            of=place.number(data, "of", int),
            task=place.words(data, "task"),
            words=place.words(data, "words"),
        )
    except SettingsError as error:
        raise _at(place, error, "measure") from error


def _task(place: _Place, data: Mapping[str, Any]) -> Task:
    place.check_keys(data, TASK_KEYS, "a task")
    name = place.words(data, "name") or place.words(data, "title") or ""
    known = practice_set().get(name)
    if known is None and "title" not in data:
        raise place.error(
            "name",
            f"names the task {name!r} without a title",
            f"give it a title, or take one of {', '.join(practice_set())}",
        )
    told: dict[str, Any] = {
        key: place.words(data, key) for key in TASK_KEYS if key not in ("name", "measures", "sources") and key in data
    }
    told |= {key: place.list_of_words(data, key) for key in ("measures", "sources") if key in data}
    ours = {} if known is None else {key: getattr(known, key) for key in TASK_KEYS}
    try:
        return Task(**{**ours, **told, "name": name})
    except SettingsError as error:
        raise _at(place, error, "measures") from error


def _at(place: _Place, error: SettingsError, key: str) -> RecordingError:
    wrong, _, do = str(error).rpartition("; ")
    return place.error(key, f"is not legal: {wrong or error}", do or "correct it")
