"""`imuswing report`: pages from results on disk, whose page it is, files whole or not at all, clear errors."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from results_for_tests import results_folder, visit
from tables_for_tests import lesson_tables

from imuswing.cli import main
from imuswing.report.load import load_results, one_student, one_task

PLAN = """
work_on = "Turn through."
[[goals]]
measure = "chest_continuity"
low = 0.6
needed = 8
of = 10
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return results_folder(tmp_path_factory.mktemp("results") / "one", lesson_tables(), turning=True)


@pytest.mark.parametrize("reader", ["student", "coach", "progress"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_page_is_written_and_named(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], reader: str, language: str
) -> None:
    out = tmp_path / "new" / "page.html"
    assert main(["report", str(results), "--for", reader, "--out", str(out), "--language", language]) == 0
    assert capsys.readouterr().out == f"Open {out}\n"
    html = out.read_text(encoding="utf-8")
    assert html.startswith("<!doctype html>")
    assert f'<html lang="{language}">' in html
    assert [path.name for path in out.parent.iterdir()] == ["page.html"]


def test_several_folders_are_one_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = results_folder(tmp_path / "one", visit("01", lesson_tables(verdicts=["stalled"] * 5)))
    two = results_folder(tmp_path / "two", visit("02", lesson_tables(verdicts=["turning"] * 6, seed=9)))
    out = tmp_path / "page.html"
    assert main(["report", str(one), str(two), "--for", "progress", "--out", str(out)]) == 0
    html = out.read_text(encoding="utf-8")
    assert "visit 01" in html
    assert "visit 02" in html
    assert main(["report", str(one), str(one), "--for", "progress", "--out", str(out)]) == 1
    assert "twice" in capsys.readouterr().err


def test_a_plan_file_is_read(results: Path, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    out = tmp_path / "page.html"
    assert main(["report", str(results), "--for", "student", "--out", str(out), "--plan", str(plan)]) == 0
    assert "Turn through." in out.read_text(encoding="utf-8")


def test_a_folder_of_batch_is_read_too(tmp_path: Path) -> None:
    flat = results_folder(tmp_path / "flat", lesson_tables())
    batch = tmp_path / "batch"
    for name in ("swings", "curves"):
        (batch / name).mkdir(parents=True)
        shutil.copy(flat / f"{name}.parquet", batch / name / "0001.parquet")
    assert len(load_results([batch]).swings) == len(pd.read_parquet(flat / "swings.parquet"))
    out = tmp_path / "page.html"
    assert main(["report", str(batch), "--for", "student", "--out", str(out)]) == 0


def test_of_several_students_one_must_be_named_and_no_other_is_on_the_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    both = results_folder(tmp_path / "both", lesson_tables(), lesson_tables(participant="P02", seed=8), turning=True)
    out = tmp_path / "page.html"
    call = ["report", str(both), "--for", "coach", "--out", str(out)]
    assert main(call) == 2
    assert "P01, P02" in capsys.readouterr().err
    assert not out.exists()
    assert main([*call, "--participant", "P02"]) == 0
    assert "P01" not in out.read_text(encoding="utf-8").replace("sub-P01_motion.tsv", "")


def test_the_kind_with_most_shots_is_the_students_unless_another_is_named(tmp_path: Path) -> None:
    folder = results_folder(tmp_path / "r", lesson_tables(), lesson_tables(["turning"], task="full", seed=8))
    found = one_student(load_results([folder]), None)
    assert set(one_task(found, None).swings.task) == {"chip"}
    assert set(one_task(found, "full").curves.task) == {"full"}
    assert [record["recording"]["task"] for record in one_task(found, "full").quality["recordings"]] == ["full"]


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["--language", "xx"], 2, "'de', 'en'"),
        (["--participant", "P09"], 2, "'P01'"),
        (["--task", "putt"], 2, "'chip'"),
        (["--plan", "missing.toml"], 1, "missing.toml: does not exist"),
    ],
)
def test_wrong_usage_is_told_in_a_sentence_and_nothing_is_written(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int, said: str
) -> None:
    out = tmp_path / "page.html"
    assert main(["report", str(results), "--for", "student", "--out", str(out), *arguments]) == status
    assert said in capsys.readouterr().err
    assert not out.exists()


def test_a_spoilt_plan_and_a_folder_without_results_are_named(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text("goals = [", encoding="utf-8")
    call = ["report", str(results), "--for", "student", "--out", str(tmp_path / "page.html")]
    assert main([*call, "--plan", str(plan)]) == 1
    assert "plan.toml: is no valid TOML" in capsys.readouterr().err
    assert main(["report", str(tmp_path), "--for", "student", "--out", str(tmp_path / "page.html")]) == 1
    assert "swings.parquet" in capsys.readouterr().err
    broken = tmp_path / "broken"
    shutil.copytree(results, broken)
    (broken / "curves.parquet").write_bytes(b"no table")
    assert main(["report", str(broken), "--for", "student", "--out", str(tmp_path / "page.html")]) == 1
    assert "curves.parquet: it cannot be read" in capsys.readouterr().err


def test_a_pdf_is_printed_where_chromium_is(results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if shutil.which("chromium") is None:
        pytest.skip("chromium is not installed")
    out, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    assert main(["report", str(results), "--for", "student", "--out", str(out), "--pdf", str(pdf)]) == 0
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert capsys.readouterr().out.splitlines()[-1] == f"written: {pdf}, 2 pages"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["page.html", "page.pdf"]


def test_the_optional_part_for_pdf_is_declared() -> None:
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert "playwright" in project["optional-dependencies"]["pdf"]


def test_the_researchers_page_reads_a_batch_of_all_students(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flat = results_folder(tmp_path / "flat", lesson_tables(), lesson_tables(participant="P02", seed=8))
    batch = tmp_path / "batch"
    for name in ("swings", "curves", "quality"):
        (batch / name).mkdir(parents=True)
    shutil.copy(flat / "swings.parquet", batch / "swings" / "batch-000000.parquet")
    records = json.loads((flat / "quality.json").read_text(encoding="utf-8"))["recordings"]
    (batch / "quality" / "batch-000000.json").write_text(json.dumps(records), encoding="utf-8")
    path = "sub-P03/motion/sub-P03_motion.tsv"
    channels = path.replace("_motion", "_channels")
    (batch / "failures.tsv").write_text(
        f"recording\treason\n{path}\t/home/a somebody/{path}: holds no sample; record again.\n"
        f"{path}\tC:\\somebody\\{channels}: has no units; add them.\n",
        encoding="utf-8",
    )
    out = tmp_path / "page.html"
    assert main(["report", str(batch), "--for", "researcher", "--out", str(out)]) == 0
    html = out.read_text(encoding="utf-8")
    assert "2 students" in html
    assert "holds no sample; record again." in html
    assert "sub-P03_channels.tsv: has no units; add them." in html
    assert "somebody" not in html
    call = ["report", str(flat), "--for", "researcher", "--out", str(out)]
    assert main([*call, "--participant", "P02", "--block", "baseline", "--language", "de"]) == 0
    assert "einem Schüler" in out.read_text(encoding="utf-8")
    for wrong in (["--plan", "x.toml"], ["--by", "block"], ["--block", "none"], ["--participant", "P07"]):
        assert main([*call, *wrong]) == 2
    assert "'P02'" in capsys.readouterr().err
    assert main(["report", str(flat), "--for", "coach", "--block", "baseline", "--out", str(out)]) == 2


def test_the_plan_is_found_in_the_dataset_and_another_students_is_refused(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plans = tmp_path / "lessons" / "plans"
    plans.mkdir(parents=True)
    (plans / "sub-P01.toml").write_text('participant = "P01"\nwork_on = "Turn through."\n', encoding="utf-8")
    (plans / "sub-P02.toml").write_text('participant = "P02"\n', encoding="utf-8")
    out = tmp_path / "page.html"
    call = ["report", str(results), "--for", "student", "--out", str(out), "--plan"]
    assert main([*call, str(tmp_path / "lessons")]) == 0
    assert "Turn through." in out.read_text(encoding="utf-8")
    out.unlink()
    assert main([*call, str(plans / "sub-P02.toml")]) == 1
    assert "is the plan of P02, and this is about P01" in capsys.readouterr().err
    (plans / "sub-P01.toml").write_text('[[goals]]\nmeasure = "chest_kontinuity"\nlow = 0.6\n', encoding="utf-8")
    assert main([*call, str(tmp_path / "lessons")]) == 1
    assert "did you mean 'chest_continuity'?" in capsys.readouterr().err
    assert not out.exists()
