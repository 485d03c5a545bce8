"""`imuswing mark`: what it shows, what it writes, that the samples stay and the analysis follows."""

from __future__ import annotations

import builtins
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

import imuswing
from imuswing.cli import main
from imuswing.commands import mark
from imuswing.recording.find import find_recordings
from imuswing.recording.tables import read_table

PROGRAM = Path(sys.executable).with_name("bids-validator-deno")


def errors_of(root: Path) -> list[str]:
    """The official validator's errors (bids-validator-deno, BIDS 1.10)."""
    if not PROGRAM.exists():
        pytest.skip("bids-validator-deno is not installed (pip install .[test])")
    command = [PROGRAM, root, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    return [i["code"] for i in json.loads(result.stdout)["issues"]["issues"] if i["severity"] == "error"]


def swings_of(root: Path) -> pd.DataFrame:
    return imuswing.analyze(imuswing.read(find_recordings(root)[0])).swings


def events_of(root: Path) -> list[dict[str, str]]:
    return read_table(next(root.rglob("*_events.tsv")), needed=("onset",), missing_do="")


def samples_of(root: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in root.rglob("*") if path.is_file() and "_events" not in path.name}


def list_of(root: Path, capsys: pytest.CaptureFixture[str]) -> list[list[str]]:
    """The printed list, by line its words."""
    capsys.readouterr()
    assert main(["mark", str(root)]) == 0
    return [line.split() for line in capsys.readouterr().out.splitlines()[2:]]


def number_of(printed: list[list[str]], *words: str) -> str:
    return next(line[0] for line in printed if all(word in line for word in words))


def test_it_shows_what_is_marked_and_found_and_changes_nothing(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()}
    printed = list_of(small_dataset, capsys)
    assert [line[0] for line in printed] == [str(number) for number in range(1, len(printed) + 1)]
    times = [float(line[1]) for line in printed]
    assert times == sorted(times)
    kinds = [line[3] if ":" in line[2] else line[4] for line in printed]
    assert kinds.count("swing") == len(swings_of(small_dataset))
    assert {"bow", "block"} <= set(kinds)
    assert {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()} == before


def test_a_deleted_swing_is_not_found_again_until_it_is_undone(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    samples, before = samples_of(small_dataset), swings_of(small_dataset)
    kept = events_of(small_dataset)
    number = number_of(list_of(small_dataset, capsys), "swing", "1:")
    assert main(["mark", str(small_dataset), "--delete", number]) == 0
    after = swings_of(small_dataset)
    assert len(after) == len(before) - 1
    assert after["swing"].tolist() == list(range(1, len(after) + 1))
    pd.testing.assert_series_equal(after["impact_s"], before["impact_s"][1:].reset_index(drop=True))
    pd.testing.assert_series_equal(after["tempo_ratio"], before["tempo_ratio"][1:].reset_index(drop=True))
    assert samples_of(small_dataset) == samples
    assert errors_of(small_dataset) == []
    number = number_of(list_of(small_dataset, capsys), "correction", "no", "swing")
    assert main(["mark", str(small_dataset), "--delete", number]) == 0
    assert swings_of(small_dataset)["impact_s"].tolist() == before["impact_s"].tolist()
    others = [row for row in kept if row["trial_type"] != "shot"]
    assert [row for row in events_of(small_dataset) if row["trial_type"] != "shot"] == others


def test_a_mark_that_stands_twice_is_shown_and_written_once(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, listed = events_of(small_dataset), list_of(small_dataset, capsys)
    file = next(small_dataset.rglob("*_events.tsv"))
    lines = file.read_text(encoding="utf-8").splitlines()
    row = next(line for line in lines if "\tbow\t" in line)
    onset, _, rest = row.partition("\t")
    file.write_text("\n".join([*lines, f"{float(onset) + 0.1:.3f}\t{rest}", ""]), encoding="utf-8")
    assert list_of(small_dataset, capsys) == listed
    number = number_of(listed, "bow")
    assert main(["mark", str(small_dataset), "--note", f"{number}=slowly"]) == 0
    assert [row["onset"] for row in events_of(small_dataset)] == [row["onset"] for row in before]


def test_an_outcome_that_is_nearly_a_usual_word_is_kept_and_told(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    number = number_of(list_of(small_dataset, capsys), "swing", "1:")
    assert main(["mark", str(small_dataset), "--outcome", f"{number}=thinn"]) == 0
    assert "'thinn' is kept as its own word; note it again if 'thin' was meant" in capsys.readouterr().out
    assert "thinn" in [row["outcome"] for row in events_of(small_dataset)]
    # Words are free: one that is like no other is no mistake, nor is a usual one.
    for word in ("off the cart path", "Thin", "thin"):
        assert main(["mark", str(small_dataset), "--outcome", f"{number}={word}"]) == 0
        assert "own word" not in capsys.readouterr().out


def test_measures_follow_an_impact_that_was_moved(small_dataset: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = swings_of(small_dataset)
    row = before[before["kind"] == "shot"].iloc[0]
    number = number_of(list_of(small_dataset, capsys), "swing", f"{row['swing']}:")
    moved = round(float(row["impact_s"]) + 0.030, 3)
    assert main(["mark", str(small_dataset), "--move", f"{number}={moved}"]) == 0
    after = swings_of(small_dataset).iloc[int(row["swing"]) - 1]
    assert after["impact_s"] == pytest.approx(moved, abs=1e-9)
    assert after["downswing_s"] == pytest.approx(row["downswing_s"] + moved - row["impact_s"], abs=1e-6)
    assert after["impact_s_se"] == pytest.approx(0.010)
    assert "impact_by_hand" in after["flags"]
    assert errors_of(small_dataset) == []


def test_outcome_block_and_kind_reach_the_table(small_dataset: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shots = swings_of(small_dataset)
    shots = shots[shots["kind"] == "shot"]
    printed = list_of(small_dataset, capsys)
    first, last = (number_of(printed, "swing", f"{shots['swing'].iloc[k]}:") for k in (0, -1))
    block = [word for line in printed if "block" in line for word in ("--delete", line[0])]
    impact = shots["impact_s"].iloc[0]
    span = f"mine@{impact - 3:.3f}-{impact + 3:.3f}=slow back"
    change = ["--outcome", f"{first}=fat", "--kind", f"{last}=practice", "--block", span]
    assert main(["mark", str(small_dataset), *block, *change]) == 0
    after = swings_of(small_dataset)
    row = after.iloc[int(shots["swing"].iloc[0]) - 1]
    assert (row["outcome"], row["block"], row["intent"]) == ("fat", "mine", "slow back")
    row = after.iloc[int(shots["swing"].iloc[-1]) - 1]
    assert row["kind"] == "practice"
    assert "kind_by_hand" in row["flags"]
    assert errors_of(small_dataset) == []


@pytest.mark.filterwarnings("ignore::imuswing.recording.read.RecordingWarning")
def test_a_recording_without_events_can_be_marked(small_dataset: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was found is kept as marked; what others wrote into the events file stays."""
    for path in small_dataset.rglob("*_events.*"):
        path.unlink()
    printed = list_of(small_dataset, capsys)
    found = [line for line in printed if line[-1] == "found" and "swing" not in line]
    assert found
    assert main(["mark", str(small_dataset), *(word for line in found for word in ("--keep", line[0]))]) == 0
    assert sorted(row["trial_type"] for row in events_of(small_dataset)) == sorted(line[4] for line in found)
    assert errors_of(small_dataset) == []
    table = next(small_dataset.rglob("*_events.tsv"))
    table.write_text(table.read_text() + "200.0\t1.0\tlightning\n")
    assert main(["mark", str(small_dataset), "--tap", "1.5"]) == 0
    assert "lightning" in [row["trial_type"] for row in events_of(small_dataset)]


def test_a_step_that_was_wrongly_found_is_not_found_again(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in small_dataset.rglob("*_events.*"):
        path.unlink()
    number = number_of(list_of(small_dataset, capsys), "bow", "found")
    assert main(["mark", str(small_dataset), "--delete", number]) == 0
    quality = imuswing.analyze(imuswing.read(find_recordings(small_dataset)[0])).quality
    steps = quality["recordings"][0]["calibration"]["steps"]
    assert not steps.get("bow", {}).get("found", False)


def test_a_correction_that_fits_nothing_is_told(small_dataset: Path) -> None:
    assert main(["mark", str(small_dataset), "--impact", "0.5"]) == 0
    quality = imuswing.analyze(imuswing.read(find_recordings(small_dataset)[0])).quality
    assert any("0.500 s fits no movement" in warning["text"] for warning in quality["recordings"][0]["warnings"])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (["--delete", "99"], "no line '99'"),
        (["--step", "hop@1+2"], "'bow'"),
        (["--shot", "99:00"], "the recording ends"),
    ],
)
def test_a_wrong_change_writes_nothing(
    change: list[str], says: str, small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()}
    assert main(["mark", str(small_dataset), "--tap", "1.5", *change]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()} == before


def test_a_recording_that_cannot_be_analyzed_still_shows_its_marks(
    small_dataset: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in small_dataset.rglob("*_motion.tsv"):
        path.write_text("".join(path.read_text().splitlines(keepends=True)[:200]))
    assert main(["mark", str(small_dataset)]) == 0
    out = capsys.readouterr().out
    assert "marked" in out
    assert "swings were not looked for: " in out
    assert "lasts only" in out


def test_at_a_terminal_changes_are_typed(
    small_dataset: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed: Iterator[str] = iter(["help", "dance", "tap 1.5", "save"])
    monkeypatch.setattr(mark, "_asks", lambda: True)
    monkeypatch.setattr(builtins, "input", lambda prompt="": next(typed))
    assert main(["mark", str(small_dataset)]) == 0
    out = capsys.readouterr().out
    assert "1 to save" in out
    assert "'delete'" in out
    assert {"onset": "1.5", "trial_type": "tap"}.items() <= next(
        row for row in events_of(small_dataset) if row["onset"] == "1.5"
    ).items()


def test_at_a_terminal_quit_writes_nothing(small_dataset: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()}
    typed: Iterator[str] = iter(["tap 1.5", "quit"])
    monkeypatch.setattr(mark, "_asks", lambda: True)
    monkeypatch.setattr(builtins, "input", lambda prompt="": next(typed))
    assert main(["mark", str(small_dataset)]) == 0
    assert {path: path.read_bytes() for path in small_dataset.rglob("*") if path.is_file()} == before


def test_help_and_verbs_agree() -> None:
    from imuswing.marking.edits import VERBS

    assert [verb for verb, _, _ in mark.EDITS] == list(VERBS)


def test_corrections_saved_from_a_page_are_applied_by_time_and_the_measures_follow(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The lines are those that the coach's page writes (tests/browser holds that)."""
    before = swings_of(small_dataset)
    shots = before[before["kind"] == "shot"].reset_index(drop=True)
    first, second, third = (float(shots["impact_s"][k]) for k in range(3))
    start, end = float(shots["takeaway_s"][1]) - 0.5, float(shots["finish_s"][1])
    name = find_recordings(small_dataset)[0].name
    sheet = tmp_path / "corrections.txt"
    sheet.write_text(
        f"# by the coach\n{name}\noutcome @{first:.3f}=fat\nblock mine@{start:.3f}-{end:.3f}=slow back\n"
        f"move @{second:.3f}={second + 0.02:.3f}\n\ndelete @{third:.3f}\n",
        encoding="utf-8",
    )
    samples = samples_of(small_dataset)
    assert main(["mark", str(small_dataset), "--apply", str(sheet)]) == 0
    assert "analyze the recording again" in capsys.readouterr().out
    after = swings_of(small_dataset)
    assert len(after) == len(before) - 1
    # A fat shot met the ground first, and the ball up to 35 ms later: its impact may be placed anew.
    fat = after[(after["impact_s"] - first).abs() < 0.036].iloc[0]
    assert fat["outcome"] == "fat"
    moved = after[(after["impact_s"] - second - 0.02).abs() < 6e-4].iloc[0]
    assert (moved["block"], moved["intent"]) == ("mine", "slow back")
    assert "impact_by_hand" in moved["flags"]
    assert not ((after["impact_s"] - third).abs() < 1.0).any()
    assert samples_of(small_dataset) == samples
    assert errors_of(small_dataset) == []


@pytest.mark.parametrize(
    ("lines", "status", "said"),
    [
        ("{name}\noutcome @3.0=fat\n", 2, "no swing has its impact at 3.000 s"),
        ("{name}\nremove @3.0\n", 1, "line 2 begins with 'remove'; begin it with step"),
        ("sub-X9_ses-01_task-chip_tracksys-chest_motion.tsv\ndelete @3.0\n", 1, "0 recordings here fit that"),
        ("# nothing\n", 1, "holds no correction"),
        ("rename @0.0=drill\n", 2, "no block has begun by 0.000 s"),
        ("delete @3.0-4.0\n", 2, "has an end"),
    ],
)
def test_a_sheet_that_does_not_fit_is_told_and_nothing_is_written(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], lines: str, status: int, said: str
) -> None:
    before = events_of(small_dataset)
    sheet = tmp_path / "corrections.txt"
    sheet.write_text(lines.format(name=find_recordings(small_dataset)[0].name), encoding="utf-8")
    assert main(["mark", str(small_dataset), "--apply", str(sheet)]) == status
    assert said in capsys.readouterr().err
    assert main(["mark", str(small_dataset), "--apply", str(sheet), "--tap", "3"]) == 2
    assert main(["mark", str(small_dataset), "--apply", str(tmp_path / "missing.txt")]) == 1
    assert events_of(small_dataset) == before


def test_a_block_is_renamed_by_a_time_within_it(small_dataset: Path) -> None:
    blocks = [row for row in events_of(small_dataset) if row["trial_type"] == "block"]
    inside = float(blocks[0]["onset"]) + 1.0
    assert main(["mark", str(small_dataset), "--rename", f"@{inside}=warm-up", "--intent", f"@{inside}=easy"]) == 0
    (row,) = [row for row in events_of(small_dataset) if row["block"] == "warm-up"]
    assert (row["onset"], row["intent"]) == (blocks[0]["onset"], "easy")


def test_a_word_that_is_not_known_is_told_once_a_command(small_dataset: Path) -> None:
    """The recording is read before and after a change."""
    (events,) = small_dataset.glob("**/*_tracksys-chest_events.tsv")
    columns = events.read_text().splitlines()[0].count("\t") + 1
    events.write_text(events.read_text() + "\t".join(["1", "0", "gong", *["n/a"] * (columns - 3)]) + "\n")
    command = [sys.executable, "-m", "imuswing", "mark", str(small_dataset), "--tap", "3"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    assert result.stderr.count("'gong'") == 1
    assert "gong" in events.read_text()
