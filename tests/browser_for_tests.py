"""What the tests of pages share: how Chromium is started, two screens, and a page with what it complained about."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}


@dataclass
class Opened:
    """A page in the browser with all that it complained about and asked for."""

    page: Any
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
