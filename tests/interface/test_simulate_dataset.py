"""Simulated datasets on disk: valid, the same when read, with truth beside and never inside."""

from __future__ import annotations

import json
import subprocess
import sysconfig
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import imuswing
from imuswing.errors import SettingsError
from imuswing.measures.dictionary import swing_columns
from imuswing.simulate import simulate_dataset
from imuswing.simulate.dataset import make_visit
from imuswing.vocabulary import CALIBRATION_STEPS


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("simulated")
    simulate_dataset(out, seed=7, golfers=5, shots=3, rate=100.0)
    return out


def test_the_official_validator_finds_no_error(made: Path) -> None:
    # bids-validator-deno, the official BIDS validator: exit status 0 without errors.
    validator = Path(sysconfig.get_path("scripts")) / "bids-validator-deno"
    if not validator.exists():
        pytest.skip("bids-validator-deno is not installed")
    done = subprocess.run(
        [validator, made / "dataset", "--max-rows", "-1"], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stdout


def test_no_truth_stands_in_the_dataset(made: Path) -> None:
    names = [path.name for path in (made / "dataset").rglob("*")]
    assert not [name for name in names if "truth" in name or name.endswith(".parquet")]
    text = "".join(path.read_text() for path in (made / "dataset").rglob("*.json"))
    for word in ("bias", "mount", "continuity", "verdict"):
        assert word not in text
    assert {path.name for path in made.iterdir()} == {"dataset", "truth"}


def test_the_dataset_says_that_it_is_simulated(made: Path) -> None:
    assert "Simulated" in json.loads((made / "dataset" / "dataset_description.json").read_text())["Name"]
    assert "no real person" in (made / "dataset" / "README.md").read_text()


def test_what_is_read_is_what_was_made(made: Path) -> None:
    read = list(imuswing.read_all(made / "dataset"))
    index = 3
    _, recordings = make_visit(index, seed=7, shots=3, preset="realistic", tasks=None, rate=100.0)
    assert [recording.task for recording, _ in recordings] == ["chip", "full"]
    for wanted, _ in recordings:
        found = next(r for r in read if (r.participant, r.task) == (wanted.participant, wanted.task))
        assert found.lead_side == wanted.lead_side
        assert len(found.events) == len(wanted.events)
        for point, stream in wanted.sensors.items():
            np.testing.assert_allclose(found.sensors[point].time, stream.time, atol=1e-6)
            np.testing.assert_allclose(found.sensors[point].gyr, stream.gyr, atol=1e-9)
            np.testing.assert_allclose(found.sensors[point].acc, stream.acc, atol=1e-9)
            assert found.sensors[point].sample_meaning == stream.sample_meaning
        for system, hint in wanted.start_hints.items():
            assert found.start_hints.get(system, 0.0) == pytest.approx(hint, abs=1e-5)


def test_the_truth_has_the_columns_of_a_table_of_swings(made: Path) -> None:
    truth = pd.read_parquet(made / "truth" / "swings_truth.parquet")
    assert list(truth.columns) == list(swing_columns())
    shots = truth[truth["kind"] == "shot"]
    assert shots.groupby("participant").size().tolist() == [3] * 5
    keys = {(r.participant, r.session, r.task) for r in imuswing.read_all(made / "dataset") if r.task != "calibration"}
    assert set(truth[["participant", "session", "task"]].itertuples(index=False, name=None)) == keys


def test_shots_are_noted_up_to_some_seconds_after_impact(made: Path) -> None:
    truth = pd.read_parquet(made / "truth" / "swings_truth.parquet")
    for recording in imuswing.read_all(made / "dataset"):
        same = (truth["participant"] == recording.participant) & (truth["task"] == recording.task)
        impacts = truth.loc[same & (truth["kind"] == "shot"), "impact_s"].to_numpy()
        notes = [event.onset for event in recording.of_type("shot")]
        assert len(notes) == len(impacts)
        for note, impact in zip(notes, impacts, strict=True):
            assert 1.0 <= note - impact <= 4.0
        for event in recording.of_type("block"):
            assert event.block in ("baseline", "drill", "transfer")
    assert truth.loc[truth["block"] == "drill", "intent"].notna().all()


def test_only_the_first_recording_of_a_visit_holds_the_routine(made: Path) -> None:
    for recording in imuswing.read_all(made / "dataset"):
        steps = {event.trial_type for event in recording.of_type(*CALIBRATION_STEPS)}
        first = recording.task == "calibration" or recording.participant not in ("S004", "S005")
        if first or (recording.participant == "S004" and recording.task == "chip"):
            assert {"stand", "bow", "table", "wrist_bend", "forearm_roll"} <= steps
        else:
            assert not steps


def test_a_golfer_does_not_depend_on_how_many_are_made(made: Path, tmp_path: Path) -> None:
    simulate_dataset(tmp_path, seed=7, golfers=2, shots=3, rate=100.0)
    for name in ("sub-S001", "sub-S002"):
        files = sorted(path.relative_to(tmp_path) for path in (tmp_path / "dataset" / name).rglob("*motion.tsv"))
        assert files
        for file in files:
            assert (tmp_path / file).read_bytes() == (made / file).read_bytes()


def test_existing_results_are_not_overwritten(made: Path) -> None:
    with pytest.raises(SettingsError, match="exists already"):
        simulate_dataset(made, seed=7, golfers=1, shots=1)
    with pytest.raises(SettingsError, match="1 or more"):
        simulate_dataset(made.parent / "new", seed=7, golfers=0, shots=1)
    with pytest.raises(SettingsError, match="chip, pitch, full, calibration"):
        simulate_dataset(made.parent / "new", seed=7, golfers=1, shots=1, tasks=("putt",))
    assert not (made.parent / "new").exists()
