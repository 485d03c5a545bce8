"""The practice set: tasks written for this project, in tasks.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from imuswing.errors import SettingsError
from imuswing.plan.model import Task

FILE: Final = Path(__file__).with_name("tasks.toml")


@lru_cache(maxsize=1)
def practice_set() -> Mapping[str, Task]:
    """The tasks by name, in the order of the file."""
    data = tomllib.loads(FILE.read_text(encoding="utf-8"))
    return MappingProxyType({name: Task(name=name, **_in_one_line(fields)) for name, fields in data.items()})


def _in_one_line(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Texts without the file's line breaks, lists as tuples."""
    return {key: " ".join(value.split()) if isinstance(value, str) else tuple(value) for key, value in fields.items()}


def task_named(name: str) -> Task:
    """A task of the set; SettingsError lists all names."""
    tasks = practice_set()
    if name not in tasks:
        raise SettingsError(f"there is no practice task {name!r}; it must be one of {', '.join(tasks)}")
    return tasks[name]


def as_text(task: Task) -> str:
    """A task for the terminal."""
    rows = [
        ("for", task.purpose),
        ("set-up", task.set_up),
        ("how", task.how),
        ("mistake", task.mistake),
        ("sensors", task.shows),
        ("columns", ", ".join(task.measures)),
        ("feedback", task.feedback),
        ("often", task.often),
        ("care", task.caution),
        ("sources", "; ".join(task.sources)),
    ]
    return "\n".join([f"{task.name}: {task.title}", *(f"  {name}: {text}" for name, text in rows if text)])
