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
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Final


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
    """Raise `SettingsError` saying what may be meant, or every legal value, unless `value` is one of them."""
    choices = list(legal)
    if value not in choices:
        raise SettingsError(f"{name} is {value!r}; {meant_or_legal(value, choices)}")


SHORT: Final = 8
"""Lists of legal values up to this long are told whole, whatever may be meant."""


def meant_or_legal(value: object, legal: Sequence[object]) -> str:
    """The end of a message about a value that is none of the legal ones: what may be meant, or all of them."""
    words = [str(choice) for choice in legal]
    wrong = str(value).lower().replace(" ", "_").replace("-", "_")
    alike = get_close_matches(wrong, words, n=3, cutoff=0.6)
    alike += [word for word in words if len(wrong) > 2 and wrong in word and word not in alike]
    meant = f"did you mean {' or '.join(repr(word) for word in alike[:3])}?" if alike else ""
    if meant and len(words) > SHORT:
        return meant
    return "; ".join(filter(None, (f"it must be one of {', '.join(map(repr, legal))}", meant)))


def counted(number: int, thing: str) -> str:
    """`1 cell`, `5 cells`."""
    return f"{number} {thing}{'' if number == 1 else 's'}"
