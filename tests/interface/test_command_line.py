"""The command line itself: help, what it loads, exit statuses."""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from tables_for_tests import lesson_tables

from imuswing.cli import build_parser, main
from imuswing.commands import COMMANDS, module_of
from imuswing.commands.check import in_words
from imuswing.lesson import Lesson
from imuswing.measures.dictionary import BY_NAME
from imuswing.measures.tables import swing_schema

HEAVY = {"numpy", "scipy", "pandas", "pyarrow", "plotly", "vqf", "ahrs"}


def run_python(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)


def help_of(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "--help"])
    assert ended.value.code == 0
    return capsys.readouterr().out


def test_help_names_every_command_with_its_summary(capsys: pytest.CaptureFixture[str]) -> None:
    text = " ".join(help_of(capsys).split())
    files = Path(sys.modules["imuswing.commands"].__path__[0]).glob("[a-z]*.py")
    modules = {f"imuswing.commands.{path.stem}" for path in files}
    assert {module_of(name) for name in COMMANDS} == modules
    for name in COMMANDS:
        summary = sys.modules[module_of(name)].SUMMARY
        assert f" {name} " in text
        assert summary.split(";")[0].split(",")[0] in text


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_shows_an_example_that_parses(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = help_of(capsys, name)
    found = re.search(r"^example:\n((?:  .*\n?)+)", text, re.MULTILINE)
    assert found is not None
    lines = [line.split() for line in found.group(1).replace("\\\n", "").splitlines()]
    for program, *arguments in lines:
        assert program == "imuswing"
        assert build_parser().parse_args(arguments).command == name


@pytest.mark.parametrize("arguments", [["--help"], *([name, "--help"] for name in COMMANDS)], ids=" ".join)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom imuswing.cli import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit:\n    pass\n"
        f"print('LOADED', sorted({HEAVY!r} & set(sys.modules)))"
    )
    start = time.perf_counter()
    result = run_python(code)
    print(f"imuswing {' '.join(arguments)}: {time.perf_counter() - start:.2f} s with Python's own start")
    assert result.returncode == 0, result.stderr
    assert result.stdout.splitlines()[-1] == "LOADED []"


def test_a_reader_that_has_seen_enough_is_no_error(small_dataset: Path) -> None:
    command = f"{sys.executable} -m imuswing check {small_dataset} | true; exit ${{PIPESTATUS[0]}}"
    result = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=60, check=False)
    assert (result.returncode, result.stderr) == (0, "")


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert re.fullmatch(r"imuswing \d+\.\d+\.\d+\n", capsys.readouterr().out)


def test_the_installed_command_answers() -> None:
    program = Path(sys.executable).with_name("imuswing")
    result = subprocess.run([program, "--version"], capture_output=True, text=True, timeout=60, check=False)
    assert (result.returncode, result.stderr) == (0, "")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "COMMAND"),
        (["analyse"], "did you mean 'analyze'?"),
        (["report", "x", "--out", "y", "--for", "coahc"], "did you mean 'coach'?"),
        (["analyze", "x", "--out", "y", "--no-reprot"], "did you mean '--no-report'?"),
        (["analyze", "somewhere"], "--out"),
        (["simulate", "--out", "x", "--seed", "one"], "--seed"),
        (["check", "--loud", "x"], "--loud"),
    ],
)
def test_wrong_usage_ends_with_2(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert says in error
    assert error.count("\n") == 1, "one sentence"


@pytest.mark.parametrize("command", ["analyze", "check"])
def test_a_path_that_is_not_there_ends_with_1(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    gone, out = tmp_path / "gone", tmp_path / "results"
    status = main([command, str(gone), *(["--out", str(out)] if command == "analyze" else [])])
    printed, error = capsys.readouterr()
    assert status == 1
    assert str(gone) in printed + error
    assert "does not exist" in printed + error
    assert "Traceback" not in error
    assert not out.exists()


def test_a_folder_that_cannot_be_written_ends_with_1(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    assert main(["analyze", str(small_dataset), "--out", str(blocked)]) == 1
    error = capsys.readouterr().err
    assert error.startswith(str(blocked))
    assert error.count("\n") == 1
    assert blocked.read_text() == "no folder"


def test_results_of_a_good_recording(small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "deep" / "results"
    before = {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()}
    assert main(["analyze", str(small_dataset), "--out", str(out)]) == 0
    assert capsys.readouterr().err == ""
    assert sorted(path.name for path in out.iterdir()) == [
        "curves.parquet",
        "quality.json",
        "report.html",
        "swings.parquet",
    ]
    assert {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()} == before
    quality = json.loads((out / "quality.json").read_text(encoding="utf-8"))
    assert quality["recordings"][0]["worn"] == ["chest", "lead_forearm", "lead_hand"]
    assert pq.read_table(out / "swings.parquet").schema.equals(swing_schema(), check_metadata=False)
    for field in pq.read_schema(out / "swings.parquet"):
        if field.name in BY_NAME:
            assert (field.metadata or {})[b"unit"].decode() == BY_NAME[field.name].unit
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.lower().startswith("<!doctype html>")
    assert page.rstrip().endswith("</html>")


@pytest.mark.parametrize("good_files", [0, 1, 2, 3])
def test_a_full_disk_leaves_whole_files_only(
    good_files: int,
    small_dataset: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The disk is full when file number `good_files` is to be put in its place, after it was written beside it."""
    placed: list[str] = []

    def replace(source: Path, target: Path) -> None:
        if len(placed) == good_files:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(target))
        placed.append(Path(target).name)
        Path(source).rename(target)

    monkeypatch.setattr("os.replace", replace)
    assert main(["analyze", str(small_dataset), "--out", str(tmp_path / "results")]) == 1
    error = capsys.readouterr().err
    assert "make room and start again" in error
    assert error.count("\n") == 1
    assert sorted(path.name for path in (tmp_path / "results").iterdir()) == sorted(placed)


@pytest.mark.parametrize("command", ["analyze", "batch", "export"])
@pytest.mark.parametrize("number", [errno.ENOSPC, None])
def test_a_full_disk_names_the_folder_and_what_to_do(
    command: str,
    number: int | None,
    small_dataset: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The error is the one that pyarrow gave on a tmpfs of 100 kB; it names no file."""
    told = "Error writing bytes to file. Detail: [errno 28] No space left on device"

    def full(*_: object, **__: object) -> None:
        raise OSError(number, told) if number else OSError(told)

    monkeypatch.setattr(pq, "write_table", full)
    monkeypatch.setattr("imuswing.export.run.write_files", full)
    out = tmp_path / "results"
    options = {"batch": ["--workers", "1"], "export": ["--format", "parquet"]}.get(command, [])
    assert main([command, str(small_dataset), "--out", str(out), *options]) == 1
    assert capsys.readouterr().err == f"{out}: no space is left on the disk; make room and start again.\n"


def test_analyze_tells_problems_and_shots_that_were_not_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Tables and a quality record made up: three shots, one without a verdict; a problem and a piece of advice."""
    swings, curves, quality = lesson_tables(verdicts=["turning", "stalled", "turning"])
    swings.loc[0, "chest_verdict"] = None
    quality["recordings"][0]["warnings"] = quality.pop("warnings")
    lesson = Lesson(swings=swings, curves=curves, quality=quality)
    monkeypatch.setattr("imuswing.results.analyze_path", lambda *_, **__: (lesson, []))
    call = ["analyze", "lessons", "--out", str(tmp_path / "results")]
    assert main(call) == 0
    first, second, _ = capsys.readouterr().out.splitlines()
    assert first == (
        "Chest through the ball, 2 shots: turning in 1, slowing in 0, stalled in 1. Not judged: 1 more shot."
    )
    where = "`imuswing check lessons` or the page"
    assert second == f"The quality record tells 1 problem: {where} says which and what to do."
    assert main([*call, "--no-report"]) == 0
    assert "`imuswing check lessons` says which" in capsys.readouterr().out
    quality["recordings"][0]["warnings"].pop(0)
    assert main(call) == 0
    assert "quality record" not in capsys.readouterr().out


@pytest.mark.parametrize("command", ["analyze", "batch"])
def test_results_do_not_go_into_a_dataset(
    command: str, small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """BIDS 1.10: a folder with `dataset_description.json` is a dataset, whose root holds no tables of ours."""
    before = sorted(small_dataset.rglob("*"))
    assert main([command, str(small_dataset), "--out", str(small_dataset)]) == 2
    error = capsys.readouterr().err
    assert f"{small_dataset} is a dataset" in error
    assert error.count("\n") == 1, "one sentence"
    assert sorted(small_dataset.rglob("*")) == before


def test_no_report_leaves_the_page_out(small_dataset: Path, tmp_path: Path) -> None:
    assert main(["analyze", str(small_dataset), "--out", str(tmp_path / "r"), "--no-report"]) == 0
    assert not (tmp_path / "r" / "report.html").exists()
    assert (tmp_path / "r" / "swings.parquet").exists()


def test_the_page_is_written_in_the_language_asked_for(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "results"
    call = ["analyze", str(small_dataset), "--out", str(out), "--language"]
    assert main([*call, "xx"]) == 2
    assert "'de', 'en'" in capsys.readouterr().err
    assert not out.exists()
    assert main([*call, "de"]) == 0
    html = (out / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in html
    # Every sentence of this recording's quality record is known to the catalogue.
    assert '<span lang="en">' not in html


def test_check_says_that_a_good_recording_is_usable(small_dataset: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(small_dataset)]) == 0
    text = capsys.readouterr().out
    assert "usable" in text
    assert "NOT USABLE" not in text


def test_check_tells_a_lost_table_once_and_by_its_name(
    small_dataset: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    next(small_dataset.glob("**/*_tracksys-leadhand_motion.tsv")).unlink()
    monkeypatch.chdir(small_dataset.parent)
    assert main(["check", small_dataset.name]) == 0
    told = capsys.readouterr()
    (line,) = [line for line in (told.out + told.err).splitlines() if "is missing" in line]
    assert line.startswith("  ADVICE: sub-")


@pytest.mark.filterwarnings("ignore::imuswing.recording.read.RecordingWarning")
def test_check_tells_event_words_that_are_not_known(small_dataset: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (events,) = small_dataset.glob("**/*_tracksys-chest_events.tsv")
    head, *rest = events.read_text().splitlines()
    words = ["1\t0\tgong" + "\tn/a" * (head.count("\t") - 2), "2\t0\twarmup" + "\tn/a" * (head.count("\t") - 2)]
    events.write_text("\n".join([head, *rest, *words]) + "\n")
    assert main(["check", str(small_dataset)]) == 0
    told = [line for line in capsys.readouterr().out.splitlines() if "gong" in line]
    assert len(told) == 1
    assert told[0].startswith(f"  ADVICE: {events.name}: 2 row(s) passed over")
    assert "'gong', 'warmup'. Known are 'stand'" in told[0]


def test_check_rounds_no_loss_to_none_and_no_rate_to_the_one_asked_for() -> None:
    # 3 of 24000 are 0.0125 %, and 99.7 Hz are less than the 100 Hz that the advice asks for.
    numbers = {"rate_hz": 99.7, "samples": 24000, "lost_samples": 3, "clipped_samples": 0}
    entry = {
        "swings": {"found": 1, "shots": 1, "expected": True},
        "sensors": {"chest": numbers, "lead_hand": {**numbers, "rate_hz": 100.004, "lost_samples": 0}},
        "calibration": {"source": "this recording", "steps": {}, "axes_se_deg": {"chest": [1.0]}},
        "worn": ["chest", "lead_hand"],
        "warnings": [],
    }
    lines = in_words("motion.tsv", entry)
    assert "  chest: 99.7 Hz, under 0.1 % lost" in lines
    assert "  lead hand: 100 Hz, 0.0 % lost" in lines


def test_a_recording_says_itself_that_the_routine_it_needs_cannot_be_read(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (events,) = small_dataset.glob("**/*_events.tsv")
    for file in events.parent.glob("*_task-chip_*"):
        later = file.with_name(file.name.replace("_task-chip_", "_task-full_"))
        later.write_bytes(file.read_bytes())
    kept = [line for line in events.read_text().splitlines() if "shot" in line or "onset" in line]
    later = events.with_name(events.name.replace("_task-chip_", "_task-full_"))
    later.write_text("\n".join([*kept, ""]))
    events.write_text(events.read_text().replace("\n", "\nx", 1))
    assert main(["check", str(later.with_name(later.name.replace("events", "motion")))]) == 1
    told = capsys.readouterr().out
    assert told.startswith("NOT USABLE")
    assert "_task-full_tracksys-chest_motion.tsv: has no routine of its own" in told
    assert "_task-chip_tracksys-chest_events.tsv: line 2" in told
