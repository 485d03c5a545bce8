"""`imuswing batch`: same rows for any number of workers, only new or changed work, every failure told.

What is expected is the contract of the command (issue "batch and speed"); readers are pandas, pyarrow and DuckDB.
"""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pyarrow.dataset
import pytest
from batch_for_tests import KEYS, assert_same, tables, write_dataset

from imuswing.cli import main
from imuswing.measures.dictionary import SCHEMA_VERSION
from imuswing.recording.find import find_recordings
from imuswing.recording.write import start_dataset, write_recording
from imuswing.simulate import simulate_recording


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A dataset of four recordings and its results by one worker; not to be changed."""
    folder = tmp_path_factory.mktemp("batch")
    dataset = write_dataset(folder / "dataset", students=4)
    assert main(["batch", str(dataset), "--out", str(folder / "one"), "--workers", "1"]) == 0
    return folder


@pytest.fixture
def mine(made: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    shutil.copytree(made, tmp_path / "mine")
    return tmp_path / "mine"


def run(folder: Path, out: str, *arguments: str) -> int:
    return main(["batch", str(folder / "dataset"), "--out", str(folder / out), *arguments])


def modified(out: Path) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in (out / "ledger").glob("*.json")}


def test_two_workers_give_the_rows_of_one_to_the_bit(mine: Path) -> None:
    assert run(mine, "two", "--workers", "2") == 0
    assert_same(mine / "one", mine / "two")


def test_rows_are_the_same_to_the_bit_however_they_are_shared_out_and_resumed(mine: Path) -> None:
    assert run(mine, "parts", "--workers", "1", "--include", "*sub-S0[13]*", "--batch-size", "1") == 0
    assert run(mine, "parts", "--workers", "2", "--batch-size", "3") == 0
    assert_same(mine / "one", mine / "parts")
    assert run(mine, "parts", "--batch-size", "0") == 2


def test_a_second_run_has_nothing_to_do(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = modified(mine / "one")
    assert run(mine, "one", "--workers", "1") == 0
    assert "4 done already, 0 to do" in capsys.readouterr().out
    assert modified(mine / "one") == before


def test_relative_paths_are_the_same_dataset(
    mine: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(mine)
    assert main(["batch", "dataset", "--out", "relative", "--workers", "1"]) == 0
    assert_same(mine / "one", mine / "relative")
    capsys.readouterr()
    assert run(mine, "relative", "--dry-run") == 0
    assert "4 done already, 0 to do" in capsys.readouterr().out


def test_only_a_changed_recording_is_done_again(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = modified(mine / "one")
    first = find_recordings(mine / "dataset")[1]
    lines = first.read_text().splitlines(keepends=True)
    first.write_text("".join(lines[:-1]))
    assert run(mine, "one", "--workers", "1") == 0
    assert "3 done already, 1 to do" in capsys.readouterr().out
    after = modified(mine / "one")
    assert sum(after[name] != before[name] for name in before) == 1
    assert run(mine, "anew", "--workers", "1") == 0
    assert_same(mine / "one", mine / "anew")


def test_a_touched_recording_with_the_same_content_is_kept(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.utime(find_recordings(mine / "dataset")[0])
    assert run(mine, "one", "--dry-run") == 0
    assert "4 done already, 0 to do" in capsys.readouterr().out


def test_dry_run_writes_nothing(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(mine, "none", "--dry-run") == 0
    assert "4 to do" in capsys.readouterr().out
    assert not (mine / "none").exists()


def test_include_and_exclude_choose_by_path(mine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(mine, "part", "--workers", "1", "--include", "*sub-S0[0-2]*", "--exclude", "*sub-S01*") == 0
    assert "2 recordings" in capsys.readouterr().out
    assert set(tables(mine / "part")[0]["participant"]) == {"S00", "S02"}


def test_a_recording_that_cannot_be_used_is_listed_and_costs_only_itself(mine: Path) -> None:
    bad = find_recordings(mine / "dataset")[2]
    bad.write_text("not\ta\tnumber\n")
    assert run(mine, "one", "--workers", "1") == 3
    failures = pd.read_csv(mine / "one" / "failures.tsv", sep="\t")
    assert list(failures["recording"]) == [bad.relative_to(mine / "dataset").as_posix()]
    assert bad.name in failures["reason"][0]
    assert set(tables(mine / "one")[0]["participant"]) == {"S00", "S01", "S03"}


@pytest.mark.parametrize(("most", "rest"), [(10, 0), (1, 2)])
def test_failures_are_told_on_standard_error_but_not_all_of_many(
    mine: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], most: int, rest: int
) -> None:
    """docs/results.md, exit status 3."""
    monkeypatch.setattr("imuswing.commands.batch.MOST_TOLD", most)
    bad = find_recordings(mine / "dataset")[:3]
    for path in bad:
        path.write_text("not\ta\tnumber\n")
    assert run(mine, "one", "--workers", "1") == 3
    told = capsys.readouterr().err.splitlines()
    for path, line in zip(bad, told[: 3 - rest], strict=False):
        assert path.name in line
    table = mine / "one" / "failures.tsv"
    assert told[3 - rest :] == ([f"and {rest} more: {table}"] if rest else [])


def test_a_fault_of_the_program_in_one_recording_costs_only_that_one(
    mine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from imuswing.batch import work

    def faulty(recording, **settings):  # type: ignore[no-untyped-def]
        if recording.participant == "S01":
            raise ZeroDivisionError("made by a test")
        return genuine(recording, **settings)

    genuine = work.analyze
    monkeypatch.setattr(work, "analyze", faulty)
    assert run(mine, "faulty", "--workers", "1") == 3
    assert "please report this" in (mine / "faulty" / "failures.tsv").read_text()
    assert set(tables(mine / "faulty")[0]["participant"]) == {"S00", "S02", "S03"}


def test_wrong_usage_and_an_empty_choice_have_their_statuses(mine: Path) -> None:
    assert run(mine, "none", "--workers", "0") == 2
    assert run(mine, "none", "--include", "nothing*") == 1


@pytest.mark.parametrize("table", ["swings", "curves"])
def test_pandas_arrow_and_duckdb_read_each_folder_as_one_table(made: Path, table: str) -> None:
    folder = made / "one" / table
    rows = sum(len(pd.read_parquet(path)) for path in folder.glob("*.parquet"))
    assert len(list(folder.glob("*.parquet"))) > 1
    assert rows > 0
    assert len(pd.read_parquet(folder)) == rows
    assert pyarrow.dataset.dataset(folder, format="parquet").count_rows() == rows
    duckdb = pytest.importorskip("duckdb", reason="DuckDB is not installed")
    assert duckdb.sql(f"select count(*) from '{folder}/*.parquet'").fetchall() == [(rows,)]
    told = duckdb.sql(f"select * from '{folder}/*.parquet'").fetchall()
    expected = [tuple(row.values()) for row in pyarrow.dataset.dataset(folder, format="parquet").to_table().to_pylist()]
    assert sorted(told, key=repr) == sorted(expected, key=repr)


def test_every_file_tells_the_version_of_its_tables(made: Path) -> None:
    duckdb = pytest.importorskip("duckdb", reason="DuckDB is not installed")
    told = json.loads((made / "one" / "provenance.json").read_text())
    for table in ("swings", "curves"):
        files = f"'{made / 'one' / table}/*.parquet'"
        rows = duckdb.sql(f"select key, value from parquet_kv_metadata({files})").fetchall()
        versions = {bytes(value).decode() for key, value in rows if bytes(key) == b"imuswing_schema"}
        assert versions == {told["schema"]} == {SCHEMA_VERSION}


def test_another_version_of_the_tables_does_all_anew(
    mine: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("imuswing.batch.run.SCHEMA_VERSION", "another")
    assert run(mine, "one", "--dry-run") == 0
    assert "0 done already, 4 to do" in capsys.readouterr().out


def test_orientations_are_a_table_too_where_they_are_asked_for(
    mine: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = find_recordings(mine / "dataset")[2]
    bad.write_text("not\ta\tnumber\n")
    assert run(mine, "turned", "--workers", "2", "--orientations") == 3
    folder = mine / "turned" / "orientations"
    turned, swings = pd.read_parquet(folder), pd.read_parquet(mine / "turned" / "swings")
    assert set(turned["participant"]) == {"S00", "S01", "S03"}
    assert len(turned.groupby(["participant", "swing"])) == len(swings)
    codebook = pd.read_csv(mine / "turned" / "codebook.tsv", sep="\t")
    assert set(turned.columns) == set(codebook.loc[codebook["table"] == "orientations", "column"])
    assert main(["export", str(mine / "turned"), "--format", "sto", "--out", str(tmp_path / "sto")]) == 0
    assert len(list((tmp_path / "sto").glob("*swing-*.sto"))) == len(swings)
    capsys.readouterr()
    assert run(mine, "turned", "--dry-run") == 0
    assert "0 done already" in capsys.readouterr().out
    assert run(mine, "turned", "--workers", "1") == 3
    assert not list(folder.glob("*.parquet"))


def test_the_codebook_tells_every_numeric_column_and_its_unit(made: Path) -> None:
    codebook = pd.read_csv(made / "one" / "codebook.tsv", sep="\t")
    for table in ("swings", "curves"):
        schema = pyarrow.dataset.dataset(made / "one" / table, format="parquet").schema
        told = set(codebook.loc[codebook["table"] == table, "column"])
        assert set(schema.names) <= told, set(schema.names) - told


def test_full_shots_of_another_part_count_for_the_scale(tmp_path: Path) -> None:
    """What `analyze` gives for the whole dataset, where all of a student's shots stand in one table."""
    root = tmp_path / "dataset"
    start_dataset(root, name="Test", description="Simulated; no real person.", simulated=True)
    for number, (participant, label) in enumerate((("S00", "1"), ("S00", "2"), ("S01", "1"))):
        recording, _ = simulate_recording(seed=3 + number, task="full", shots=2, rate=100.0, preset="realistic")
        write_recording(replace(recording, participant=participant, run=label), root, acq_time=None)
    assert main(["analyze", str(root), "--out", str(tmp_path / "whole"), "--no-report"]) == 0
    assert main(["batch", str(root), "--out", str(tmp_path / "parts"), "--workers", "1", "--batch-size", "1"]) == 0
    whole = pd.read_parquet(tmp_path / "whole" / "swings.parquet").sort_values(KEYS, ignore_index=True)
    parts, _ = tables(tmp_path / "parts")
    one = whole[(whole["participant"] == "S00") & whole["top_position"].notna()]
    assert one["run"].nunique() == 2
    pd.testing.assert_frame_equal(parts, whole, check_exact=True)
