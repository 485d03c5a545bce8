"""C3D: points of the stick figure in mm, rotations of the segments, and the moments of the swing as events.

Format: "The C3D File Format User Guide" (c3d.org): POINT, EVENT (TIMES in minutes and seconds from the first frame) and
the later ROTATION group with 4 × 4 matrices, written and read back by the library `ezc3d`. Numbers are float32.
"""

from __future__ import annotations

import errno
import os
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np

from imuswing.errors import MissingExtraError, SettingsError
from imuswing.export.figure import ORIGINS, FigureSizes, figure_points
from imuswing.export.frames import SwingFrames
from imuswing.orientation.quaternion import FloatArray, to_matrix

MM: Final = 1000.0
CONTEXT: Final = "General"
MOST_FRAMES: Final = 65_535
MOST_EVENTS: Final = 255
"""The format numbers frames with 16 bits, and entries of a parameter with 8 ("The C3D File Format User Guide")."""
ABOUT: Final = "imuswing: orientations are measured, lengths and the place of the hips are drawn"


def write_c3d(swing: SwingFrames, path: Path, *, sizes: FigureSizes) -> None:
    """Write a swing; the earth frame has Z up and X along the address line. Frames without orientations are missing.

    Raises MissingExtraError without the library, SettingsError where the format cannot hold so many frames or events.
    """
    _check_limits(swing)
    try:
        ezc3d: Any = import_module("ezc3d")
    except ImportError as error:
        raise MissingExtraError("formats", "writing C3D files") from error
    points = figure_points(swing, sizes=sizes)
    file = ezc3d.c3d()
    told = file["parameters"]["POINT"]
    told["UNITS"]["value"] = ["mm"]
    told["RATE"]["value"] = [swing.rate]
    told["LABELS"]["value"] = list(points)
    file.add_parameter("POINT", "X_SCREEN", ["+X"], "the address line, to the lead side")
    file.add_parameter("POINT", "Y_SCREEN", ["+Z"], "up")
    places = np.stack([_homogeneous(MM * place) for place in points.values()], axis=1)
    file["data"]["points"] = places
    # The format marks a point that was not seen by a negative residual.
    file["data"]["meta_points"]["residuals"] = np.where(np.isnan(places[:1]), -1.0, 0.0)
    if swing.q:
        _add_rotations(file, swing, points)
    _add_events(file, swing)
    file.add_parameter("SUBJECTS", "NAMES", [str(swing.keys["participant"])], "pseudonym")
    file.add_parameter("SUBJECTS", "USED", [1])
    file.add_parameter("MANUFACTURER", "SOFTWARE", [ABOUT])
    # The library puts its own ending on names that lack it.
    ending = path.with_name(f"{path.name}.c3d")
    try:
        file.write(str(ending))
        _check_whole(ending, matrices=len(swing.q), points=len(points), frames=len(swing.time))
        os.replace(ending, path)
    finally:
        ending.unlink(missing_ok=True)


def _check_whole(path: Path, *, matrices: int, points: int, frames: int) -> None:
    """OSError where the disk was full, which the library does not tell.

    Word 9 of the header is the first block of 512 bytes with data; a point takes four float32 a frame, a matrix of
    ROTATION its sixteen and one for how well it is known ("The C3D File Format User Guide").
    """
    with path.open("rb") as file:
        header = file.read(18)
    first = int.from_bytes(header[16:18], "little")
    if len(header) < 18 or path.stat().st_size < 512 * (first - 1) + 4 * frames * (4 * points + 17 * matrices):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _check_limits(swing: SwingFrames) -> None:
    for count, most, what in (
        (len(swing.time), MOST_FRAMES, "frames"),
        (len(swing.moments), MOST_EVENTS, "events"),
    ):
        if count > most:
            raise SettingsError(
                f"a C3D file holds at most {most} {what}, here are {count}; name a folder for --out, which gives one "
                "file a swing, or take a lower --rate"
            )


def _homogeneous(place: FloatArray) -> FloatArray:
    """(4, N) from (N, 3)."""
    return np.concatenate([place.T, np.ones((1, len(place)))])


def _add_rotations(file: Any, swing: SwingFrames, points: dict[str, FloatArray]) -> None:
    matrices = np.zeros((4, 4, len(swing.q), len(swing.time)))
    matrices[3, 3] = 1.0
    for number, (point, q) in enumerate(swing.q.items()):
        matrices[:3, :3, number] = np.moveaxis(to_matrix(q), 0, -1)
        matrices[:3, 3, number] = MM * points[ORIGINS[point]].T
    file.add_parameter("ROTATION", "USED", [len(swing.q)])
    file.add_parameter("ROTATION", "RATE", [swing.rate])
    file.add_parameter("ROTATION", "LABELS", list(swing.q))
    file["data"]["rotations"] = matrices


def _add_events(file: Any, swing: SwingFrames) -> None:
    """Times count from the first frame."""
    for name, at in swing.moments:
        seconds = at - float(swing.time[0])
        if seconds >= 0.0:
            minutes = int(seconds // 60.0)
            file.add_event([minutes, seconds - 60.0 * minutes], CONTEXT, name)
