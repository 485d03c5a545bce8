"""`imuswing export`: which files come of what, whole or not at all, and what it says when it cannot.

What is expected is the contract of the command (issue "any sensor's file in, every tool's file out"); readers are
pandas, pyarrow and ezc3d.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import imuswing
from imuswing.cli import main
from imuswing.recording.find import find_recordings

STEM = "sub-S001_ses-01_task-chip"


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


def run(source: Path, out: Path, *arguments: str) -> int:
    return main(["export", str(source), "--out", str(out), "--format", *arguments])


@pytest.fixture(scope="module")
def results(simulated_dataset: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("results")
    assert main(["analyze", str(simulated_dataset), "--out", str(out), "--no-report", "--orientations"]) == 0
    return out


@pytest.fixture(scope="module")
def stem(simulated_dataset: Path) -> str:
    return find_recordings(simulated_dataset)[0].name.split("_tracksys-")[0]


@pytest.fixture
def two(small_dataset: Path) -> Path:
    """A dataset of two recordings, the second one broken."""
    first = find_recordings(small_dataset)[0].parent
    for path in list(first.iterdir()):
        text = path.read_text()
        path.with_name(path.name.replace("task-", "task-full")).write_text(
            text if "motion.tsv" not in path.name else "x\n"
        )
    return small_dataset


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_recording_becomes_samples_and_events(simulated_dataset: Path, stem: str, tmp_path: Path, kind: str) -> None:
    assert run(simulated_dataset, tmp_path, kind) == 0
    assert files(tmp_path) == [f"{stem}_events.{kind}", f"{stem}_samples.{kind}"]
    read = pd.read_csv if kind == "csv" else pd.read_parquet
    samples, events = (read(tmp_path / f"{stem}_{name}.{kind}") for name in ("samples", "events"))
    recording = imuswing.read(find_recordings(simulated_dataset)[0])
    for point, stream in recording.sensors.items():
        own = samples[samples["tracked_point"] == point]
        np.testing.assert_array_equal(own["time_s"], stream.time)
        np.testing.assert_array_equal(own[["gyr_x_radps", "gyr_y_radps", "gyr_z_radps"]], stream.gyr)
        np.testing.assert_array_equal(own[["acc_x_mps2", "acc_y_mps2", "acc_z_mps2"]], stream.acc)
    assert list(events["trial_type"]) == [event.trial_type for event in recording.events]
    np.testing.assert_array_equal(events["onset"], [event.onset for event in recording.events])


def test_one_file_may_be_named(simulated_dataset: Path, tmp_path: Path) -> None:
    assert run(simulated_dataset, tmp_path / "lesson.csv", "csv") == 0
    assert run(simulated_dataset, tmp_path / "frames.csv", "csv", "--frames") == 0
    assert run(simulated_dataset, tmp_path / "all.c3d", "c3d") == 0
    assert run(simulated_dataset, tmp_path / "all.sto", "sto") == 0
    assert files(tmp_path) == ["all.c3d", "all.sto", "all_neutral.sto", "frames.csv", "lesson.csv", "lesson_events.csv"]


def test_frames_agree_with_the_results(simulated_dataset: Path, results: Path, tmp_path: Path) -> None:
    assert run(simulated_dataset, tmp_path / "x.parquet", "parquet", "--frames") == 0
    frames, swings = pd.read_parquet(tmp_path / "x.parquet"), pd.read_parquet(results / "swings.parquet")
    curves = pd.read_parquet(results / "curves.parquet")
    assert list(frames["swing"].unique()) == list(swings["swing"])
    for _, swing in swings.iterrows():
        own = frames[frames["swing"] == swing["swing"]]
        at = own[own["event"].fillna("").str.contains("impact")]
        assert at["recording_time_s"].item() == pytest.approx(swing["impact_s"], abs=1e-9)
        curve = curves[curves["swing"] == swing["swing"]]
        told = np.interp(curve["time_s"], own["time_s"], own["chest_turn_deg"], left=np.nan, right=np.nan)
        # Straight lines laid twice between samples are off by at most a quarter of the second difference.
        most = 0.25 * np.abs(np.diff(curve["chest_turn_deg"], 2)).max() + 1e-9
        assert np.isfinite(told).mean() > 0.95
        assert np.nanmax(np.abs(told - curve["chest_turn_deg"])) <= most
    assert run(simulated_dataset, tmp_path / "y.parquet", "parquet", "--frames", "--rate", "50", "--swing", "2") == 0
    slow = pd.read_parquet(tmp_path / "y.parquet")
    assert set(slow["swing"]) == {2}
    np.testing.assert_allclose(np.diff(slow["time_s"]), 0.02, atol=1e-9)


def test_every_swing_is_a_file_of_motion(simulated_dataset: Path, results: Path, stem: str, tmp_path: Path) -> None:
    count = len(pd.read_parquet(results / "swings.parquet"))
    assert run(simulated_dataset, tmp_path / "c", "c3d") == 0
    assert files(tmp_path / "c") == [f"{stem}_swing-{k:03d}.c3d" for k in range(1, count + 1)]
    assert run(simulated_dataset, tmp_path / "s", "sto", "--swing", "1") == 0
    assert files(tmp_path / "s") == [f"{stem}_neutral.sto", f"{stem}_swing-001.sto"]


def test_the_whole_of_a_recording_in_one_c3d_holds_every_impact(
    simulated_dataset: Path, results: Path, tmp_path: Path
) -> None:
    ezc3d = pytest.importorskip("ezc3d")
    assert run(simulated_dataset, tmp_path / "x.c3d", "c3d") == 0
    events = ezc3d.c3d(str(tmp_path / "x.c3d"))["parameters"]["EVENT"]
    times = 60.0 * events["TIMES"]["value"][0] + events["TIMES"]["value"][1]
    impacts = times[np.array(events["LABELS"]["value"]) == "impact"]
    swings = pd.read_parquet(results / "swings.parquet")
    np.testing.assert_allclose(np.diff(impacts), np.diff(swings["impact_s"]), atol=1e-4)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_results_become_tables(results: Path, tmp_path: Path, kind: str) -> None:
    assert run(results, tmp_path, kind) == 0
    assert files(tmp_path) == [f"{name}.{kind}" for name in ("curves", "orientations", "swings")]
    read = pd.read_csv if kind == "csv" else pd.read_parquet
    for name in ("curves", "swings"):
        told, expected = read(tmp_path / f"{name}.{kind}"), pd.read_parquet(results / f"{name}.parquet")
        assert list(told.columns) == list(expected.columns)
        numbers = expected.select_dtypes("float64").columns
        pd.testing.assert_frame_equal(told[numbers].astype("float64"), expected[numbers], check_exact=True)
    flags = read(tmp_path / f"swings.{kind}")["flags"]
    expected = pd.read_parquet(results / "swings.parquet")["flags"]
    assert [("" if value != value else value) if kind == "csv" else list(value) for value in flags] == [
        ";".join(words) if kind == "csv" else list(words) for words in expected
    ]


def test_results_become_motion_at_the_rate_they_hold(results: Path, stem: str, tmp_path: Path) -> None:
    assert run(results, tmp_path, "sto", "--swing", "1") == 0
    assert "DataRate=60.0" in (tmp_path / f"{stem}_swing-001.sto").read_text()
    assert run(results, tmp_path, "sto", "--rate", "200") == 2


def test_a_batch_is_exported_as_one_table(simulated_dataset: Path, tmp_path: Path) -> None:
    assert main(["batch", str(simulated_dataset), "--out", str(tmp_path / "batch"), "--workers", "1"]) == 0
    assert run(tmp_path / "batch", tmp_path / "swings.csv", "csv") == 0
    told = pd.read_csv(tmp_path / "swings.csv")
    assert len(told) == len(pd.read_parquet(tmp_path / "batch" / "swings"))
    assert run(tmp_path / "batch", tmp_path / "motion", "c3d") == 1


def test_results_without_orientations_say_what_to_do(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(results, tmp_path / "mine")
    (tmp_path / "mine" / "orientations.parquet").unlink()
    assert run(tmp_path / "mine", tmp_path / "out", "c3d") == 1
    assert "analyze with --orientations" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_of_several_recordings_the_usable_ones_go_out(
    two: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(two, tmp_path / "folder", "csv") == 3
    assert len(files(tmp_path / "folder")) == 2
    assert "task-fullchip" in capsys.readouterr().err
    assert run(two, tmp_path / "one" / "all.csv", "csv") == 3
    told = pd.read_csv(tmp_path / "one" / "all.csv")
    assert list(told["task"].unique()) == ["chip"]
    assert files(tmp_path / "one") == ["all.csv", "all_events.csv"]
    assert run(two, tmp_path / "one" / "all.c3d", "c3d") == 2
    assert "one file cannot hold 2 recordings" in capsys.readouterr().err


def test_where_no_recording_can_be_used_nothing_is_written(two: Path, tmp_path: Path) -> None:
    for path in two.rglob("*_motion.tsv"):
        path.write_text("x\n")
    assert run(two, tmp_path / "folder", "csv") == 1
    assert run(two, tmp_path / "one.csv", "csv") == 1
    assert files(tmp_path / "folder") == []
    assert not (tmp_path / "one.csv").exists()
    assert not list(tmp_path.glob(".*"))


def test_what_is_there_stays_unless_told(
    simulated_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "lesson_events.csv"
    mine.write_text("mine")
    assert run(simulated_dataset, tmp_path / "lesson.csv", "csv") == 2
    assert "exists already; add --overwrite" in capsys.readouterr().err
    assert files(tmp_path) == ["lesson_events.csv"]
    assert mine.read_text() == "mine"
    assert run(simulated_dataset, tmp_path / "lesson.csv", "csv", "--overwrite") == 0
    assert mine.read_text().startswith("onset,")


def test_a_disk_that_fills_leaves_nothing_half_written(
    simulated_dataset: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import pyarrow.csv

    write, calls = pyarrow.csv.write_csv, []

    def full(*arguments: object, **options: object) -> None:
        calls.append(1)
        if len(calls) > 1:
            raise OSError(28, "No space left on device")
        write(*arguments, **options)

    monkeypatch.setattr(pyarrow.csv, "write_csv", full)
    assert run(simulated_dataset, tmp_path / "out", "csv") == 1
    assert "make room and start again" in capsys.readouterr().err
    assert files(tmp_path) == []


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["csv", "--swing", "1"], "add --frames"),
        (["csv", "--frames", "--rate", "0"], "--rate is 0"),
        (["csv", "--frames", "--rate", "nan"], "--rate is nan"),
        (["parquet", "--decimal-comma"], "is for --format csv"),
    ],
)
def test_options_that_do_not_belong_together_are_refused(
    simulated_dataset: Path, tmp_path: Path, arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(simulated_dataset, tmp_path / "out", *arguments) == 2
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_swing_that_is_not_there_and_a_source_that_is_not_there(
    simulated_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(simulated_dataset, tmp_path / "out", "sto", "--swing", "99") == 1
    assert "holds no swing 99" in capsys.readouterr().err
    assert run(tmp_path / "nowhere", tmp_path / "out", "csv") == 1
    assert "does not exist" in capsys.readouterr().err
    (tmp_path / "file").write_text("mine")
    assert run(simulated_dataset, tmp_path / "file", "csv") == 2
    assert "is a file; name a folder" in capsys.readouterr().err


def test_the_recording_is_not_touched(small_dataset: Path, tmp_path: Path) -> None:
    before = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in small_dataset.rglob("*") if path.is_file()}
    for kind in ("csv", "parquet", "c3d", "sto"):
        assert run(small_dataset, tmp_path / "out", kind) == 0
    after = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in small_dataset.rglob("*") if path.is_file()}
    assert after == before


def test_german_spreadsheets_get_commas(simulated_dataset: Path, tmp_path: Path) -> None:
    assert run(simulated_dataset, tmp_path / "x.csv", "csv", "--frames", "--decimal-comma") == 0
    assert run(simulated_dataset, tmp_path / "y.csv", "csv", "--frames") == 0
    comma = pd.read_csv(tmp_path / "x.csv", sep=";", decimal=",", encoding="utf-8-sig")
    pd.testing.assert_frame_equal(comma, pd.read_csv(tmp_path / "y.csv"), check_exact=True)


@pytest.mark.parametrize("kept", [0, 600, 40_000])
def test_a_full_disk_leaves_no_cut_c3d(
    kept: int,
    simulated_dataset: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """On a full tmpfs the library left files cut short, some empty, and said nothing."""
    ezc3d = pytest.importorskip("ezc3d")
    genuine = ezc3d.c3d.write

    def cut(self: object, path: str) -> None:
        genuine(self, path)
        with Path(path).open("r+b") as file:
            file.truncate(kept)

    monkeypatch.setattr(ezc3d.c3d, "write", cut)
    assert run(simulated_dataset, tmp_path / "out", "c3d") == 1
    assert "make room and start again" in capsys.readouterr().err
    assert files(tmp_path / "out") == []


def test_c3d_without_its_library_says_what_to_install(
    simulated_dataset: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "ezc3d", None)
    assert run(simulated_dataset, tmp_path / "out", "c3d") == 1
    assert "pip install 'imuswing[formats]'" in capsys.readouterr().err
    assert files(tmp_path) == []
