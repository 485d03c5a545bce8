"""HTML and SVG built from parts that are escaped unless they were built here: no text can become markup."""

from __future__ import annotations

import html
from collections.abc import Iterable
from typing import Any, Final

VOID: Final = frozenset({"meta", "input", "br", "hr", "col"})


class Html(str):
    """A string that is markup already."""


Child = str | int | float | Html | None | Iterable["Child"]


def tag(element: str, /, *children: Child, **attributes: str | int | float | bool | None) -> Html:
    """One element. Text children are escaped, None is left out, iterables are flattened.

    Attributes: `_` becomes `-` and a trailing `_` is dropped (`class_`, `data_for`); True is a bare attribute, False
    and None are left out.
    """
    opened = f"<{element}{''.join(_attribute(key, value) for key, value in attributes.items())}>"
    if element in VOID:
        return Html(opened)
    return Html(f"{opened}{join(children)}</{element}>")


def join(children: Child) -> Html:
    """Children one after the other."""
    if children is None:
        return Html("")
    if isinstance(children, Html):
        return children
    if isinstance(children, str | int | float):
        return Html(html.escape(str(children), quote=False))
    return Html("".join(join(child) for child in children))


def raw(text: str) -> Html:
    """Text that the project wrote itself (style, script, a path) taken as markup."""
    return Html(text)


def json_script(identifier: str, payload: str) -> Html:
    """A block of JSON that no string inside it can close."""
    safe = payload.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return Html(f'<script type="application/json" id="{html.escape(identifier)}">{safe}</script>')


def _attribute(key: str, value: Any) -> str:
    if value is None or value is False:
        return ""
    name = key.rstrip("_").replace("_", "-")
    if value is True:
        return f" {name}"
    return f' {name}="{html.escape(str(value), quote=True)}"'
