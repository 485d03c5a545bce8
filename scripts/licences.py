"""Prints the licences of all that imuswing installs, as tables for LICENCES.md, from the packages' own metadata.

    .venv/bin/pip install '.[live,cluster,formats,docs,test]' && .venv/bin/python scripts/licences.py [--write]

Only what is installed can be read; a package that is missing is named as such and makes the exit status 1.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

PAGE = Path(__file__).resolve().parents[1] / "LICENCES.md"
START, END = "<!-- from scripts/licences.py -->", "<!-- end -->"
PARTS = ("", "live", "cluster", "formats", "docs", "test")
LONG_NAMES = {
    "BSD License": "BSD",
    "MIT License": "MIT",
    "Apache Software License": "Apache-2.0",
    "GNU General Public License (GPL)": "GPL",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "ISC License (ISCL)": "ISC",
}


def requirements(package: Distribution, extras: set[str]) -> list[str]:
    """Names and markers of what a package needs with these extras, on this machine."""
    from packaging.requirements import Requirement

    needed = []
    for text in package.requires or []:
        requirement = Requirement(text)
        if requirement.marker is None or any(requirement.marker.evaluate({"extra": e}) for e in extras or {""}):
            needed.append(f"{requirement.name}[{','.join(sorted(requirement.extras))}]")
    return needed


def closure(part: str) -> tuple[set[str], set[str], set[str]]:
    """Packages asked for, all that they bring along, and those not installed, of one part of imuswing."""
    own = distribution("imuswing")
    plain = set(requirements(own, {""}))
    asked = set(requirements(own, {part})) - (plain if part else set())
    seen: dict[str, None] = {}
    missing: set[str] = set()
    waiting = sorted(asked)
    while waiting:
        wanted = waiting.pop()
        name, _, extras = wanted.rstrip("]").partition("[")
        if wanted in seen:
            continue
        seen[wanted] = None
        try:
            waiting += requirements(distribution(name), {"", *filter(None, extras.split(","))})
        except PackageNotFoundError:
            missing.add(key(name))
    return {key(item) for item in asked}, {key(item) for item in seen}, missing


def key(item: str) -> str:
    """A package's name as the index normalises it."""
    return re.sub(r"[-_.]+", "-", item.partition("[")[0]).lower()


def licence(name: str) -> str:
    """The licence as the package states it: expression, classifiers, or the first line of its licence text."""
    package = distribution(name)
    metadata = package.metadata
    if metadata.get("License-Expression"):
        return str(metadata["License-Expression"])
    classified = [c.rpartition(" :: ")[2] for c in metadata.get_all("Classifier") or [] if c.startswith("License ::")]
    if classified:
        return " or ".join(LONG_NAMES.get(text, text) for text in classified)
    texts = [file.read_text() for file in package.files or [] if file.name.upper().startswith("LICENSE")]
    text = (str(metadata.get("License") or "") or "".join(texts[:1]) or "not stated").strip().splitlines()[0]
    return LONG_NAMES.get(text, text)


def tables() -> tuple[str, set[str]]:
    """All parts as Markdown, and the packages that could not be read."""
    parts, known, absent = [], set(), set()
    for part in PARTS:
        asked, everything, missing = closure(part)
        absent |= missing
        rows = [
            (name, "asked for" if name in asked else "brought along") for name in sorted(everything - known - missing)
        ]
        known |= everything
        title = f"Extra `{part}`" if part else "Plain install"
        lines = [f"### {title}", "", "| Package | Licence | Why |", "| --- | --- | --- |"]
        parts.append("\n".join([*lines, *(f"| {name} | {licence(name)} | {why} |" for name, why in rows)]))
    return "\n\n".join(parts), absent


def main() -> int:
    """Print the tables or put them into the page."""
    text, absent = tables()
    if "--write" in sys.argv[1:]:
        page = PAGE.read_text(encoding="utf-8")
        before, _, rest = page.partition(START)
        PAGE.write_text(f"{before}{START}\n\n{text}\n\n{END}{rest.partition(END)[2]}", encoding="utf-8")
    else:
        print(text)
    for name in sorted(absent):
        print(f"{name} is not installed: its licence could not be read", file=sys.stderr)
    return 1 if absent else 0


if __name__ == "__main__":
    sys.exit(main())
