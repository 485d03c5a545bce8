"""The order of the house: which way imports run, how long files are, what is documented."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]
PACKAGE = PROJECT / "imuswing"
SOURCES = sorted(PACKAGE.rglob("*.py"))
CHECKED = [*SOURCES, *sorted((PROJECT / "scripts").glob("*.py")), *sorted((PROJECT / "tests").rglob("*.py"))]

CHAIN = ("recording", "sensors", "orientation", "body", "swings", "measures", "compare", "report")
"""Folders in the order in which data flow; a folder imports from those before it only."""
SHARED_WITH_ALL = {"errors", "vocabulary", "__init__"}
"""Modules that every folder may import; they import nothing of the package but each other."""
TOOLS = {"sensors": {"orientation.quaternion"}}
"""Quaternion arrays are pure mathematics: the one thing that an earlier step takes from a later one."""
JOINS_THE_CHAIN = {
    "cutting",
    "judged",
    "lesson",
    "parts",
    "quality",
    "results",
    "rough",
    "rounds",
    "routine",
    "settings",
    "shifts",
    "wrist",
}
AROUND = {
    "simulate",
    "formats",
    "plan",
    "marking",
    "batch",
    "live",
    "export",
    "cli",
    "commands",
    "__main__",
} | JOINS_THE_CHAIN
MOST_LINES = 420


def imported(source: Path) -> Iterator[str]:
    """Modules of the package that a source imports anywhere, also for type checking, relative to the package."""
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{source}: relative import"
            names = [node.module or ""]
            # `from imuswing.recording import read` names a module too.
            names += [f"{node.module}.{alias.name}" for alias in node.names]
        else:
            continue
        yield from (name.removeprefix("imuswing.") for name in names if name.startswith("imuswing."))


def folder_of(source: Path) -> str:
    parts = source.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def forbidden(folder: str, module: str) -> bool:
    """Whether a source of `folder` may not import `module`."""
    target = module.split(".")[0]
    if target in SHARED_WITH_ALL or target == folder or any(module.startswith(tool) for tool in TOOLS.get(folder, ())):
        return False
    if not (PACKAGE / target).exists() and not (PACKAGE / f"{target}.py").exists():
        return False  # a name, such as imuswing.read, not a module
    if folder in CHAIN:
        return target not in CHAIN[: CHAIN.index(folder)]
    if folder in SHARED_WITH_ALL - {"__init__"}:
        return True
    # What stands around the chain may use all of it; what joins the chain does not know who uses it.
    return folder in JOINS_THE_CHAIN and target in AROUND - JOINS_THE_CHAIN


def test_every_folder_has_its_place() -> None:
    found = {folder_of(source) for source in SOURCES}
    assert found <= set(CHAIN) | AROUND | SHARED_WITH_ALL


@pytest.mark.parametrize("folder", [*CHAIN, *sorted(SHARED_WITH_ALL), *sorted(JOINS_THE_CHAIN)])
def test_imports_run_one_way(folder: str) -> None:
    sources = [source for source in SOURCES if folder_of(source) == folder]
    wrong = {
        f"{source.relative_to(PROJECT)} imports imuswing.{module}"
        for source in sources
        for module in imported(source)
        if forbidden(folder, module)
    }
    assert not wrong, "\n".join(sorted(wrong))


def test_the_check_of_imports_sees_a_wrong_one() -> None:
    assert forbidden("recording", "report.palette")
    assert forbidden("measures", "simulate.lesson")
    assert forbidden("errors", "recording.model")
    assert forbidden("lesson", "cli")
    assert not forbidden("report", "measures.dictionary")
    assert not forbidden("body", "vocabulary")


@pytest.mark.parametrize("source", CHECKED, ids=lambda path: str(path.relative_to(PROJECT)))
def test_files_stay_short(source: Path) -> None:
    count = len(source.read_text(encoding="utf-8").splitlines())
    assert count <= MOST_LINES, f"{count} lines; take something out of it"


def public_without_docstring(source: Path) -> list[str]:
    tree = ast.parse(source.read_text(encoding="utf-8"))
    holds_nothing = all(isinstance(node, ast.ImportFrom) and node.module == "__future__" for node in tree.body)
    missing = [] if ast.get_docstring(tree) or holds_nothing else ["the module"]
    bodies = [("", tree.body)]
    while bodies:
        place, body = bodies.pop()
        for node in body:
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                continue
            if node.name.startswith("_"):
                continue
            if not ast.get_docstring(node):
                missing.append(f"{place}{node.name}")
            if isinstance(node, ast.ClassDef):
                bodies.append((f"{node.name}.", node.body))
    return missing


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: str(path.relative_to(PROJECT)))
def test_what_is_public_is_documented(source: Path) -> None:
    assert public_without_docstring(source) == []


@pytest.mark.parametrize("source", CHECKED, ids=lambda path: str(path.relative_to(PROJECT)))
def test_no_error_is_swallowed(source: Path) -> None:
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, f"line {node.lineno}: bare except"
            silent = len(node.body) == 1 and isinstance(node.body[0], ast.Pass)
            broad = isinstance(node.type, ast.Name) and node.type.id in ("Exception", "BaseException")
            assert not (silent and broad), f"line {node.lineno}: every error passes unseen"


def test_the_version_stands_once_and_the_others_agree() -> None:
    import imuswing

    for file, pattern in {
        "pyproject.toml": r'^version = "(.+)"$',
        "CITATION.cff": r"^version: (.+)$",
        "CHANGELOG.md": r"^## (\d\S+)",
    }.items():
        found = re.search(pattern, (PROJECT / file).read_text(encoding="utf-8"), re.MULTILINE)
        assert found is not None, file
        assert found.group(1) == imuswing.__version__, file
