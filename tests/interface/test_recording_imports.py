"""Reading stays light: neither pandas nor scipy is loaded by it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from recordings_for_tests import hand_written_dataset

CODE = """
import sys
from imuswing.recording.read import read
recording = read(sys.argv[1])
assert recording.sensors["chest"].gyr.shape == (3, 3)
print(",".join(name for name in ("pandas", "scipy", "plotly", "matplotlib") if name in sys.modules))
"""


def test_reading_loads_no_heavy_library(tmp_path: Path) -> None:
    path = hand_written_dataset(tmp_path, motion="1\t2\t3\t4\t5\t6\nn/a\t2\t3\t4\t5\t6\n1\t2\t3\t4\t5\t6\n")
    run = subprocess.run([sys.executable, "-c", CODE, str(path)], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""
