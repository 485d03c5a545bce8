"""Sentences of the analysis in the page's language.

The analysis writes English. The catalogue holds each of its sentences as a template, `said.<key>`; a sentence that fits
the English one is written as the other language's, its blanks translated too. What fits none stays as it was written.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Final

from imuswing.report.texts import ENGLISH, Texts

GROUPS: Final = ("said.", "said_part.")
"""Whole sentences, then what only stands within one."""
NUMBER: Final = re.compile(r"[−-]?\d+\.\d+")
LISTED: Final = (" and ", ", ")
BLANK: Final = re.compile(r"\\\{(\w+)\\\}")


def said(text: str, texts: Texts) -> str | None:
    """A sentence of the analysis in the language of `texts`; None where the catalogue has none that fits."""
    if texts.language == ENGLISH.language:
        return text
    for key, pattern in _templates():
        found = pattern.fullmatch(text)
        if found:
            return texts(key, **{name: _blank(value, texts) for name, value in found.groupdict().items()})
    return None


def _blank(value: str, texts: Texts) -> str:
    """What fills a blank: a phrase, a name, a list of names, a number; else as it stands."""
    known = _names(texts).get(value) or said(value, texts)
    if known is not None:
        return known
    for mark in LISTED:
        if mark in value:
            joint = texts("said_list.and") if mark == " and " else mark
            return joint.join(_blank(part, texts) for part in value.split(mark))
    return NUMBER.sub(lambda found: found[0].replace(".", texts("number.decimal")), value)


def _names(texts: Texts) -> dict[str, str]:
    """Tracked points, steps and single words, as the analysis writes them."""
    names = {}
    for key, text in texts.entries.items():
        group, _, name = key.partition(".")
        if group in ("point", "step", "said_word"):
            names[name] = names[name.replace("_", " ")] = text
    return names


@cache
def _templates() -> list[tuple[str, re.Pattern[str]]]:
    """The English templates as patterns: sentences before parts, those with most words of their own first."""
    found = []
    for key, template in ENGLISH.entries.items():
        if key.startswith(GROUPS):
            pattern = BLANK.sub(r"(?P<\1>.+?)", re.escape(template))
            own = len(re.sub(r"\{\w+\}", "", template))
            found.append((key.startswith(GROUPS[1]), -own, key, re.compile(pattern)))
    return [(key, pattern) for *_, key, pattern in sorted(found, key=lambda item: item[:2])]
