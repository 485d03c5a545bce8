"""How text tables are written, on files written down here."""

from __future__ import annotations

from pathlib import Path

import pytest

from imuswing.formats.text import find_layout

ROW = "0.01,1.0,2.0,3.0\n0.02,1.5,2.5,3.5\n"


@pytest.mark.parametrize(
    ("header", "names"),
    [
        ("t,ax,ay,az\n", ("t", "ax", "ay", "az")),
        ("t,ax,ay,az\ns,g,g,g\n", ("t [s]", "ax [g]", "ay [g]", "az [g]")),
        ('t,"ax, g","ay, g","az, g"\n', ("t", "ax, g", "ay, g", "az, g")),
        # A unit behind a comma that nobody quoted is no column of its own (RFC 4180, 2.6: such a cell wants quotes).
        ("t,ax, g,ay, g,az, g\n,,,\n", ("t", "ax [g]", "ay [g]", "az [g]")),
        # Cells too many that are no units: no header that fits.
        ("t,ax, hop,ay, hop,az, hop\n", ("column 1", "column 2", "column 3", "column 4")),
    ],
)
def test_names_and_units_above_the_numbers(header: str, names: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text(header + ROW)
    assert find_layout(path).names == names
