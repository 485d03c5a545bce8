"""Plain data as TOML text (toml.io, version 1.0): texts, numbers, truth values, lists of these, lists of tables."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from imuswing.errors import SettingsError


def toml_text(data: Mapping[str, Any]) -> str:
    """Keys of the top table first, then each list of tables, in the order given."""
    plain = [f"{key} = {_value(value)}" for key, value in data.items() if not _tables(value)]
    parts = ["\n".join(plain)] if plain else []
    for key, value in data.items():
        if _tables(value):
            parts += [
                "\n".join([f"[[{key}]]", *(f"{name} = {_value(cell)}" for name, cell in row.items())]) for row in value
            ]
    return "\n\n".join(parts) + "\n"


def _tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, dict) for item in value)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's; only the delete character must be escaped in addition.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        items = [_value(item) for item in value]
        if len(items) < 2:
            return f"[{', '.join(items)}]"
        return "[\n" + "".join(f"  {item},\n" for item in items) + "]"
    raise SettingsError(f"a plan cannot hold {value!r}; it holds texts, numbers and lists of these")
