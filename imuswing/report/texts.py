"""The catalogue of texts: every sentence of the pages stands in `texts_<language>.toml`, so a translation is one file.

A key is `section.name`; `{name}` marks what is filled in. Where a sentence depends on a count it has two entries,
`.one` and `.other`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from imuswing.errors import SettingsError, require_one_of
from imuswing.measures.dictionary import MEASURES, Measure, Unit

FOLDER: Final = Path(__file__).parent
UNIT_KEYS: Final[dict[Unit, str]] = {"°": "deg", "°/s": "dps", "s": "s", "1": "plain", "P": "p"}
"""The dictionary's units by their names in the catalogue."""


@dataclass(frozen=True, kw_only=True)
class Texts:
    """All texts of one language: `texts("answer.none")`."""

    language: str
    entries: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """The text of `key` with `values` filled in; `SettingsError` if the catalogue lacks it."""
        if key not in self.entries:
            raise SettingsError(f"the catalogue of texts '{self.language}' lacks {key!r}")
        return self.entries[key].format(**values)

    def count(self, key: str, number: int, **values: object) -> str:
        """The text of `key` for a count, with `{n}` filled in."""
        return self(f"{key}.{'one' if number == 1 else 'other'}", n=number, **values)

    def label(self, measure: Measure) -> str:
        """A measure in a few words."""
        return self(f"measure.{measure.name}")

    def plainly(self, measure: Measure) -> str:
        """A measure in the student's words, with its terms marked; its label where there are no such words."""
        return self.entries.get(f"plainly.{measure.name}") or self.label(measure)

    def definition(self, measure: Measure) -> str:
        """A measure in a sentence."""
        return self(f"definition.{measure.name}")

    def sign(self, measure: Measure) -> str:
        """What a positive value means; "" where there is nothing to say."""
        return self(f"sign.{measure.name}") if measure.sign else ""

    def unit(self, unit: Unit) -> str:
        """A unit's symbol; "" for plain numbers."""
        return self(f"unit.{UNIT_KEYS[unit]}")

    def quantity(self, number: str, unit: Unit) -> str:
        """A written number with its unit."""
        return self(f"quantity.{UNIT_KEYS[unit]}", value=number)

    def number(self, value: float, decimals: int = 0, *, sign: bool = False) -> str:
        """A number as the language writes it, with a true minus and never "-0"."""
        text = f"{abs(value):.{decimals}f}"
        nothing = float(text) == 0.0
        before = "" if nothing else self("number.minus") if value < 0 else "+" if sign else ""
        return before + text.replace(".", self("number.decimal"))

    def named(self, group: str, name: str) -> str:
        """The words for a name of the data (a flag, a tracked point); unknown names lose their underscores."""
        return self.entries.get(f"{group}.{name}", name.replace("_", " "))


def languages() -> tuple[str, ...]:
    """Languages that have a catalogue."""
    return tuple(sorted(path.stem.removeprefix("texts_") for path in FOLDER.glob("texts_*.toml")))


def load_texts(language: str) -> Texts:
    """The catalogue of a language; `SettingsError` lists those there are."""
    require_one_of("language", language, languages())
    content = tomllib.loads((FOLDER / f"texts_{language}.toml").read_text(encoding="utf-8"))
    return Texts(language=language, entries=_from_dictionary() | dict(_flat(content)))


def _from_dictionary() -> dict[str, str]:
    """The dictionary's own words (English), which another language's catalogue replaces."""
    entries = {}
    for measure in MEASURES:
        entries[f"measure.{measure.name}"] = measure.label
        entries[f"definition.{measure.name}"] = measure.definition
        if measure.sign:
            entries[f"sign.{measure.name}"] = measure.sign
    return entries


def _flat(table: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{before}{key}.")
        else:
            rows.append((f"{before}{key}", str(value)))
    return rows


ENGLISH: Final = load_texts("en")
