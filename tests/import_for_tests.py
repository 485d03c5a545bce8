"""Files as other people's loggers write them, made from a simulated lesson without the project's own writers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np

from imuswing.cli import main
from imuswing.recording.model import Recording
from imuswing.recording.read import read_all
from imuswing.simulate import simulate_recording

G = 9.80665
WHO = ["--participant", "S001", "--session", "01", "--task", "chip", "--lead-side", "left", "--yes"]


@lru_cache(maxsize=1)
def lesson() -> Recording:
    """A simulated lesson of two minutes at 100 Hz: chest, lead forearm, lead hand."""
    recording, _ = simulate_recording(seed=12, shots=3, rate=100.0, preset="realistic")
    return recording


def sensor_columns(point: str, *, acc_unit: float = 1.0, gyr_unit: float = 1.0) -> np.ndarray:
    """(N, 6) acceleration and angular rate of one sensor, in units of so many m/s² and rad/s."""
    stream = lesson().sensors[point]
    return np.column_stack([stream.acc / acc_unit, stream.gyr / gyr_unit])


def times() -> np.ndarray:
    """(N,) s."""
    return next(iter(lesson().sensors.values())).time


def write_text(
    path: Path,
    names: Sequence[str] | None,
    columns: np.ndarray,
    *,
    separator: str = ",",
    decimal: str = ".",
    form: str | Callable[[float], str] = ".7g",
    before: str = "",
    encoding: str = "utf-8",
) -> Path:
    """Delimited text, a lost sample as an empty cell."""
    write = form if callable(form) else (lambda value: format(value, form))
    rows = [
        separator.join("" if np.isnan(value) else write(value).replace(".", decimal) for value in row)
        for row in columns.tolist()
    ]
    header = [] if names is None else [separator.join(names)]
    path.write_text(before + "\n".join([*header, *rows]) + "\n", encoding=encoding)
    return path


def three_files(folder: Path) -> list[Path]:
    """One plain file a sensor: seconds, m/s^2, deg/s."""
    names = ["time [s]", *(f"acc_{a} [m/s^2]" for a in "xyz"), *(f"gyro_{a} [deg/s]" for a in "xyz")]
    files = []
    for point, name in (("chest", "chest"), ("lead_forearm", "forearm"), ("lead_hand", "hand")):
        data = np.column_stack([times(), sensor_columns(point, gyr_unit=np.pi / 180.0)])
        files.append(write_text(folder / f"{name}.csv", names, data, form=".10g"))
    return files


def bring_in(files: Sequence[Path], into: Path, *more: str) -> int:
    """`imuswing import` with the usual labels; its exit status."""
    return main(["import", *map(str, files), "--into", str(into), *WHO, *more])


def only_recording(dataset: Path) -> Recording:
    """The one recording of a dataset."""
    (recording,) = read_all(dataset)
    return recording


def assert_same_motion(found: Recording, *, rtol: float = 1e-6) -> None:
    """The sensors of `lesson()`, to the digits that its files hold; lost samples are lost in both."""
    wanted = lesson()
    assert set(found.sensors) == set(wanted.sensors)
    for point, stream in wanted.sensors.items():
        got = found.sensors[point]
        np.testing.assert_allclose(got.acc, stream.acc, rtol=rtol, atol=rtol * G)
        np.testing.assert_allclose(got.gyr, stream.gyr, rtol=rtol, atol=rtol)
        np.testing.assert_allclose(got.time, stream.time, atol=1e-6)
        assert got.rate == stream.rate
