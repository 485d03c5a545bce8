"""What docs/importing.md shows is read as it stands."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from imuswing.formats.event_file import read_event_file, to_events
from imuswing.formats.mapping import map_for, read_map

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "importing.md").read_text(encoding="utf-8")


def block(language: str) -> str:
    found = re.search(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_map_of_the_page(tmp_path: Path) -> None:
    file = tmp_path / "logger.toml"
    file.write_text(block("toml"))
    maps = read_map(file)
    found = map_for(maps, file="my chest 3.csv", table="")
    assert found is not None
    (sensor,) = found.sensors
    assert sensor.acc == ("ax", "ay", "-az")
    assert isinstance(sensor.gyr_unit, float)
    np.testing.assert_allclose(sensor.gyr_unit, np.pi / 180.0 / 16.4, rtol=1e-4)


def test_the_events_of_the_page(tmp_path: Path) -> None:
    file = tmp_path / "marks.csv"
    file.write_text(block("csv"))
    events, doubts = to_events(read_event_file(file), path=file, start=0.0, absolute=False, duration=600.0)
    assert [(e.onset, e.duration, e.trial_type, e.block or e.outcome) for e in events] == [
        (3.0, 5.0, "stand", None),
        (12.0, 14.0, "bow", None),
        (80.0, 120.0, "block", "baseline"),
        (91.4, 0.0, "shot", "thin"),
    ]
    assert doubts == ()
