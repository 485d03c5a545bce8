# ruff: noqa: E402 - the thread settings must come before numpy
"""How long an import takes and how much memory: `python scripts/import_speed.py --minutes 60`.

One CSV with three sensors at 200 Hz (time and 18 columns) is written into a temporary folder, from a short simulated
lesson repeated; then `imuswing import` runs in a process of its own. The
limit, 6 s of processor time, is the project's.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ARROW_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from imuswing.simulate import simulate_recording

LIMIT_S = 6.0
CLOCKS = ("seconds", "dates")


def write_hour(path: Path, minutes: float, clock: str) -> int:
    """One file with three sensors; its number of rows."""
    recording, _ = simulate_recording(seed=7, shots=6, rate=200.0, preset="realistic")
    streams = list(recording.sensors.values())
    count = min(len(stream.time) for stream in streams)
    block = np.column_stack([np.column_stack([s.acc[:count], s.gyr[:count] * 180.0 / np.pi]) for s in streams])
    names = [
        f"{s.tracked_point} {kind} {axis} [{unit}]"
        for s in streams
        for kind, unit in (("acc", "m/s^2"), ("gyro", "deg/s"))
        for axis in "xyz"
    ]
    # A lost sample is an empty cell; the text of a block is made once and repeated.
    cells = [",".join("" if np.isnan(v) else f"{v:.6g}" for v in row) for row in block.tolist()]
    rows = round(minutes * 60.0 * 200.0)
    start = np.datetime64("2024-05-31T14:05:09.500000")
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(["time [s]" if clock == "seconds" else "time", *names]) + "\n")
        for first in range(0, rows, count):
            part = np.arange(first, min(first + count, rows))
            if clock == "seconds":
                clocks = [f"{t:.4f}" for t in (part / 200.0).tolist()]
            else:
                clocks = np.datetime_as_string(start + part * np.timedelta64(5000, "us")).tolist()
            file.writelines(f"{t},{row}\n" for t, row in zip(clocks, cells, strict=False))
    return rows


def main() -> int:
    """Write, import, and print what it took."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    args = parser.parse_args()
    slow = False
    for clock in CLOCKS:
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder, "session.csv")
            rows = write_hour(file, args.minutes, clock)
            size = file.stat().st_size / 1e6
            command = [sys.executable, "-m", "imuswing", "import", str(file), "--into", str(Path(folder, "lessons"))]
            labels = ["--participant", "S1", "--session", "01", "--task", "chip", "--lead-side", "left", "--yes"]
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([*command, *labels], check=True, stdout=subprocess.DEVNULL)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        slow |= took > LIMIT_S * args.minutes / 60.0
        print(f"time as {clock}: {rows} rows, {size:.0f} MB: {took:.1f} s, at most {after.ru_maxrss / 1e3:.0f} MB")
    return int(slow)


if __name__ == "__main__":
    sys.exit(main())
