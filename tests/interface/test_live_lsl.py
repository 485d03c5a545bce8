"""Lab Streaming Layer: streams are read by their labels and units, and samples come as they were sent."""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from live_for_tests import cut, short_lesson, told_by

import imuswing
from imuswing.cli import main
from imuswing.errors import SettingsError
from imuswing.live.lsl import LabStreams, map_stream, not_there
from imuswing.live.messages import Shot
from imuswing.live.model import SensorHead, SystemHead
from imuswing.recording.dataset import add_participant, start_dataset

TESTS = Path(__file__).parents[1]
SECONDS = 6.0
SIX = ["acc_x", "acc_y", "acc_z", "gyro_x", "gyro_y", "gyro_z"]
SI = ["m/s^2"] * 3 + ["rad/s"] * 3


def test_a_stream_named_after_where_it_is_worn_is_read_by_its_labels() -> None:
    found = map_stream("lead_hand", 200.0, ["counter", *SIX], ["", "g", "g", "g", "deg/s", "deg/s", "deg/s"])
    assert found is not None
    assert found.head.name == "leadhand"
    assert found.order == (1, 2, 3, 4, 5, 6)
    # Standard gravity 9.80665 m/s² (3rd CGPM 1901).
    np.testing.assert_allclose(found.factors, [9.80665] * 3 + [math.pi / 180.0] * 3)


def test_one_stream_may_hold_several_sensors_named_in_the_labels() -> None:
    labels = [f"{point}_{label}" for point in ("chest", "pelvis") for label in SIX]
    found = map_stream("kit", 100.0, labels, SI * 2)
    assert found is not None
    assert [sensor.tracked_point for sensor in found.head.sensors] == ["chest", "pelvis"]
    assert found.head.columns == 13


def test_a_stream_without_our_sensors_is_none_of_ours() -> None:
    assert map_stream("EEG", 500.0, ["Fz", "Cz"], ["uV", "uV"]) is None


@pytest.mark.parametrize(
    ("rate", "labels", "units", "said"),
    [
        (200.0, SIX, [""] * 6, "m/s\\^2, g"),
        (200.0, SIX[:5], SI[:5], "no GYRO z of chest"),
        (0.0, SIX, SI, "nominal rate"),
    ],
)
def test_what_a_stream_does_not_say_is_asked_for(rate: float, labels: list[str], units: list[str], said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        map_stream("chest", rate, labels, units)


def test_only_who_stands_in_the_dataset_is_recorded(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    start_dataset(tmp_path / "into", name="Into", description="Empty.")
    add_participant(tmp_path / "into", participant="P1", lead_side="left")
    named = ["live", "--into", str(tmp_path / "into"), "--session", "1", "--task", "chip", "--lsl", "--no-page"]
    assert main([*named, "--participant", "P2"]) == 1
    assert "sub-P2" in capsys.readouterr().err


def head(point: str) -> SystemHead:
    return SystemHead(name=point.replace("_", ""), rate=100.0, sensors=(SensorHead(tracked_point=point),))


def test_sensors_of_a_lesson_that_send_no_stream_are_named_at_the_start() -> None:
    assert not_there([head("chest"), head("lead_forearm"), head("lead_hand")]) is None
    told = not_there([head("lead_forearm"), head("pelvis")])
    assert told is not None
    assert "chest, lead hand" in told
    assert "forearm" not in told


def test_a_stream_that_is_lost_for_good_ends_no_recording() -> None:
    class LostError(RuntimeError):
        pass

    class Gone:
        def pull_chunk(self, **_: object) -> None:
            raise LostError

    streams = object.__new__(LabStreams)
    streams._inlets = {"chest": (None, Gone())}  # type: ignore[dict-item]
    assert streams._pulled("chest", 0.0, 1.0) is None


def alone(command: list[str]) -> list[str] | None:
    """The command in a network namespace with nothing but a loopback; None where that cannot be made."""
    if shutil.which("unshare") is None or shutil.which("ip") is None:
        return None
    # Streams are found by multicast, which a new loopback does not carry by itself.
    begin = 'ip link set lo up multicast on && ip route add 224.0.0.0/4 dev lo && exec "$@"'
    wrapped = ["unshare", "--map-root-user", "--net", "sh", "-c", begin, "sh"]
    works = subprocess.run([*wrapped, "true"], capture_output=True, check=False).returncode == 0
    return [*wrapped, *command] if works else None


def run_alone(script: str, *arguments: str) -> str:
    """What a script of this folder prints, run alone; the test is skipped where it cannot be."""
    pytest.importorskip("pylsl", reason="pylsl is not installed (pip install .[live])", exc_type=ImportError)
    command = alone([sys.executable, str(TESTS / script), *arguments])
    if command is None:
        pytest.skip("network namespaces cannot be made here")
    path = os.pathsep.join([str(TESTS), str(TESTS.parent), os.environ.get("PYTHONPATH", "")])
    run = subprocess.run(
        command, capture_output=True, text=True, timeout=180, check=False, env={**os.environ, "PYTHONPATH": path}
    )
    assert run.returncode == 0, run.stderr[-2000:]
    return run.stdout


def test_samples_come_as_they_were_sent(tmp_path: Path) -> None:
    told = json.loads(run_alone("lsl_for_tests.py", str(SECONDS)))
    assert [head["points"] for head in told["heads"]] == [["chest"], ["lead_forearm"], ["lead_hand"]]
    for head in told["heads"]:
        sent = cut(short_lesson(), SECONDS).sensors[head["points"][0]]
        rows = np.array(told["rows"][head["name"]])
        assert len(rows) == len(sent.time)
        # Sender and receiver share a clock here: what the library's synchronisation adds is under a millisecond.
        np.testing.assert_allclose(rows[:, 0], sent.time, atol=1e-3)
        # Streams are single precision: 24 bits.
        np.testing.assert_allclose(rows[:, 1:4], sent.acc, rtol=2**-22, atol=2e-6)
        np.testing.assert_allclose(rows[:, 4:7], sent.gyr, rtol=2**-22, atol=2e-6)


def test_a_whole_lesson_streamed_has_the_shots_of_its_replay(tmp_path: Path) -> None:
    into = tmp_path / "into"
    start_dataset(into, name="Into", description="Simulated, streamed.", simulated=True)
    add_participant(into, participant="P1", lead_side=short_lesson().lead_side)
    printed = run_alone("lsl_lesson_for_tests.py", str(into), "P1", str(SPEED))
    shown = pd.read_parquet(next(into.rglob("shown.parquet")))
    recorded = imuswing.read(next(into.rglob("*_motion.tsv")))
    for point, stream in short_lesson().sensors.items():
        assert len(recorded.sensors[point].time) == len(stream.time)
    told = told_by(recorded)
    replayed = [one for one in told if isinstance(one, Shot) and not one.revised]
    assert len(replayed) == len(shown) >= 4
    assert list(shown["chest_verdict"]) == [one.verdict for one in replayed]
    last = {one.number: one.kind for one in told if isinstance(one, Shot)}
    assert list(shown["kind"]) == list(last.values())
    # At this speed some turns come late, and what is looked at later is seen from a little more.
    np.testing.assert_allclose(shown["impact_s"], [one.impact_s for one in replayed], atol=0.002)
    assert len([text for text in printed.splitlines() if " s  " in text]) == len(shown)


SPEED = 4.0
"""So much faster than true does the streamed lesson run."""
