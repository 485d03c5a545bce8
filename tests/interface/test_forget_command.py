"""`imuswing forget`: nothing of the student stays, nothing of another student is touched, also when interrupted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from recordings_for_tests import make_recording

from imuswing.cli import main
from imuswing.commands import forget as command
from imuswing.measures.tables import curves_table, swings_table, write_curves, write_swings
from imuswing.plan.forget import removals
from imuswing.recording.model import Event
from imuswing.recording.write import write_recording

PROGRAM = Path(sys.executable).with_name("bids-validator-deno")
START = datetime(2024, 5, 1, 10, 0, 0)


def errors_of(root: Path) -> list[str]:
    """The official validator's errors (bids-validator-deno, BIDS 1.10)."""
    if not PROGRAM.exists():
        pytest.skip("bids-validator-deno is not installed (pip install .[test])")
    command = [PROGRAM, root, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    return [i["code"] for i in json.loads(result.stdout)["issues"]["issues"] if i["severity"] == "error"]


def write_tables(folder: Path, *labels: str) -> None:
    """Results as analyze writes them, with two swings of each student."""
    folder.mkdir(parents=True)
    swings = [
        {"participant": label, "task": "chip", "swing": k, "kind": "shot", "flags": []}
        for label in labels
        for k in (1, 2)
    ]
    curves = [{"participant": label, "swing": 1, "time_s": [0.0, 0.1]} for label in labels]
    write_swings(swings_table(swings), folder / "swings.parquet")
    write_curves(curves_table(curves), folder / "curves.parquet")
    about = [{"recording": {"participant": label, "file": f"sub-{label}_motion.tsv"}} for label in labels]
    (folder / "quality.json").write_text(json.dumps({"imuswing": "0", "recordings": about}))
    for label in labels:
        (folder / f"page-{label.lower()}x.html").write_text(f"<h1>Lesson of {label}</h1>")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Students S1 and S12, with plans, results inside and beside the dataset, and what a batch leaves."""
    root = tmp_path / "lessons"
    for label in ("S1", "S12"):
        new = ["new", str(root), "--participant", label, "--lead-side", "left", "--consent", "yes"]
        assert main([*new, "--practice", "feet_together"]) == 0
        event = Event(onset=0.01, duration=0.0, trial_type="shot")
        write_recording(make_recording(participant=label, events=[event]), root, acq_time=START)
        (root / "derivatives" / "imuswing-tables" / f"sub-{label}").mkdir(parents=True)
        (root / "derivatives" / "imuswing-tables" / f"sub-{label}" / "shown.parquet").write_bytes(b"PAR1")
    write_tables(tmp_path / "results", "S1", "S12")
    write_tables(root / "derivatives" / "imuswing-tables" / "all", "S1", "S12")
    batch = root / "derivatives" / "imuswing-tables" / "ledger"
    batch.mkdir()
    paths = [f"sub-{label}/ses-01/motion/x_motion.tsv" for label in ("S1", "S12")]
    entries = [{"path": path, "inputs": [{"path": path}], "failure": None} for path in paths]
    (batch / "batch-000000.json").write_text(json.dumps({"name": "batch-000000", "settings": "", "entries": entries}))
    (batch.parent / "provenance.json").write_text(json.dumps({"inputs_blake2b": dict.fromkeys(paths, "0")}))
    (batch.parent / "failures.tsv").write_text("recording\treason\n" + "".join(f"{p}\tno swing\n" for p in paths))
    return root


def traces(folder: Path, label: str) -> list[Path]:
    """Everything that still tells of a student, by names and by what stands in the files."""
    word = (f"sub-{label}/", f"sub-{label}_", f"sub-{label}\t", f'"{label}"', f"of {label}<")
    found = []
    for path in folder.rglob("*"):
        if path.name in (f"sub-{label}", f"sub-{label}.toml") or path.name.startswith(f"sub-{label}_"):
            found.append(path)
        elif path.suffix == ".parquet" and path.stat().st_size > 10:
            found += [path] if label in pq.read_table(path)["participant"].to_pylist() else []
        elif path.is_file() and any(text in path.read_text(encoding="utf-8", errors="ignore") for text in word):
            found.append(path)
    return found


def everything(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_student_is_forgotten_and_the_other_stays(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = {path: data for path, data in everything(root.parent).items() if "S12" in str(path) or "s12" in str(path)}
    assert traces(root.parent, "S1")
    results = root.parent / "results"
    assert main(["forget", str(root), "S1", "--yes", "--results", str(results)]) == 0
    said = capsys.readouterr().out
    assert traces(root.parent, "S1") == []
    assert not list(root.glob(".forgotten*"))
    assert {path: path.read_bytes() for path in other} == other
    for table in root.parent.rglob("swings.parquet"):
        left = pq.read_table(table)
        assert left["participant"].to_pylist() == ["S12", "S12"]
        assert left.schema.field("tempo_ratio").metadata == {b"unit": b"1"}
    assert len(traces(root.parent, "S12")) >= 10
    assert errors_of(root) == []
    for part in ("1 recording in", "plan", "participants.tsv: 1 row", str(results / "swings.parquet")):
        assert part in said
    assert "delete them yourself" in said


def test_the_last_student_leaves_a_dataset_without_participants(root: Path) -> None:
    for label in ("S1", "sub-S12"):
        assert main(["forget", str(root), label, "--yes"]) == 0
    assert errors_of(root) == []
    assert not (root / "participants.tsv").exists()
    assert not list(root.glob("sub-*"))
    assert main(["new", str(root), "--participant", "S3", "--lead-side", "left", "--consent", "yes"]) == 0
    assert errors_of(root) == []


@pytest.mark.parametrize("last", [False, True])
def test_an_interruption_leaves_a_valid_dataset_and_a_second_call_finishes(root: Path, last: bool) -> None:
    if last:
        assert main(["forget", str(root), "S12", "--yes"]) == 0
    results = root.parent / "results"
    while True:
        items = removals(root, "S1", results=[results])
        items[0].do()
        assert errors_of(root) == []
        if not traces(root.parent, "S1") and not list(root.glob(".forgotten*")):
            break
    with pytest.raises(Exception, match="holds nothing of sub-S1"):
        removals(root, "S1", results=[results])


def test_without_a_terminal_it_wants_yes(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = everything(root.parent)
    assert main(["forget", str(root), "S1"]) == 2
    out, error = capsys.readouterr()
    assert "sub-S1" in out
    assert "--yes" in error
    assert everything(root.parent) == before


@pytest.mark.parametrize(("typed", "status"), [("S1", 0), ("S12", 2), ("", 2), ("yes", 2)])
def test_at_a_terminal_the_label_is_typed(typed: str, status: int, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("builtins.input", lambda prompt="": typed)
    monkeypatch.setattr(command.sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})())
    monkeypatch.setattr(command.sys.stdout, "isatty", lambda: True, raising=False)
    assert main(["forget", str(root), "S1"]) == status
    assert (root / "sub-S1").exists() == bool(status)


@pytest.mark.parametrize("label", ["../S1", "S1/..", "*", "", "."])
def test_labels_that_lead_elsewhere_are_refused(label: str, root: Path) -> None:
    before = everything(root.parent)
    assert main(["forget", str(root), label, "--yes"]) == 2
    assert everything(root.parent) == before


@pytest.mark.parametrize(
    ("folder", "student", "results", "says"),
    [
        ("lessons", "S9", None, "holds nothing of sub-S9; name one of sub-S1, sub-S12"),
        (".", "S1", None, "is no dataset"),
        ("lessons", "S1", "lessons", "holds no results"),
        ("lessons", "S1", "gone", "is no folder"),
    ],
)
def test_places_that_are_wrong_are_told(
    folder: str, student: str, results: str | None, says: str, root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = everything(root.parent)
    call = ["forget", str(root.parent / folder), student, "--yes"]
    assert main([*call, *(["--results", str(root.parent / results)] if results else [])]) == 1
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert everything(root.parent) == before


def test_links_are_not_followed(root: Path, tmp_path: Path) -> None:
    """A link to a folder outside goes; what it leads to stays."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "sub-S1_keep.tsv").write_text("keep")
    os.rename(root / "sub-S1", tmp_path / "elsewhere")
    os.symlink(tmp_path / "elsewhere", root / "sub-S1")
    os.symlink(outside, root / "derivatives" / "more")
    assert main(["forget", str(root), "S1", "--yes"]) == 0
    assert not (root / "sub-S1").is_symlink()
    assert list((tmp_path / "elsewhere").rglob("*_motion.tsv"))
    assert (outside / "sub-S1_keep.tsv").read_text() == "keep"


def test_a_table_that_cannot_be_read_stops_before_anything_goes(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = root.parent / "results" / "more.parquet"
    broken.write_bytes(b"PAR1")
    assert main(["forget", str(root), "S1", "--yes", "--results", str(broken.parent)]) == 1
    assert str(broken) in capsys.readouterr().err
    assert (root / "sub-S1").exists()


def test_other_tables_are_left_as_they_are(root: Path) -> None:
    table = root.parent / "results" / "own.parquet"
    pq.write_table(pa.table({"player": ["S1"]}), table)
    before = table.read_bytes()
    assert main(["forget", str(root), "S1", "--yes", "--results", str(table.parent)]) == 0
    assert table.read_bytes() == before
