"""Errors that a user can act on.

    ImuswingError
    ├── RecordingError   a recording cannot be used: names the file, what is wrong, what to do
    ├── SettingsError    a setting, option or argument has no legal value
    └── MissingExtraError     an optional dependency is not installed

Every message is one sentence that a coach can read; the command line prints it and exits with status 1
(`SettingsError`: 2).
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path


class ImuswingError(Exception):
    """Base of all errors that carry a message for the user."""


class RecordingError(ImuswingError):
    """A recording cannot be used.

    Parameters name the three things a message must hold: the file, what is wrong with it and what to do.
    """

    def __init__(self, where: Path | str | None, wrong: str, do: str) -> None:
        self.where = where
        self.wrong = wrong
        self.do = do
        place = f"{where}: " if where is not None else ""
        super().__init__(f"{place}{wrong}; {do}.")


class SettingsError(ImuswingError):
    """A setting or argument has a value that is not legal."""


class MissingExtraError(ImuswingError):
    """An optional part of the package is not installed."""

    def __init__(self, extra: str, what: str) -> None:
        # By this very Python: it knows the package already, so that pip asks the index for the extra's needs alone.
        super().__init__(
            f"{what} needs the optional part '{extra}': {sys.executable} -m pip install 'imuswing[{extra}]'."
        )


def require_one_of(name: str, value: object, legal: Iterable[object]) -> None:
    """Raise `SettingsError` listing every legal value unless `value` is one of them."""
    choices = list(legal)
    if value not in choices:
        listed = ", ".join(repr(choice) for choice in choices)
        raise SettingsError(f"{name} is {value!r}; it must be one of {listed}")


def counted(number: int, thing: str) -> str:
    """`1 cell`, `5 cells`."""
    return f"{number} {thing}{'' if number == 1 else 's'}"
