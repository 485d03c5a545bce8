"""What documents say is executed or compared: commands, code, links, generated pages, licences, the shipped lesson."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pandas as pd
import pytest

from imuswing.cli import build_parser, main
from imuswing.measures.dictionary import MEASURES, swing_columns

PROJECT = Path(__file__).resolve().parents[2]
PAGES = sorted([*PROJECT.glob("*.md"), *(PROJECT / "docs").glob("*.md")])
IDS = [str(page.relative_to(PROJECT)) for page in PAGES]
README = PROJECT / "README.md"
RECORDINGS = PROJECT / "recordings"
TEXT_FILES = {".py", ".md", ".toml", ".json", ".tsv", ".cff", ".css", ".js", ".txt", ".sh", ""}
MOST_RECORDINGS_BYTES = 25e6
MOST_PICTURE_BYTES = 600e3


def blocks(page: Path, language: str) -> list[str]:
    """Fenced blocks of a page, without the indentation of a list."""
    text = page.read_text(encoding="utf-8")
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```", text, re.MULTILINE | re.DOTALL)
    return [re.sub(rf"^{indent}", "", body, flags=re.MULTILINE) for indent, body in found]


def anchors(page: Path) -> set[str]:
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=IDS)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if target.startswith("https://"):
            continue
        path, _, anchor = target.partition("#")
        linked = (page.parent / path).resolve() if path else page
        assert linked.exists(), target
        assert linked.is_relative_to(PROJECT), f"{target} leads out of the project"
        assert not anchor or anchor in anchors(linked), target


def test_generated_pages_are_up_to_date() -> None:
    command = [sys.executable, "scripts/make_docs.py", "--check"]
    result = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, timeout=60, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def imuswing_calls(page: Path) -> list[list[str]]:
    """Every call of the command line in a page's blocks for the shell."""
    lines = "\n".join(blocks(page, "(?:sh)?")).splitlines()
    calls = [shlex.split(line, comments=True) for line in lines if re.match(r"(\.venv/bin/)?imuswing [a-z]", line)]
    return [call[1:] for call in calls if not any("|" in word or word.startswith("[") for word in call)]


@pytest.mark.parametrize("page", [p for p in PAGES if imuswing_calls(p)], ids=lambda p: p.name)
def test_calls_in_pages_parse(page: Path) -> None:
    names = {call[0] for call in imuswing_calls(page)}
    subparsers = build_parser()._subparsers
    assert subparsers is not None
    known = set(subparsers._group_actions[0].choices or ())
    assert names <= known
    usage = re.compile(r"[A-Z]{3,}")
    for call in imuswing_calls(page):
        if not any(usage.fullmatch(word) for word in call):
            assert build_parser().parse_args(call).command == call[0]


def test_the_commands_of_the_readme_do_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    os.symlink(RECORDINGS, tmp_path / "recordings")
    monkeypatch.chdir(tmp_path)
    calls = imuswing_calls(README)
    assert {call[0] for call in calls} >= {"check", "analyze"}
    for call in calls:
        assert main(call) == 0, call
    assert capsys.readouterr().err == ""
    assert (tmp_path / "demo-results" / "report.html").is_file()


def test_the_readme_begins_with_the_job_then_a_picture_then_the_set_up() -> None:
    text = README.read_text(encoding="utf-8")
    job, picture, set_up = (text.index(part) for part in ("You coach golf", "![", "## Set up"))
    assert job < picture < set_up
    assert "scripts/demo" in blocks(README, "sh")[0]
    assert "scripts/test" in blocks(README, "sh")[0]
    image = re.search(r"!\[(.+?)\]\((.+?)\)", text)
    assert image is not None
    content = (PROJECT / image.group(2)).read_bytes()
    assert content.startswith(b"\x89PNG\r\n")
    assert len(content) < MOST_PICTURE_BYTES
    assert "simulated" in text[picture:set_up]


@pytest.mark.parametrize("page", [page for page in PAGES if blocks(page, "python")], ids=lambda p: p.name)
def test_python_in_pages_runs(page: Path, small_dataset: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    os.symlink(RECORDINGS, tmp_path / "recordings")
    monkeypatch.chdir(tmp_path)
    if "results/" in "".join(blocks(page, "python")):
        assert main(["analyze", str(small_dataset), "--out", "results", "--no-report"]) == 0
    for block in blocks(page, "python"):
        exec(compile(block, str(page), "exec"), {"__name__": page.stem})


def test_cautions_and_limits_stand_where_people_look() -> None:
    for page in (README, PROJECT / "docs" / "limits_and_care.md"):
        text = " ".join(re.sub(r"[*>]", "", page.read_text(encoding="utf-8")).split()).lower()
        for needed in ("not a medical device", "pain", "physiotherapist", "warm up", "clear", "licensed teacher"):
            assert needed in text, f"{page.name}: {needed}"
        for needed in ("pseudonym", "no optical validation", "common practice, no source", "simulation is simulation"):
            assert needed in text, f"{page.name}: {needed}"


def test_shared_tables_hold_every_measure_and_column() -> None:
    measures = json.loads((PROJECT / "shared" / "measures.json").read_text(encoding="utf-8"))["measures"]
    assert [row["name"] for row in measures] == [measure.name for measure in MEASURES]
    tables = json.loads((PROJECT / "shared" / "tables.json").read_text(encoding="utf-8"))["tables"]
    assert [row["name"] for row in tables["swings.parquet"]] == list(swing_columns())
    assert all(row["meaning"] for table in tables.values() for row in table)


def test_licences_name_every_package_that_is_asked_for() -> None:
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(item for part in project["optional-dependencies"].values() for item in part)]
    page = (PROJECT / "LICENCES.md").read_text(encoding="utf-8")
    for requirement in wanted:
        name = re.split(r"[\[<>=; ]", requirement)[0].lower()
        row = re.search(rf"^\| {re.escape(name)} \| (.+?) \| asked for \|$", page, re.MULTILINE)
        assert row is not None, f"{name}: run scripts/licences.py"
        assert "GPL" not in row.group(1)


def test_licences_agree_with_what_is_installed() -> None:
    page = (PROJECT / "LICENCES.md").read_text(encoding="utf-8")
    for name, stated in re.findall(r"^\| ([a-z0-9-]+) \| (.+?) \| (?:asked for|brought along) \|$", page, re.MULTILINE):
        try:
            metadata = distribution(name).metadata
        except PackageNotFoundError:
            continue
        said = " ".join(
            [str(metadata.get(key) or "")[:200] for key in ("License-Expression", "License")]
            + [text for text in metadata.get_all("Classifier") or [] if text.startswith("License")]
        )
        family = re.search(r"MIT|BSD|Apache|MPL|PSF|Python Software Foundation|ISC|Public Domain", stated)
        assert family is not None, name
        # Some packages carry their licence as a text only.
        assert not said.strip() or family.group() in said or family.group() == "PSF", name


def test_every_flag_is_explained(tmp_path: Path) -> None:
    with (PROJECT / "imuswing" / "report" / "texts_en.toml").open("rb") as file:
        texts = tomllib.load(file)
    assert main(["analyze", str(RECORDINGS), "--out", str(tmp_path), "--no-report"]) == 0
    raised = {flag for flags in pd.read_parquet(tmp_path / "swings.parquet")["flags"] for flag in flags}
    endings = [f"…_{ending}" for ending in texts["flag_ending"]]
    page = (PROJECT / "docs" / "results.md").read_text(encoding="utf-8")
    for flag in [*texts["flag"], *endings, *raised]:
        general = next((ending for ending in endings if flag.endswith(ending[1:])), flag)
        assert f"| `{general}` |" in page, flag


def tracked_files() -> list[Path]:
    listed = subprocess.run(["git", "ls-files"], cwd=PROJECT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("no git here")
    return [PROJECT / name for name in listed.stdout.splitlines() if (PROJECT / name).is_file()]


def test_no_file_points_out_of_the_project() -> None:
    outside = re.compile(
        r"\.\./shared/(?!open_data|tables|measures)|/work/|\bcontract\.md\b|\bdesign\.md\b|seed document", re.IGNORECASE
    )
    for path in tracked_files():
        if path.suffix in TEXT_FILES and not path.is_relative_to(RECORDINGS) and path != Path(__file__):
            found = outside.search(path.read_text(encoding="utf-8"))
            assert found is None, f"{path.relative_to(PROJECT)}: {found and found.group()}"


def test_nothing_large_is_carried() -> None:
    sizes = {path: path.stat().st_size for path in tracked_files()}
    shipped = sum(size for path, size in sizes.items() if path.is_relative_to(RECORDINGS))
    assert shipped <= MOST_RECORDINGS_BYTES
    large = [path for path, size in sizes.items() if size > 2e6 and not path.is_relative_to(RECORDINGS)]
    assert large == []


def test_the_shipped_lesson_says_that_it_is_simulated() -> None:
    about = json.loads((RECORDINGS / "dataset_description.json").read_text(encoding="utf-8"))
    assert "simulated" in about["Name"].lower()
    assert "no real person" in (RECORDINGS / "README.md").read_text(encoding="utf-8")


def test_the_official_validator_accepts_the_shipped_lesson() -> None:
    """BIDS 1.10, validator of the standard's maintainers (bids-validator-deno)."""
    program = Path(sys.executable).with_name("bids-validator-deno")
    command = [program, RECORDINGS, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    issues = json.loads(result.stdout)["issues"]["issues"]
    assert [issue for issue in issues if issue["severity"] == "error"] == []
    assert result.returncode == 0


def test_the_demo_names_the_page_to_open(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--out", str(tmp_path / "results")]) == 0
    out, error = capsys.readouterr()
    assert error == ""
    assert out.splitlines()[-1] == f"Open {tmp_path / 'results' / 'report.html'}"
    assert "imulated" in out
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert len(page) < 1.5e6


@pytest.mark.parametrize("script", ["scripts/demo", "scripts/test", ".ci/run", "scripts/venv.sh"])
def test_scripts_are_sound(script: str) -> None:
    path = PROJECT / script
    assert subprocess.run(["bash", "-n", path], check=False).returncode == 0
    assert script == "scripts/venv.sh" or os.access(path, os.X_OK)
