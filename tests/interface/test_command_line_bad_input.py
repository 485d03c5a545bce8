"""Bad input through the commands: one sentence that names the file, what is wrong and what to do; nothing half-written.

Each case spoils a good dataset in one way. What the reader says of many more is in test_recording_messages.py.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from imuswing.cli import main
from imuswing.measures.dictionary import MEASURES

CHEST, FOREARM, HAND = "chest", "leadforearm", "leadhand"
SYSTEMS = (CHEST, FOREARM, HAND)
RATE_HZ = 100
Spoil = Callable[[Path], None]


def motion(root: Path, system: str) -> Path:
    return next(root.rglob(f"*_tracksys-{system}_motion.tsv"))


def beside(root: Path, system: str, suffix: str) -> Path:
    path = motion(root, system)
    return path.with_name(path.name.replace("motion.tsv", suffix))


def lines(path: Path) -> list[str]:
    return path.read_text().splitlines(keepends=True)


def keep(path: Path, first: int, last: int) -> None:
    path.write_text("".join(lines(path)[first:last]))


def change(suffix: str, old: str, new: str, *, system: str = CHEST) -> Spoil:
    def spoil(root: Path) -> None:
        path = beside(root, system, suffix)
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))

    return spoil


def empty(root: Path) -> None:
    motion(root, CHEST).write_text("")


def lose_a_column(root: Path) -> None:
    path = motion(root, CHEST)
    path.write_text("".join(line.split("\t", 1)[1] for line in lines(path)))


def put_text(root: Path) -> None:
    path = motion(root, CHEST)
    table = lines(path)
    table[499] = "\t".join(["broken", *table[499].split("\t")[1:]])
    path.write_text("".join(table))


def all_lost(*systems: str) -> Spoil:
    def spoil(root: Path) -> None:
        for system in systems:
            path = motion(root, system)
            path.write_text("".join("\t".join(["n/a"] * len(line.split("\t"))) + "\n" for line in lines(path)))

    return spoil


def remove(*systems: str) -> Spoil:
    def spoil(root: Path) -> None:
        for system in systems:
            for path in motion(root, system).parent.glob(f"*_tracksys-{system}_*"):
                path.unlink()

    return spoil


def only_seconds(first: float, last: float) -> Spoil:
    """Keeps this stretch of every sensor, and only events that begin in it."""

    def spoil(root: Path) -> None:
        for system in SYSTEMS:
            keep(motion(root, system), int(first * RATE_HZ), int(last * RATE_HZ))
        path = beside(root, CHEST, "events.tsv")
        header, *rows = lines(path)
        path.write_text(header + "".join(row for row in rows if float(row.split("\t")[0]) < last))

    return spoil


def routine_end(root: Path) -> float:
    events = pd.read_csv(beside(root, CHEST, "events.tsv"), sep="\t")
    steps = events[events["trial_type"].isin(["stand", "bow", "table", "wrist_bend", "forearm_roll"])]
    return float((steps["onset"] + steps["duration"]).max())


def only_the_routine(root: Path) -> None:
    only_seconds(0.0, routine_end(root))(root)


def no_calibration(root: Path) -> None:
    path = beside(root, CHEST, "events.tsv")
    header, *rows = lines(path)
    path.write_text(header + "".join(row for row in rows if row.split("\t")[2].strip() in ("shot", "block", "tap")))


def stops_part_way(root: Path) -> None:
    path = motion(root, HAND)
    keep(path, 0, int((routine_end(root) + 5.0) * RATE_HZ))


def with_times(change_times: Callable[[list[str]], None], *, same_data: bool = False) -> Spoil:
    """Gives the chest a column of sample times, changed."""

    def spoil(root: Path) -> None:
        path, channels = motion(root, CHEST), beside(root, CHEST, "channels.tsv")
        table = lines(path)
        if same_data:
            table[101] = table[100]
        times = [f"{number / RATE_HZ:g}" for number in range(len(table))]
        change_times(times)
        path.write_text("".join(f"{time}\t{line}" for time, line in zip(times, table, strict=True)))
        header, *rows = lines(channels)
        width = len(header.split("\t"))
        clock = "\t".join(["time", "n/a", "LATENCY", "n/a", "s", *["n/a"] * (width - 5)])
        channels.write_text(f"{header}{clock}\n{''.join(rows)}")

    return spoil


def backwards(times: list[str]) -> None:
    times[100], times[101] = times[101], times[100]


def duplicate(times: list[str]) -> None:
    times[101] = times[100]


def not_utf8(root: Path) -> None:
    path = beside(root, CHEST, "events.tsv")
    path.write_bytes(path.read_bytes() + "1\t0\tshot\tfür\n".encode("latin-1"))


UNUSABLE: dict[str, tuple[Spoil, str, str, str]] = {
    # how it is spoilt, end of the file's name, what is wrong, what to do
    "empty file": (empty, "tracksys-chest_motion.tsv", "is empty", "record again"),
    "missing column": (lose_a_column, "tracksys-chest_motion.tsv", "has 5 columns but", "order"),
    "text in a number column": (put_text, "tracksys-chest_motion.tsv", "line 500 holds 'broken'", "n/a"),
    "unknown unit": (change("channels.tsv", "rad/s", "rpm"), "chest_channels.tsv", "in 'rpm'", "rad/s or deg/s"),
    "no sensor at all": (all_lost(*SYSTEMS), "_motion.tsv", "n/a", "record again"),
    "time backwards": (with_times(backwards), "tracksys-chest_motion.tsv", "line 102 has the time", "later than"),
    "duplicate that differs": (with_times(duplicate), "tracksys-chest_motion.tsv", "line 102", "delete the line"),
    "not UTF-8": (not_utf8, "tracksys-chest_events.tsv", "is not UTF-8", "save it as UTF-8"),
    "no rate": (change("motion.json", "SamplingFrequency", "Rate"), "chest_motion.json", "SamplingFrequency", "Hz"),
}


@pytest.mark.parametrize("case", UNUSABLE)
def test_an_unusable_recording(
    case: str, small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, file, wrong, do = UNUSABLE[case]
    spoil(small_dataset)
    out = tmp_path / "results"
    assert main(["analyze", str(small_dataset), "--out", str(out)]) == 1
    printed, error = capsys.readouterr()
    assert printed == ""
    message = error.removesuffix("\n")
    assert "\n" not in message
    place, _, rest = message.partition(": ")
    what, _, remedy = rest.rpartition("; ")
    assert place.endswith(file)
    assert wrong in what
    assert do in remedy
    assert re.search(r"[^.]\.$", message)
    assert not out.exists()

    assert main(["check", str(small_dataset)]) == 1
    assert message in capsys.readouterr().out


def test_an_empty_file_costs_its_own_sensor_only_where_the_advice_is_followed(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = motion(small_dataset, HAND)
    path.write_text("")
    assert main(["analyze", str(small_dataset), "--out", str(tmp_path / "results")]) == 1
    advised = re.search(r"delete the files (\S+\*): the recording's other sensors are usable", capsys.readouterr().err)
    assert advised
    for file in path.parent.glob(advised[1]):
        file.unlink()
    swings, quality = analyze(small_dataset, tmp_path / "results")
    assert quality["worn"] == ["chest", "lead_forearm"]
    assert len(swings)


def analyze(root: Path, out: Path) -> tuple[pd.DataFrame, dict[str, object]]:
    assert main(["analyze", str(root), "--out", str(out)]) == 0
    quality = json.loads((out / "quality.json").read_text())["recordings"][0]
    return pd.read_parquet(out / "swings.parquet"), quality


def texts(quality: dict[str, object]) -> str:
    return " ".join(f"{w['text']} {w['do']}" for w in quality["warnings"])  # type: ignore[attr-defined]


MISSING_SENSOR = {
    "no hand": (remove(HAND), {"chest", "lead_forearm"}),
    "no forearm": (remove(FOREARM), {"chest", "lead_hand"}),
    "chest only": (remove(FOREARM, HAND), {"chest"}),
    "no chest": (remove(CHEST), {"lead_forearm", "lead_hand"}),
    "hand all lost": (all_lost(HAND), {"chest", "lead_forearm"}),
}


@pytest.mark.filterwarnings("ignore::imuswing.recording.read.RecordingWarning")
@pytest.mark.parametrize("case", MISSING_SENSOR)
def test_a_missing_sensor_costs_its_own_measures_only(case: str, small_dataset: Path, tmp_path: Path) -> None:
    spoil, worn = MISSING_SENSOR[case]
    events = beside(small_dataset, CHEST, "events.tsv").read_bytes()
    spoil(small_dataset)
    # Events are told on the first clock that is left.
    first = min(path.name for path in small_dataset.rglob("*_motion.tsv"))
    folder = motion(small_dataset, HAND if "chest" not in worn else CHEST).parent
    (folder / first.replace("motion.tsv", "events.tsv")).write_bytes(events)
    swings, quality = analyze(small_dataset, tmp_path / "results")
    assert len(swings) >= 3
    assert set(quality["worn"]) == worn  # type: ignore[call-overload]
    had = {measure.name for measure in MEASURES if swings[measure.name].notna().any()}
    for measure in MEASURES:
        if not set(measure.needs) <= worn:
            assert measure.name not in had
    assert ("chest_turn_rate_impact_dps" in had) == ("chest" in worn)
    assert ("backswing_arc_deg" in had) == ("lead_forearm" in worn)
    flagged = swings["flags"].map(lambda flags: "events_from_chest" in flags)
    assert flagged.all() if worn == {"chest"} else not flagged.any()


def test_a_recording_of_two_seconds_is_told_in_one_sentence(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    only_seconds(0.0, 2.0)(small_dataset)
    assert main(["analyze", str(small_dataset), "--out", str(tmp_path / "results")]) == 1
    told = capsys.readouterr().err
    assert "_motion.tsv: lasts only 2.0 s; record" in told
    assert told.count("\n") == 1
    assert not (tmp_path / "results").exists()


def test_a_recording_without_a_swing_gives_empty_tables_that_say_so(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    only_the_routine(small_dataset)
    swings, quality = analyze(small_dataset, tmp_path / "results")
    assert capsys.readouterr().out.startswith("0 swings found")
    assert len(swings) == 0
    assert len(pd.read_parquet(tmp_path / "results" / "curves.parquet")) == 0
    assert "No swing was found" in texts(quality)
    assert main(["check", str(small_dataset)]) == 1


def test_a_sensor_without_samples_is_told_in_one_sentence(small_dataset: Path) -> None:
    all_lost(HAND)(small_dataset)
    command = [sys.executable, "-m", "imuswing", "check", str(small_dataset)]
    result = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert result.returncode == 0
    (line,) = [line for line in (result.stdout + result.stderr).splitlines() if "lead_hand is left out" in line]
    assert line.startswith(f"  ADVICE: {motion(small_dataset, HAND).name}: lead_hand is left out")


def test_a_recording_without_calibration(small_dataset: Path, tmp_path: Path) -> None:
    marked, _ = analyze(small_dataset, tmp_path / "marked")
    no_calibration(small_dataset)
    swings, quality = analyze(small_dataset, tmp_path / "results")
    assert len(swings) == len(marked) >= 3
    assert "calibration" in texts(quality)
    # The steps are found in the data. Null, or as with the coach's marks, within the standard errors that are told; and
    # these no smaller, but for the hundredth that a step's slightly other beginning and end makes.
    for name in (measure.name for measure in MEASURES if measure.group == "wrist"):
        error = swings[f"{name}_se"]
        known = swings[name].notna()
        assert ((swings[name] - marked[name]).abs() < error)[known].all(), name
        assert (error >= 0.99 * marked[f"{name}_se"])[known].all(), name


def test_a_sensor_that_stops_part_way(small_dataset: Path, tmp_path: Path) -> None:
    whole, _ = analyze(small_dataset, tmp_path / "whole")
    stops_part_way(small_dataset)
    swings, quality = analyze(small_dataset, tmp_path / "results")
    assert len(swings) == len(whole)
    assert swings["wrist_flexion_impact_deg"].isna().all()
    assert swings["backswing_arc_deg"].notna().any()
    assert re.search(r"lead hand.*(stop|end)", texts(quality))


def test_exact_copies_of_a_sample_are_left_out(small_dataset: Path, tmp_path: Path) -> None:
    with_times(duplicate, same_data=True)(small_dataset)
    with pytest.warns(UserWarning, match="twice|cop"):
        swings, _ = analyze(small_dataset, tmp_path / "results")
    assert len(swings) >= 3


def test_degrees_that_are_told_as_radians_are_noticed(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = motion(small_dataset, CHEST)
    table = pd.read_csv(path, sep="\t", header=None, na_values="n/a")
    channels = pd.read_csv(beside(small_dataset, CHEST, "channels.tsv"), sep="\t")
    gyro = [place for place, kind in enumerate(channels["type"]) if kind == "GYRO"]
    table[gyro] = table[gyro].astype(float) * 57.29578
    table.to_csv(path, sep="\t", header=False, index=False, na_rep="n/a")
    status = main(["analyze", str(small_dataset), "--out", str(tmp_path / "results")])
    said = capsys.readouterr().err
    if status == 0:
        said = texts(json.loads((tmp_path / "results" / "quality.json").read_text())["recordings"][0])
    assert re.search(r"deg/s|degrees", said)
    assert "chest" in said


def test_one_bad_recording_of_two_ends_with_3(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = small_dataset / "sub-S001" / "ses-02" / "motion"
    other.mkdir(parents=True)
    for path in motion(small_dataset, CHEST).parent.iterdir():
        (other / path.name.replace("_ses-01", "_ses-02")).write_bytes(path.read_bytes())
    (other / motion(small_dataset, CHEST).name.replace("_ses-01", "_ses-02")).write_text("")
    out = tmp_path / "results"
    assert main(["analyze", str(small_dataset), "--out", str(out)]) == 3
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "ses-02" in error
    assert "is empty" in error
    swings = pd.read_parquet(out / "swings.parquet")
    assert set(swings["session"]) == {"01"}
