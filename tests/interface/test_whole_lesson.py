"""A lesson from consent to follow-up by the commands alone: plan, analysis, pages, corrections, and all of it again."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest

from imuswing.cli import main
from imuswing.report.document import DATA_ID


def shots_of(page: Path) -> list[dict[str, object]]:
    """What the coach's page knows of each swing."""
    found = re.search(rf'id="{DATA_ID}">(.*?)</script>', page.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert found is not None
    shots: list[dict[str, object]] = json.loads(found[1])["shots"]
    return shots


def test_a_lesson_from_consent_to_follow_up(
    small_dataset: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, results = str(small_dataset), tmp_path / "results"
    label = next(small_dataset.glob("sub-*")).name.removeprefix("sub-")
    coach, student = tmp_path / "coach.html", tmp_path / "student.html"

    def pages() -> None:
        assert main(["analyze", root, "--out", str(results), "--orientations"]) == 0
        call = ["report", str(results), "--plan", root]
        assert main([*call, "--for", "coach", "--out", str(coach)]) == 0
        assert main([*call, "--for", "student", "--out", str(student)]) == 0
        assert main(["report", str(results), "--for", "researcher", "--out", str(tmp_path / "data.html")]) == 0

    plan = ["--work-on", "keep turning", "--goal", "chest_continuity over 0.6 in 2 of 3", "--practice", "step_through"]
    assert main(["new", root, "--participant", label, "--consent", "yes", *plan]) == 0
    pages()
    before = pd.read_parquet(results / "swings.parquet")
    told = student.read_text(encoding="utf-8")
    assert "Keep turning" in told
    assert "Step through after the chip" in told

    struck = [shot for shot in shots_of(coach) if shot["shot"]]
    assert len(struck) == 3
    at = struck[0]["at"]
    assert isinstance(at, dict)
    sheet = tmp_path / "corrections.txt"
    sheet.write_text(f"{at['file']}\noutcome @{at['impact']:.3f}=a bit heavy\n", encoding="utf-8")
    assert main(["mark", root, "--apply", str(sheet)]) == 0
    pages()
    after = pd.read_parquet(results / "swings.parquet")
    row = after[(after["impact_s"] - at["impact"]).abs() < 0.001].iloc[0]
    assert row["outcome"] == "a bit heavy"
    same = [name for name in before if name not in ("outcome", "flags")]
    pd.testing.assert_frame_equal(before[same], after[same])
    assert [shot["filters"]["outcome"] for shot in shots_of(coach) if shot["key"] == struck[0]["key"]] == [
        "a bit heavy"
    ]

    assert main(["forget", root, label, "--results", str(results), "--yes"]) == 0
    capsys.readouterr()
    assert label not in " ".join(path.name for path in small_dataset.rglob("*"))
    left = results / "swings.parquet"
    assert not left.exists() or not len(pd.read_parquet(left))
