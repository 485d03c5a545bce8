"""`imuswing compare`: what it reads, prints, writes and refuses."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from imuswing.cli import main
from imuswing.compare import COLUMNS, VERDICTS, against_own_best, compare
from imuswing.compare.files import read_results
from imuswing.compare.own_best import LESS_OFTEN, MORE_OFTEN
from imuswing.compare.settings import GOALS, SIZES, CompareSettings
from imuswing.errors import RecordingError
from imuswing.measures.dictionary import BY_NAME
from imuswing.measures.tables import swings_table, write_swings

Capture = pytest.CaptureFixture[str]


def swings(
    *, session: str = "1", run: str | None = None, step: float = 0.4, blocks: tuple[str, ...] = ("baseline", "drill")
) -> pd.DataFrame:
    """Eight shots a block in the columns that analyze writes; continuity steps up from block to block."""
    random = np.random.default_rng(len(session) + 10 * len(blocks))
    rows: list[dict[str, Any]] = []
    for place, block in enumerate(blocks):
        for _ in range(8):
            row = {"participant": "P1", "session": session, "task": "chip", "run": run, "kind": "shot", "block": block}
            row |= {"swing": len(rows) + 1, "impact_s": 20.0 * len(rows), "flags": [], "outcome": "pure"}
            row |= {
                "chest_continuity": 0.3 + step * place + 0.05 * random.standard_normal(),
                "chest_continuity_se": 0.04,
            }
            row |= {"tempo_ratio": 3.0 + 0.1 * random.standard_normal(), "tempo_ratio_se": 0.05}
            rows.append(row)
    return swings_table(rows)


def results(folder: Path, table: pd.DataFrame) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    write_swings(table, folder / "swings.parquet")
    return folder


def record(folder: Path, *entries: tuple[str, str | None, str]) -> None:
    """A quality record: session, run, and whose routine calibrated it; each recording's file is named by its run."""
    recordings = [
        {
            "recording": {
                "participant": "P1",
                "session": s,
                "task": "chip",
                "acq": None,
                "run": run,
                "file": f"run{run}_motion.tsv",
            },
            "calibration": {"source": source},
        }
        for s, run, source in entries
    ]
    (folder / "quality.json").write_text(json.dumps({"recordings": recordings}))


def test_prints_in_words_and_writes_the_whole_table(tmp_path: Path, capsys: Capture) -> None:
    folder = results(tmp_path / "results", swings())
    out = tmp_path / "new" / "difference.parquet"
    assert main(["compare", str(folder), "--by", "block", "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "P1 chip: drill against baseline, 8 and 8 shots" in said.out
    line = next(line for line in said.out.splitlines() if "chest continuity" in line)
    assert line.split()[0] == "*"
    assert line.endswith("changed")
    assert "tempo ratio" in said.out
    assert str(out) in said.out
    written = pd.read_parquet(out)
    assert tuple(written.columns) == COLUMNS
    pd.testing.assert_frame_equal(written, compare(read_results([folder]), by="block"), check_dtype=False)
    schema = pq.read_schema(out)
    assert json.loads(schema.metadata[b"units"])["tempo_ratio"] == "1"
    assert str(schema.field("shots_needed").type) == "int64"
    assert [path.name for path in out.parent.iterdir()] == ["difference.parquet"]


@pytest.mark.parametrize(("name", "separator"), [("d.csv", ","), ("d.tsv", "\t"), ("D.CSV", ",")])
def test_the_table_is_written_as_its_name_ends(name: str, separator: str, tmp_path: Path) -> None:
    """Read by pandas, cell by cell as the Parquet file."""
    folder = results(tmp_path / "results", swings())
    for out in (tmp_path / "d.parquet", tmp_path / name):
        assert main(["compare", str(folder), "--by", "block", "--out", str(out)]) == 0
    text = pd.read_csv(tmp_path / name, sep=separator)
    assert text["verdict"].str.len().gt(0).all()
    pd.testing.assert_frame_equal(text, pd.read_parquet(tmp_path / "d.parquet"), check_dtype=False)


@pytest.mark.parametrize("name", ["d.xlsx", "d"])
def test_another_ending_is_refused(name: str, tmp_path: Path, capsys: Capture) -> None:
    folder = results(tmp_path / "results", swings())
    assert main(["compare", str(folder), "--by", "block", "--out", str(tmp_path / name)]) == 2
    assert "must end in .parquet, .csv or .tsv" in capsys.readouterr().err
    assert not (tmp_path / name).exists()


def test_what_one_side_never_measured_is_said(tmp_path: Path, capsys: Capture) -> None:
    """A sensor that was not worn: no number of shots more would tell."""
    table = swings()
    table.loc[table["block"] == "drill", ["tempo_ratio", "tempo_ratio_se"]] = np.nan
    assert main(["compare", str(results(tmp_path / "results", table)), "--by", "block"]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if "tempo ratio" in line)
    assert line.endswith("not measured in drill")


def test_takes_the_folders_that_batch_writes_and_several_at_once(tmp_path: Path, capsys: Capture) -> None:
    many = tmp_path / "batch"
    (many / "swings").mkdir(parents=True)
    write_swings(swings(session="1"), many / "swings" / "part-0.parquet")
    write_swings(swings(session="2"), many / "swings" / "part-1.parquet")
    third = results(tmp_path / "third", swings(session="10"))
    assert main(["compare", str(many), str(third), "--by", "session"]) == 0
    said = capsys.readouterr().out
    assert said.index("2 against 1") < said.index("10 against 1")
    assert "16 and 16 shots" in said
    assert "strapping" in said


def test_only_the_blocks_asked_for(tmp_path: Path, capsys: Capture) -> None:
    folders = [str(results(tmp_path / s, swings(session=s))) for s in ("1", "2")]
    assert main(["compare", *folders, "--by", "session", "--block", "baseline"]) == 0
    assert "8 and 8 shots" in capsys.readouterr().out
    assert main(["compare", *folders, "--by", "session", "--block", "warm"]) == 2
    assert "'baseline', 'drill'" in capsys.readouterr().err


def test_what_matters_and_what_is_worked_on_can_be_said(tmp_path: Path, capsys: Capture) -> None:
    folder = str(results(tmp_path / "results", swings()))
    calls = ["--goal", "tempo_ratio", "--matters", "chest_continuity=5"]
    assert main(["compare", folder, "--by", "block", *calls]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert next(line for line in lines if "tempo" in line).split()[0] == "*"
    assert next(line for line in lines if "continuity" in line).endswith("no change that matters")
    for wrong, needed in (("tempo_ratio=x", "number"), ("tempo_ratio=-1", "positive"), ("speed=1", "'tempo_ratio'")):
        assert main(["compare", folder, "--by", "block", "--matters", wrong]) == 2
        assert needed in capsys.readouterr().err


def test_the_plans_goals_are_worked_on_as_on_the_pages(tmp_path: Path, capsys: Capture) -> None:
    folder = str(results(tmp_path / "results", swings(blocks=("baseline", "drill", "transfer"), step=0.06)))
    plan = tmp_path / "plans" / "sub-P1.toml"
    plan.parent.mkdir()
    plan.write_text('[[goals]]\nmeasure = "tempo_ratio"\nlow = 2.7\ntask = "chip"\n')
    out, call = str(tmp_path / "table.parquet"), ["compare", folder, "--by", "block"]
    assert main([*call, "--out", out, "--plan", str(tmp_path), "--participant", "P1"]) == 0
    assert [line.split()[1] for line in capsys.readouterr().out.splitlines() if "*" in line[:4]][:2] == ["tempo"] * 2
    # The page's own way: the goals' measures are what compare is told.
    wanted = compare(read_results([Path(folder)]), by="block", settings=CompareSettings(goals=("tempo_ratio",)))
    pd.testing.assert_frame_equal(pd.read_parquet(out), wanted, check_dtype=False)
    assert main([*call, "--plan", str(plan), "--goal", "tempo_ratio"]) == 2
    assert "leave one out" in capsys.readouterr().err
    assert main([*call, "--plan", str(plan), "--against", "nowhere"]) == 2
    assert "--against is 'nowhere'; it must be one of 'baseline', 'drill', 'transfer'" in capsys.readouterr().err
    plan.write_text('participant = "P2"\n')
    assert main([*call, "--plan", str(plan.rename(tmp_path / "other.toml"))]) == 1
    assert "is the plan of P2, and this is about P1" in capsys.readouterr().err
    assert main([*call, "--participant", "P3"]) == 2
    assert "'P1'" in capsys.readouterr().err
    assert main([*call, "--goal", "continuity"]) == 2
    assert "did you mean 'chest_continuity'?" in capsys.readouterr().err


def test_a_later_block_can_be_the_one_compared_with(tmp_path: Path, capsys: Capture) -> None:
    folder = str(results(tmp_path / "results", swings()))
    assert main(["compare", folder, "--by", "block", "--against", "drill"]) == 0
    said = capsys.readouterr().out
    assert "baseline against drill" in said
    assert "Differences are the right mean minus the left one" in said
    line = next(line for line in said.splitlines() if "chest continuity" in line)
    left, right, difference = (float(word.replace("−", "-")) for word in re.findall(r"[+−]?\d+\.\d+", line)[:3])
    assert difference == pytest.approx(right - left, abs=0.011)  # each is rounded to two decimals
    assert left > right + 0.1  # the drill stands left, although it was played later
    assert main(["compare", folder, "--by", "block", "--against", "transfer"]) == 2
    assert "'baseline', 'drill'" in capsys.readouterr().err


def test_outcomes_are_told_where_they_say_something(tmp_path: Path, capsys: Capture) -> None:
    table = swings()
    assert main(["compare", str(results(tmp_path / "all", table)), "--by", "block", "--outcomes"]) == 0
    assert "do not say enough" in capsys.readouterr().out
    thin = table.assign(outcome=np.where(table["chest_continuity"] < 0.5, "thin", "pure"))
    assert main(["compare", str(results(tmp_path / "thin", thin)), "--by", "block", "--outcomes"]) == 0
    assert "P1 chip, thin (8 of 16): chest continuity lower, −0." in capsys.readouterr().out


def test_the_latest_block_is_held_against_the_own_best(tmp_path: Path, capsys: Capture) -> None:
    table = swings(blocks=("baseline", "drill"))
    folder = str(results(tmp_path / "results", table))
    call = ["compare", folder, "--by", "block"]
    assert main([*call, "--own-best", "chest_continuity=higher", "--own-best", "tempo_ratio=3"]) == 0
    out = capsys.readouterr().out
    expected = against_own_best(read_results([Path(folder)]), measure="chest_continuity", better="higher", by="block")
    row = expected.iloc[0]
    assert f"P1 chip, drill: {row['reached']} of {row['n_now']} shots reach {row['line']:.2f}" in out
    assert str(row["verdict"]) in out
    assert "Own best, tempo ratio" in out
    for wrong, needed in (("speed=higher", "'tempo_ratio'"), ("tempo_ratio=big", "higher, lower or a number")):
        assert main([*call, "--own-best", wrong]) == 2
        assert needed in capsys.readouterr().err


def test_recordings_with_one_routine_share_a_strapping(tmp_path: Path) -> None:
    folder = tmp_path / "results"
    both = [swings(run="1", blocks=("baseline",)), swings(run="2", blocks=("drill",))]
    results(folder, pd.concat(both, ignore_index=True))
    apart = read_results([folder])
    assert apart["strapping"].nunique() == 2
    record(folder, ("1", "1", "this recording"), ("1", "2", "run1_motion.tsv"))
    assert read_results([folder])["strapping"].nunique() == 1
    # As batch writes it: a table and a record, a plain list, of the same name in folders of their own.
    for name, file in (("swings", "swings.parquet"), ("quality", "quality.json")):
        (tmp_path / "many" / name).mkdir(parents=True)
        moved = tmp_path / "many" / name / f"batch-000000{Path(file).suffix}"
        moved.write_bytes((folder / file).read_bytes())
    moved.write_text(json.dumps(json.loads(moved.read_text())["recordings"]))
    assert read_results([tmp_path / "many"])["strapping"].nunique() == 1
    for own in ("this recording", "found in the data", "nothing: no step is marked or found"):
        record(folder, ("1", "1", own), ("1", "2", own))
        assert read_results([folder])["strapping"].nunique() == 2, own


def test_a_routine_done_again_is_another_strapping(tmp_path: Path, capsys: Capture) -> None:
    folder = tmp_path / "results"
    first, later = swings(run="1", blocks=("baseline", "drill")), swings(run="2", blocks=("transfer",))
    results(folder, pd.concat([first, later], ignore_index=True))
    lent, drill = "run1_motion.tsv", first["impact_s"][first["block"] == "drill"].min()
    record(folder, ("1", "1", "this recording"), ("1", "2", lent))
    content = json.loads((folder / "quality.json").read_text())
    content["recordings"][0]["calibration"]["anew"] = [{"since_s": float(drill) - 5.0}]
    (folder / "quality.json").write_text(json.dumps(content))
    found = read_results([folder]).groupby("block", sort=False)["strapping"].unique().map(list).to_dict()
    # The second recording rests on the last round of the first.
    assert found["drill"] == found["transfer"]
    assert found["baseline"] != found["drill"]
    assert main(["compare", str(folder), "--by", "block"]) == 0
    assert "All of this: the sensors sat differently in the two blocks" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("by", "table", "said"),
    [
        ("block", swings(blocks=("baseline",)), "two blocks in one task (found: baseline); mark at least two blocks"),
        ("session", swings(), "two visits in one task (found: 1); name the results of at least two visits"),
        ("block", swings().assign(block=pd.NA), "two blocks in one task (none is marked); mark at least two blocks"),
        ("block", swings()[:0], "two blocks in one task (none is marked)"),
    ],
)
def test_nothing_to_compare_is_said_in_one_sentence(
    by: str, table: pd.DataFrame, said: str, tmp_path: Path, capsys: Capture
) -> None:
    folder = results(tmp_path / "results", table)
    out = tmp_path / "out.parquet"
    assert main(["compare", str(folder), "--by", by, "--out", str(out)]) == 1
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"{folder}: no student has shots of {said}")
    assert told.err.count("\n") == 1
    assert not out.exists()


def test_what_cannot_be_read_is_named(tmp_path: Path, capsys: Capture) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "swings.parquet").write_bytes(b"PAR1 and no more")
    other = tmp_path / "other"
    other.mkdir()
    pd.DataFrame({"x": [1]}).to_parquet(other / "swings.parquet")
    bad_record = results(tmp_path / "record", swings())
    (bad_record / "quality.json").write_text("[1]")
    file = tmp_path / "file"
    file.write_text("")
    said = {
        tmp_path / "nowhere": "is not there; name a folder",
        file: "is no folder; name a folder",
        empty: "holds neither swings.parquet nor swings/*.parquet; name a folder",
        broken: "cannot be read as a Parquet table; analyze",
        other: "no column 'participant', so it is no table of swings; analyze",
        bad_record: "is no quality record; analyze",
    }
    for folder, words in said.items():
        assert main(["compare", str(folder), "--by", "block"]) == 1
        told = capsys.readouterr().err
        assert words in told
        assert str(folder) in told
        assert told.count("\n") == 1


def test_a_swing_that_stands_twice_is_refused(tmp_path: Path) -> None:
    one, two = (results(tmp_path / name, swings()) for name in ("one", "two"))
    with pytest.raises(RecordingError, match=r"twice \(participant P1, session 1, task chip, swing 1\)"):
        read_results([one, two])


def test_a_table_that_cannot_be_written_leaves_nothing(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", "disk")

    folder, out = results(tmp_path / "results", swings()), tmp_path / "out.parquet"
    out.write_text("what stood there before")
    monkeypatch.setattr("os.replace", fails)
    assert main(["compare", str(folder), "--by", "block", "--out", str(out)]) == 1
    assert "make room and start again" in capsys.readouterr().err
    assert out.read_text() == "what stood there before"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.parquet", "results"]


def test_how_to_compare_must_be_said(tmp_path: Path, capsys: Capture) -> None:
    for arguments in ([], ["--by", "task"]):
        with pytest.raises(SystemExit) as ended:
            main(["compare", str(tmp_path), *arguments])
        assert ended.value.code == 2
    assert "block" in capsys.readouterr().err


def test_the_page_on_comparing_says_what_the_settings_hold() -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "comparing.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| (\S+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \|$", page, re.MULTILINE)
    told = {name: (unit, float(matters), float(visit), float(share)) for name, unit, matters, visit, share in rows}
    held = {
        name: (BY_NAME[name].unit, size.worthwhile, size.visit_sd, 100.0 * size.shared) for name, size in SIZES.items()
    }
    assert told == held
    for word in (*COLUMNS, *VERDICTS, *GOALS, MORE_OFTEN, LESS_OFTEN):
        assert f"`{word}`" in page, word
    assert f"all\n{len(SIZES)} measures" in page
