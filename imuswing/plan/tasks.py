"""The practice set: tasks written for this project, in tasks.toml; other languages in tasks_<language>.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from imuswing.errors import SettingsError, require_one_of
from imuswing.plan.model import Task

FILE: Final = Path(__file__).with_name("tasks.toml")


@lru_cache
def practice_set(language: str = "en") -> Mapping[str, Task]:
    """The tasks by name, in the order of the file; SettingsError lists the languages there are."""
    data = tomllib.loads(FILE.read_text(encoding="utf-8"))
    require_one_of("language", language, task_languages())
    if language != "en":
        words = tomllib.loads(FILE.with_name(f"tasks_{language}.toml").read_text(encoding="utf-8"))
        data = {name: fields | words[name] for name, fields in data.items()}
    return MappingProxyType({name: Task(name=name, **_in_one_line(fields)) for name, fields in data.items()})


def task_languages() -> tuple[str, ...]:
    """Languages that the practice set is written in."""
    return ("en", *sorted(path.stem.removeprefix("tasks_") for path in FILE.parent.glob("tasks_*.toml")))


def _in_one_line(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Texts without the file's line breaks, lists as tuples."""
    return {key: " ".join(value.split()) if isinstance(value, str) else tuple(value) for key, value in fields.items()}


def task_named(name: str, language: str = "en") -> Task:
    """A task of the set; SettingsError lists all names."""
    tasks = practice_set(language)
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
