"""Words that are explained at a tap: `[[lead wrist|lead_wrist]]` in a text becomes a button that opens a small card.

The browser's own popover does it, without a script; on paper the cards stand as a list.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from imuswing.report.markup import Child, Html, join, tag
from imuswing.report.texts import Texts

MARKED: Final = re.compile(r"\[\[([^\]|]+)\|([a-z_]+)\]\]")


def rich(text: str) -> Html:
    """A text with its marked words as buttons."""
    parts: list[Child] = []
    end = 0
    for found in MARKED.finditer(text):
        word, term = found.groups()
        parts += [
            text[end : found.start()],
            tag("button", word, type="button", class_="term", popovertarget=term_id(term)),
        ]
        end = found.end()
    return join([*parts, text[end:]])


def plain(text: str) -> str:
    """The same text without its marks."""
    return MARKED.sub(r"\1", text)


def term_id(term: str) -> str:
    """The element that explains a term."""
    return f"term-{term}"


def terms_in(html: str) -> list[str]:
    """The terms that a page's markup has buttons for, in order of appearance."""
    return list(dict.fromkeys(re.findall(r'popovertarget="term-([a-z_]+)"', html)))


def term_cards(terms: Iterable[str], texts: Texts) -> Html:
    """The cards that the buttons open: word, explanation, and a way to close them."""
    return join([_card(term, texts) for term in terms])


def _card(term: str, texts: Texts) -> Html:
    return tag(
        "div",
        tag("b", texts(f"term.{term}")),
        tag("p", texts(f"term_text.{term}")),
        tag(
            "button",
            texts("student.close_card"),
            type="button",
            popovertarget=term_id(term),
            popovertargetaction="hide",
        ),
        id=term_id(term),
        popover=True,
        class_="termcard",
        role="note",
    )
