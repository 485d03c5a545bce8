"""The routes in beside text: XDF, Parquet, NPZ, MATLAB; each dataset is valid, and damaged files are refused."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.io
from import_for_tests import assert_same_motion, bring_in, lesson, only_recording, sensor_columns, times
from xdf_for_tests import stream, write_xdf

pytest.importorskip("pyxdf", reason="pip install .[formats]")

VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")
POINTS = ("chest", "lead_forearm", "lead_hand")
CHANNELS = [*((f"acc_{a}", "m/s^2") for a in "xyz"), *((f"gyr_{a}", "rad/s") for a in "xyz")]


def errors_of(root: Path) -> list[str]:
    """The official validator's errors (bids-validator-deno, BIDS 1.10)."""
    if not VALIDATOR.exists():
        pytest.skip("bids-validator-deno is not installed (pip install .[test])")
    command = [VALIDATOR, root, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    return [i["code"] for i in json.loads(result.stdout)["issues"]["issues"] if i["severity"] == "error"]


def write_file(folder: Path, kind: str) -> Path:
    """The lesson as a general-purpose writer of each format writes it."""
    named = {
        f"{point}_{kind_}": lesson().sensors[point].acc if kind_ == "acc" else lesson().sensors[point].gyr
        for point in POINTS
        for kind_ in ("acc", "gyr")
    }
    file = folder / f"session.{kind}"
    if kind == "npz":
        np.savez_compressed(file, fs=100.0, **named)
    elif kind == "mat":
        parts = {point: {"acc": named[f"{point}_acc"], "gyr": named[f"{point}_gyr"]} for point in POINTS}
        scipy.io.savemat(file, {"time": times()[:, None], "note": "made by a test", **parts})
    elif kind == "parquet":
        columns = {
            f"{point}_{name}": sensor_columns(point)[:, k] for point in POINTS for k, (name, _) in enumerate(CHANNELS)
        }
        frame = pd.DataFrame({"time_s": times(), **columns, "note": "words"})
        frame.to_parquet(file)
    else:
        streams = [
            stream(k, point, times() + 7.5 - 100.0 * k, sensor_columns(point), rate=100.0, channels=CHANNELS,
                   offset=100.0 * k)
            for k, point in enumerate(POINTS, start=1)
        ]  # fmt: skip
        marks = stream(9, "marks", np.array([20.0, 40.0]) + 7.5, ["tap", "shot: thin"], rate=0.0)
        write_xdf(file, *streams, marks)
    return file


@pytest.mark.parametrize("kind", ["npz", "mat", "parquet", "xdf"])
def test_each_route_gives_the_same_numbers_in_a_valid_dataset(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write_file(tmp_path, kind)
    before = file.read_bytes()
    assert bring_in([file], tmp_path / "lessons") == 0
    assert "doubtful" not in capsys.readouterr().err
    found = only_recording(tmp_path / "lessons")
    assert_same_motion(found, rtol=1e-12)
    assert errors_of(tmp_path / "lessons") == []
    assert file.read_bytes() == before


def test_streams_keep_their_clocks_and_markers_become_events(tmp_path: Path) -> None:
    """Streams on clocks 100 s apart, whose offsets the file tells, begin together."""
    assert bring_in([write_file(tmp_path, "xdf")], tmp_path / "lessons") == 0
    found = only_recording(tmp_path / "lessons")
    assert found.tracking_systems == ("chest", "leadforearm", "leadhand")
    assert all(abs(start) < 1e-5 for start in found.start_hints.values())
    assert [(round(e.onset, 3), e.trial_type, e.outcome) for e in found.events] == [
        (20.0, "tap", None),
        (40.0, "shot", "thin"),
    ]


def test_streams_of_different_rates_and_starts(tmp_path: Path) -> None:
    """The hand at half the rate and 2 s later: each keeps its own times, and the hint says by how much."""
    late = sensor_columns("lead_hand")[200::2]
    file = write_xdf(
        tmp_path / "lab.xdf",
        stream(1, "chest", times(), sensor_columns("chest"), rate=100.0, channels=CHANNELS),
        stream(2, "hand", times()[200::2], late, rate=50.0, channels=CHANNELS),
    )
    assert bring_in([file], tmp_path / "lessons") == 0
    found = only_recording(tmp_path / "lessons")
    assert (found.sensors["chest"].rate, found.sensors["lead_hand"].rate) == (100.0, 50.0)
    np.testing.assert_allclose(found.sensors["lead_hand"].acc, late[:, :3], rtol=1e-12)
    assert found.start_hints["leadhand"] == pytest.approx(2.0, abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("npz", "damaged NPZ file|cannot be read as NPZ"),
        ("mat", "cannot be read as a MATLAB file"),
        ("parquet", "cannot be read as Parquet"),
        ("xdf", "cannot be read as XDF|holds no stream|no columns of an accelerometer"),
    ],
)
@pytest.mark.parametrize("damage", ["cut", "other"])
def test_damaged_files_are_refused(
    kind: str, says: str, damage: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write_file(tmp_path, kind)
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2] if damage == "cut" else b"no such format\n" * 99)
    status = bring_in([file], tmp_path / "lessons")
    message = capsys.readouterr().err.strip()
    if (kind, damage) == ("xdf", "cut"):
        # A stream holds good samples up to where the recorder died: they are taken, and it is said.
        assert status == 0
        assert "doubtful: session.xdf has no end, so it was cut off" in message
        return
    assert status == 1
    assert message.startswith(str(file))
    assert re.search(says, message)
    assert message.count("\n") == 0
    assert not (tmp_path / "lessons").exists()


def test_objects_in_arrays_are_not_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "chest.npz"
    np.savez(file, acc=np.array([{"a": 1}, 2], dtype=object))
    assert bring_in([file], tmp_path / "lessons") == 1
    assert "save plain arrays" in capsys.readouterr().err


def test_a_new_matlab_file_is_told_from_an_old_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The header of version 7.3 (HDF5 inside), as MATLAB writes it (from memory)."""
    file = tmp_path / "chest.mat"
    head = b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(116) + b"\0" * 8 + b"\x00\x02IM"
    file.write_bytes(head.ljust(512, b"\0") + b"\x89HDF\r\n\x1a\n" + b"\0" * 2000)
    assert bring_in([file], tmp_path / "lessons") == 1
    assert "is a MATLAB 7.3 file; save it in MATLAB with the option -v7" in capsys.readouterr().err
