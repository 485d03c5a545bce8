"""Outcomes are free words; one that is nearly a usual word may be misspelt, and then counts as another outcome."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

from imuswing.recording.model import Event

USUAL: Final[tuple[str, ...]] = (
    *("pure", "flush", "thin", "top", "skull", "fat", "heavy", "chunk", "duff", "toe", "heel", "shank"),
    *("straight", "push", "pull", "slice", "hook", "fade", "draw", "left", "right", "short", "long", "high", "low"),
)
"""Words of the trade for what a ball did (common practice, no source)."""
LIKENESS: Final = 0.75
"""From this likeness on (difflib's ratio, 0 to 1) a word that is none of the usual ones may be meant as one."""


def doubtful_outcomes(before: Iterable[Event], after: Iterable[Event]) -> list[str]:
    """A sentence on each new outcome that is none of the usual words, nor one noted before, but is like one of them."""
    noted = {event.outcome for event in before if event.outcome}
    known = (*USUAL, *sorted(noted))
    told = []
    for word in dict.fromkeys(event.outcome for event in after if event.outcome):
        alike = get_close_matches(word.lower(), known, n=1, cutoff=LIKENESS)
        if word not in known and alike and alike[0] != word.lower():
            told.append(f"the outcome {word!r} is kept as its own word; note it again if {alike[0]!r} was meant")
    return told
