"""`imuswing new`: consent before anything is written, a valid dataset after every call, a plan that reads back."""

from __future__ import annotations

import builtins
import json
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from results_for_tests import two_visits

from imuswing.cli import main
from imuswing.commands import new
from imuswing.plan.files import read_plan
from imuswing.plan.model import plan_data
from imuswing.recording.tables import read_table
from imuswing.report.plan_view import plan_view
from imuswing.report.student_page import render_student

PROGRAM = Path(sys.executable).with_name("bids-validator-deno")
FIRST = ["--participant", "S001", "--lead-side", "left"]


def errors_of(root: Path) -> list[str]:
    """The official validator's errors (bids-validator-deno, BIDS 1.10)."""
    if not PROGRAM.exists():
        pytest.skip("bids-validator-deno is not installed (pip install .[test])")
    command = [PROGRAM, root, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    return [i["code"] for i in json.loads(result.stdout)["issues"]["issues"] if i["severity"] == "error"]


def row_of(root: Path, label: str) -> dict[str, str]:
    rows = read_table(root / "participants.tsv", needed=("participant_id",), missing_do="")
    return next(row for row in rows if row["participant_id"] == f"sub-{label}")


@pytest.fixture
def at_terminal(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Answers that somebody types, in order."""

    def answer(*answers: str) -> None:
        lines: Iterator[str] = iter(answers)
        monkeypatch.setattr(new, "_asks", lambda: True)
        monkeypatch.setattr(builtins, "input", lambda prompt="": next(lines))

    return answer


def test_a_dataset_is_started_with_consent_and_a_plan(tmp_path: Path) -> None:
    root = tmp_path / "lessons"
    goals = ["chest_continuity over 0.6 in 8 of 10 chip", "arm height at the top under 40"]
    options = [word for goal in goals for word in ("--goal", goal)]
    assert main(["new", str(root), *FIRST, "--consent", "yes", *options, "--practice", "step_through"]) == 0
    assert errors_of(root) == []
    row = row_of(root, "S001")
    assert (row["lead_side"], row["consent"], row["guardian_consent"]) == ("left", "yes", "n/a")
    assert len(row["consent_date"]) == len("2026-05-01")
    plan = read_plan(root / "plans" / "sub-S001.toml")
    assert [(goal.measure, goal.low, goal.high, goal.needed, goal.of, goal.task) for goal in plan.goals] == [
        ("chest_continuity", 0.6, None, 8, 10, "chip"),
        ("arm_height_top_deg", None, 40.0, None, None, None),
    ]
    assert [task.name for task in plan.tasks] == ["step_through"]


def test_a_second_student_and_a_minor(tmp_path: Path) -> None:
    root = tmp_path / "lessons"
    assert main(["new", str(root), *FIRST, "--consent", "yes"]) == 0
    second = ["--participant", "sub-S002", "--lead-side", "right", "--consent", "yes", "--guardian", "yes"]
    assert main(["new", str(root), *second]) == 0
    assert errors_of(root) == []
    assert row_of(root, "S002")["guardian_consent"] == "yes"
    assert row_of(root, "S001")["guardian_consent"] == "n/a"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ([], "--consent yes"),
        (["--consent", "no"], "without consent nobody is recorded"),
        (["--consent", "yes", "--minor"], "--guardian yes"),
        (["--consent", "yes", "--goal", "tempo_rato over 3"], "tempo_ratio"),
        (["--consent", "yes", "--goal", "tempo_ratio is good"], "MEASURE over NUMBER"),
        (["--consent", "yes", "--goal", "tempo_ratio between 3 and 2"], "low must be under high"),
        (["--consent", "yes", "--goal", "tempo_ratio over 3 in 11 of 10"], "from 1 to of"),
        (["--consent", "yes", "--practice", "handstand"], "step_through"),
        (["--consent", "yes", "--drop-goal", "tempo_ratio"], "--drop-goal"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(
    options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "lessons"), *FIRST, *options]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert not (tmp_path / "lessons").exists()


def test_a_label_that_leads_out_of_the_dataset_is_refused(tmp_path: Path) -> None:
    call = ["new", str(tmp_path / "a"), "--participant", "../x", "--lead-side", "left", "--consent", "yes"]
    assert main(call) == 2
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_other_files_is_no_place_for_a_dataset(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "photo.jpg").write_bytes(b"")
    assert main(["new", str(tmp_path), *FIRST, "--consent", "yes"]) == 1
    assert "photo.jpg" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["photo.jpg"]


def test_the_other_lead_side_is_a_contradiction(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "a"), *FIRST, "--consent", "yes"]) == 0
    assert main(["new", str(tmp_path / "a"), "--participant", "S001", "--lead-side", "right"]) == 2
    assert "leads with the left side" in capsys.readouterr().err


def test_later_calls_change_the_plan_and_ask_for_no_consent_again(tmp_path: Path) -> None:
    call = ["new", str(tmp_path / "a"), *FIRST]
    assert main([*call, "--consent", "yes", "--goal", "tempo_ratio over 2", "--practice", "count_of_four"]) == 0
    before = (tmp_path / "a" / "participants.tsv").read_bytes()
    assert main([*call, "--goal", "tempo_ratio between 2.7 and 3.3", "--note", "one", "--next-test", "2026-05-20"]) == 0
    assert main([*call, "--note", "two", "--drop-practice", "count_of_four"]) == 0
    assert (tmp_path / "a" / "participants.tsv").read_bytes() == before
    plan = read_plan(tmp_path / "a" / "plans" / "sub-S001.toml")
    assert [(goal.low, goal.high) for goal in plan.goals] == [(2.7, 3.3)]
    assert (plan.notes, plan.next_test, plan.tasks) == (("one", "two"), "2026-05-20", ())


def test_a_task_named_again_keeps_how_often_it_was_agreed(tmp_path: Path) -> None:
    call = ["new", str(tmp_path / "a"), *FIRST, "--consent", "yes", "--practice", "count_of_four"]

    def often(*options: str) -> str | None:
        assert main([*call, *options]) == 0
        return read_plan(tmp_path / "a" / "plans" / "sub-S001.toml").tasks[0].often

    usual = often()
    german = often("--language", "de")
    assert german != usual
    assert often() == usual
    assert often("--often", "on Mondays") == "on Mondays"
    assert often() == "on Mondays"
    assert often("--language", "de") == "on Mondays"
    assert often("--often", "daily") == "daily"


def test_a_next_test_in_the_past_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    today = datetime.now().astimezone().date()
    for days, past in ((-1, True), (0, False), (1, False)):
        day = (today + timedelta(days=days)).isoformat()
        assert main(["new", str(tmp_path / "a"), *FIRST, "--consent", "yes", "--next-test", day]) == 0
        line = next(line for line in capsys.readouterr().out.splitlines() if "next test" in line)
        assert day in line
        assert ("is in the past; set another day with --next-test" in line) is past


@pytest.mark.parametrize("text", ["1.6.2026", "2026-13-01", "2026-02-30", "20260601", "June", "2026-6-1"])
def test_a_next_test_is_a_day_as_iso_8601_writes_it(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """ISO 8601-1:2019, extended format YYYY-MM-DD (from memory)."""
    root = tmp_path / "lessons"
    assert main(["new", str(root), *FIRST, "--consent", "yes", "--next-test", text]) == 2
    error = capsys.readouterr().err
    assert f"--next-test is {text!r}" in error
    assert "year-month-day" in error
    assert not root.exists()


def test_a_student_whose_recordings_were_there_first_is_asked(small_dataset: Path) -> None:
    """Imported recordings carry no consent: it is noted, and other cells of the row stay."""
    table = small_dataset / "participants.tsv"
    label = next(small_dataset.glob("sub-*")).name.removeprefix("sub-")
    side = row_of(small_dataset, label)["lead_side"]
    call = ["new", str(small_dataset), "--participant", label, "--lead-side", side]
    before = table.read_bytes()
    assert main(call) == 2
    assert table.read_bytes() == before
    assert main([*call, "--consent", "yes"]) == 0
    assert row_of(small_dataset, label)["consent"] == "yes"
    assert errors_of(small_dataset) == []


def test_at_a_terminal_it_asks(tmp_path: Path, at_terminal: Callable[..., None]) -> None:
    at_terminal("yes", "yes", "y", "tempo between", "tempo_ratio over 2", "", "handstand", "count_of_four", "")
    assert main(["new", str(tmp_path / "a"), *FIRST]) == 0
    assert row_of(tmp_path / "a", "S001")["guardian_consent"] == "yes"
    plan = read_plan(tmp_path / "a" / "plans" / "sub-S001.toml")
    assert [goal.measure for goal in plan.goals] == ["tempo_ratio"]
    assert [task.name for task in plan.tasks] == ["count_of_four"]


@pytest.mark.parametrize("answers", [("no",), ("yes", "yes", "no")])
def test_a_no_at_the_terminal_writes_nothing(
    answers: tuple[str, ...], tmp_path: Path, at_terminal: Callable[..., None]
) -> None:
    at_terminal(*answers)
    assert main(["new", str(tmp_path / "a"), *FIRST]) == 2
    assert not (tmp_path / "a").exists()


def test_the_pages_read_the_plan_as_it_stands(tmp_path: Path) -> None:
    """The pages take the file as plain data: what they show of it is all there."""
    call = ["new", str(tmp_path / "a"), *FIRST, "--consent", "yes", "--work-on", "turn on", "--note", "well done"]
    assert main([*call, "--goal", "chest_continuity over 0.6 in 8 of 10", "--practice", "feet_together"]) == 0
    data = tomllib.loads((tmp_path / "a" / "plans" / "sub-S001.toml").read_text(encoding="utf-8"))
    view = plan_view(data)
    assert (view.work_on, view.notes) == ("turn on", ("well done",))
    assert (view.goals[0].low, view.goals[0].needed, view.goals[0].of) == (0.6, 8, 10)
    assert view.tasks[0].title == "Feet together"
    assert all(getattr(view.tasks[0], part) for part in ("purpose", "set_up", "how", "mistake", "shows", "caution"))


@pytest.mark.parametrize("label", ["S001", "S002"])
@pytest.mark.parametrize("step", ["add_participant", "mkdir"])
def test_an_interruption_leaves_a_valid_dataset(
    label: str, step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first student's folder comes before the table, a later one's after it: BIDS compares the two."""
    root = tmp_path / "a"
    if label == "S002":
        assert main(["new", str(root), *FIRST, "--consent", "yes"]) == 0
    call = ["new", str(root), "--participant", label, "--lead-side", "left", "--consent", "yes"]

    def stop(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", str(root))

    with monkeypatch.context() as patch:
        if step == "mkdir":
            patch.setattr("imuswing.plan.students._make_folder", stop)
        else:
            patch.setattr("imuswing.plan.students.add_participant", stop)
        assert main(call) == 1
    assert errors_of(root) == []
    assert main(call) == 0
    assert errors_of(root) == []
    assert row_of(root, label)["consent"] == "yes"


def test_the_student_reads_a_note_word_for_word_as_the_help_says(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    note = "Well done: your last chips sounded right"
    assert main(["new", str(tmp_path / "a"), *FIRST, "--consent", "yes", "--note", note]) == 0
    plan = plan_data(read_plan(tmp_path / "a" / "plans" / "sub-S001.toml"))
    assert f"<p>{note}</p>" in render_student(two_visits(), plan=plan)
    capsys.readouterr()
    with pytest.raises(SystemExit):
        main(["new", "--help"])
    assert "which the student reads word for word" in " ".join(capsys.readouterr().out.split())


def test_the_plan_by_hand_in_the_documentation_reads(tmp_path: Path) -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "students_and_plans.md").read_text(encoding="utf-8")
    path = tmp_path / "sub-S001.toml"
    path.write_text(page.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    plan = read_plan(path)
    assert [goal.words for goal in plan.goals] == ["your shirt turns on until the ball has landed"]
    assert [task.title for task in plan.tasks] == ["Turn past the flag", "Putting with closed eyes"]
    assert plan.next_test == "2026-06-01"


def test_the_practice_set_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["new", "--practice-set"])
    assert ended.value.code == 0
    assert "step_through: " in capsys.readouterr().out


def test_a_students_lead_side_is_asked_for_once_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["new", str(tmp_path / "a"), "--participant", "S001"]
    assert main([*call, "--consent", "yes"]) == 2
    assert "sub-S001 is new here; add --lead-side left" in capsys.readouterr().err
    assert not (tmp_path / "a").exists()
    assert main(["new", str(tmp_path / "a"), *FIRST, "--consent", "yes"]) == 0
    assert main([*call, "--work-on", "keep turning"]) == 0
    assert read_plan(tmp_path / "a" / "plans" / "sub-S001.toml").work_on == "keep turning"
    assert row_of(tmp_path / "a", "S001")["lead_side"] == "left"


def test_an_input_that_ends_early_is_told_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def ended(_: str) -> str:
        raise EOFError

    monkeypatch.setattr(new, "_asks", lambda: True)
    monkeypatch.setattr("builtins.input", ended)
    assert main(["new", str(tmp_path / "a"), *FIRST]) == 2
    assert "the input ended before all was answered; nothing was written" in capsys.readouterr().err
    assert not (tmp_path / "a").exists()


def test_a_reader_of_the_practice_set_may_stop_early() -> None:
    code = "import sys; from imuswing.cli import main; sys.exit(main(['new', '--practice-set']))"
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.readline()
    child.stdout.close()
    assert child.stderr.read() == ""
    child.stderr.close()
    assert child.wait(30) == 0


def test_tasks_can_be_given_in_german(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["new", str(tmp_path / "a"), *FIRST, "--consent", "yes", "--practice", "feet_together"]
    assert main([*call, "--language", "xx"]) == 2
    assert "'en', 'de'" in capsys.readouterr().err
    assert not (tmp_path / "a").exists()
    assert main([*call, "--language", "de"]) == 0
    (task,) = read_plan(tmp_path / "a" / "plans" / "sub-S001.toml").tasks
    assert task.title == "Füße zusammen"
    with pytest.raises(SystemExit):
        main(["new", "--language", "de", "--practice-set"])
    assert "Füße zusammen" in capsys.readouterr().out
