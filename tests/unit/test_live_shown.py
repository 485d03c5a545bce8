"""`shown.parquet`: one row a swing, with the verdict that was told first and what became of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow.parquet

from imuswing.live.lines import line
from imuswing.live.messages import Estimate, Shot
from imuswing.live.session import shown_rows, write_shown


def told(number: int, kind: str, verdict: str | None, after: float, impact: float = 10.0) -> dict[str, Any]:
    entry = {"number": number, "kind": kind, "impact_s": impact, "chest_verdict": verdict, "shown_after_s": after}
    return {"shown": entry}


def test_a_shot_keeps_its_first_verdict_and_says_what_it_became() -> None:
    (row,) = shown_rows([told(1, "shot", "turning", 0.28), told(1, "shot", "slowing", 2.5, impact=10.009)])
    assert (row["chest_verdict"], row["shown_after_s"], row["impact_s"]) == ("turning", 0.28, 10.0)
    assert row["last_verdict"] == "slowing"


def test_what_was_taken_for_a_practice_swing_is_held_as_the_shot_that_it_was() -> None:
    # The same word was told at 0.28 s already; another one is told by the correction.
    log = [told(1, "practice", "turning", 0.28), {"add": {}}, told(1, "shot", "turning", 4.1, impact=10.02)]
    (same,) = shown_rows(log)
    assert (same["kind"], same["chest_verdict"], same["shown_after_s"]) == ("shot", "turning", 0.28)
    assert same["impact_s"] == 10.02
    (other,) = shown_rows([told(1, "practice", "turning", 0.28), told(1, "shot", "slowing", 4.1)])
    assert (other["kind"], other["chest_verdict"], other["shown_after_s"]) == ("shot", "slowing", 4.1)


def test_a_shot_whose_impact_was_not_one_is_a_practice_swing_at_the_end() -> None:
    (row,) = shown_rows([told(1, "shot", "turning", 0.28), told(1, "practice", "turning", 2.5)])
    assert (row["kind"], row["chest_verdict"]) == ("practice", "turning")


def test_a_swing_that_was_taken_back_has_no_last_verdict() -> None:
    (row,) = shown_rows([told(1, "shot", "turning", 0.28), {"taken_back": 1}, {"taken_back": 2}])
    assert (row["chest_verdict"], row["last_verdict"]) == ("turning", None)


def test_swings_without_a_verdict_are_left_out(tmp_path: Path) -> None:
    rows = shown_rows([told(1, "shot", None, 0.28), told(2, "shot", "stalled", 0.3)])
    write_shown(rows, tmp_path / "shown.parquet")
    table = pyarrow.parquet.read_table(tmp_path / "shown.parquet")
    assert table["chest_verdict"].to_pylist() == ["stalled"]
    assert table.schema.field("shown_after_s").metadata == {b"unit": b"s"}


def test_a_lines_continuity_is_not_rounded_over_the_limit_of_its_verdict() -> None:
    # By hand: 0.6988 is under 0.7, the default limit of `slowing`.
    measured = {"chest_continuity": Estimate(value=0.6988, se=0.0344)}
    told = {"kind": "shot", "verdict": "slowing", "stall_probability": 0.0, "measures": measured, "curves": {}}
    shot = Shot(number=1, impact_s=1.0, **told)
    assert "continuity 0.699 ± 0.067" in str(line(shot))
