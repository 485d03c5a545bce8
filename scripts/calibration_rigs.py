"""Axes of a joint from open recordings of real sensors, by its main axis of turning and by its constraint."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from imuswing.orientation.joint import relative_orientation
from imuswing.orientation.quaternion import FloatArray, inverse, multiply, to_matrix
from imuswing.orientation.relative import two_hinge_axes
from imuswing.sensors.increments import instants_from_means

FOLDER = Path(os.environ.get("IMUSWING_OPEN_DATA", Path(__file__).resolve().parents[2] / "shared" / "open_data"))
PART_S = 20.0
"""Axes are looked for in parts of this length, as somebody calibrates for about that long."""


def open_recordings() -> list[dict[str, Any]]:
    """One line a recording; empty where the folder is missing."""
    lines = [_rig(path) for path in sorted(FOLDER.glob("joint_rig_2D_*.npz"))]
    person = FOLDER / "upper_body_100hz.npz"
    return [*lines, *([_person(person)] if person.exists() else [])]


def _rig(path: Path) -> dict[str, Any]:
    """Error of both ways in each part, against the axes that the reference orientations show over the whole minute."""
    with np.load(path) as data:
        held = {name: np.asarray(data[name], dtype=np.float64) for name in data}
    rate = float(held["rate"])
    gyr1, gyr2 = (instants_from_means(held["gyr" + name]) for name in "12")
    true = multiply(inverse(held["q1_ref"]), held["q2_ref"])
    reference = two_hinge_axes(gyr1, gyr2, true)
    by_turning, by_constraint = [], []
    for part in _parts(len(gyr1), rate):
        estimate = relative_orientation(
            held["gyr1"][part], held["acc1"][part], held["gyr2"][part], held["acc2"][part], rate=rate,
            sample_meaning="mean",
        ).q_1_from_2  # fmt: skip
        found = two_hinge_axes(gyr1[part], gyr2[part], estimate)
        by_constraint += [_apart(found.axis1, reference.axis1), _apart(found.axis2, reference.axis2)]
        main = _main_axes(gyr1[part], gyr2[part], estimate)
        by_turning += [min(_apart(main, reference.axis1), _apart(main, _seen_from_1(reference.axis2, estimate)))]
    return {"name": path.stem, "turning": _rms(by_turning), "constraint": _rms(by_constraint)}


def _person(path: Path) -> dict[str, Any]:
    """No reference: how far the parts' axes lie from their common direction."""
    with np.load(path) as data:
        held = {name: np.asarray(data[name], dtype=np.float64) for name in data}
    turning, first, second = [], [], []
    for part in _parts(len(held["hand_left_gyr"]), 100.0):
        gyr1, acc1, gyr2, acc2 = (
            held[f"{name}_left_{kind}"][part] for name in ("forearm", "hand") for kind in ("gyr", "acc")
        )
        estimate = relative_orientation(gyr1, acc1, gyr2, acc2, rate=100.0, sample_meaning="instant").q_1_from_2
        found = two_hinge_axes(gyr1, gyr2, estimate)
        first.append(found.axis1)
        second.append(found.axis2)
        turning.append(_main_axes(gyr1, gyr2, estimate))
    spread = [*_spread(np.array(first)), *_spread(np.array(second))]
    return {"name": path.stem, "turning": _rms(_spread(np.array(turning))), "constraint": _rms(spread)}


def _parts(count: int, rate: float) -> list[slice]:
    size = int(PART_S * rate)
    return [slice(first, first + size) for first in range(0, count - size + 1, size)]


def _main_axes(gyr1: FloatArray, gyr2: FloatArray, q_1_from_2: FloatArray) -> FloatArray:
    """The direction (3,) in sensor 1 that holds most of the joint's turning."""
    rate = np.einsum("nij,nj->ni", to_matrix(q_1_from_2), gyr2) - gyr1
    return np.asarray(np.linalg.eigh(rate.T @ rate)[1][:, -1])


def _seen_from_1(axis2: FloatArray, q_1_from_2: FloatArray) -> FloatArray:
    mean = (to_matrix(q_1_from_2) @ axis2).mean(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def _apart(a: FloatArray, b: FloatArray) -> float:
    """° between two axes without sign."""
    return float(np.degrees(np.arccos(np.clip(abs(a @ b), 0.0, 1.0))))


def _spread(axes: FloatArray) -> list[float]:
    common = np.linalg.eigh(axes.T @ axes)[1][:, -1]
    return [_apart(axis, common) for axis in axes]


def _rms(angles: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(angles))))
