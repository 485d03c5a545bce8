"""Relative orientation on the two-segment rig with a reference, over its whole minute.

Data: carried by the MIT-licensed repository `dfjimu`; method of Weygers & Kok 2020, IEEE Sensors Journal 20:7969. Slow
(under 420 °/s), 50 Hz, samples are interval means. Score: root mean square angle of the relative rotation's error over
the minute after the constant offset between the estimate's and the reference's frames is taken out on one side (mean
rotation, Markley 2007), as is standard since the sensors' mounting in the reference is known to a degree or two only.
Samples where the reference itself jumps by more than 3° against the gyro, and its turned-over ones, are left out.
"""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from imuswing.orientation.joint import RelativeOrientation, relative_orientation
from imuswing.orientation.quaternion import angle_between, exp, inverse, log, multiply
from imuswing.orientation.relative import estimate_lever_arms, heading_offset_from_hinges, two_hinge_axes
from imuswing.sensors.increments import instants_from_means

FOLDER = Path(os.environ.get("IMUSWING_OPEN_DATA", Path(__file__).parents[3] / "shared" / "open_data"))
RIGS = sorted(FOLDER.glob("joint_rig_*.npz"))

pytestmark = pytest.mark.skipif(not RIGS, reason=f"no open recordings (joint_rig_*.npz) in {FOLDER}")


def load(path: Path) -> dict[str, np.ndarray]:
    with np.load(path) as data:
        return {name: np.asarray(data[name], dtype=np.float64) for name in data}


def reference(data: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Relative reference (N, 4) and which samples of it are sound (N,): no jump against the gyros."""
    step_s = 1.0 / float(data["rate"])
    sound = np.ones(len(data["q1_ref"]), dtype=bool)
    for name in "12":
        q = data[f"q{name}_ref"]
        steps = log(multiply(inverse(q[:-1]), q[1:]))
        jump = np.linalg.norm(steps - data["gyr" + name][1:] * step_s, axis=1) > np.radians(3.0)
        # A pair of jumps bounds samples that stand turned over.
        at = np.flatnonzero(jump)
        for first, last in pairwise(at):
            if last - first < 50:
                sound[first : last + 2] = False
    return multiply(inverse(data["q1_ref"]), data["q2_ref"]), sound


def rmse_deg(got: RelativeOrientation, data: dict[str, np.ndarray]) -> float:
    truth, sound = reference(data)
    assert sound.mean() > 0.97
    difference = multiply(inverse(got.q_1_from_2), truth)[sound]
    offset = np.linalg.eigh(difference.T @ difference)[1][:, -1]
    error = angle_between(truth[sound], multiply(got.q_1_from_2[sound], offset))
    assert np.isfinite(error).all()
    assert np.degrees(angle_between(offset, np.array([1.0, 0.0, 0.0, 0.0]))) < 4.0
    return float(np.degrees(np.sqrt(np.mean(error**2))))


def estimate(data: dict[str, np.ndarray], **options: object) -> RelativeOrientation:
    return relative_orientation(
        data["gyr1"],
        data["acc1"],
        data["gyr2"],
        data["acc2"],
        rate=float(data["rate"]),
        sample_meaning="mean",
        **options,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("path", RIGS, ids=lambda path: path.stem)
def test_relative_orientation_over_the_minute(path: Path) -> None:
    """No mounting, axis or arm is given. Goal: 3° (the project's own, for a wrist-like joint). Anchors: others' elbow
    2.7 and 3.8° (Müller 2017, second hand), wrist at handling speed 1.5 to 2.2° (Chen 2023).
    """
    data = load(path)
    assert rmse_deg(estimate(data), data) < 3.0


@pytest.mark.parametrize("path", [path for path in RIGS if "2D" in path.stem], ids=lambda path: path.stem)
def test_two_hinges_are_found_and_help(path: Path) -> None:
    """The rig's axes are built square to one another and along the sensors' axes (seen in the data, not documented)."""
    data = load(path)
    plain = estimate(data)
    gyr1, gyr2 = (instants_from_means(data["gyr" + name]) for name in "12")
    hinges = two_hinge_axes(gyr1, gyr2, plain.q_1_from_2)
    assert abs(np.degrees(np.arccos(hinges.cosine)) - 90.0) < 2.0
    for axis in (hinges.axis1, hinges.axis2):
        assert np.degrees(np.arccos(np.max(np.abs(axis)))) < 2.0
    assert rmse_deg(estimate(data, hinges=hinges), data) < rmse_deg(plain, data)

    q2 = multiply(exp(np.array([0.0, 0.0, -1.0])), data["q2_ref"])
    for first in range(0, len(q2) - 500, 500):
        part = slice(first, first + 500)
        found = heading_offset_from_hinges(
            data["q1_ref"][part], q2[part], hinges.axis1, hinges.axis2, cosine=hinges.cosine
        )
        assert abs(np.degrees(found.delta - 1.0)) < 2.0


@pytest.mark.parametrize("path", [path for path in RIGS if "1D" not in path.stem], ids=lambda path: path.stem)
def test_lever_arms_are_the_ones_measured(path: Path) -> None:
    """Against the arms that come with the data, of unknown accuracy: within 12 mm (a hinge's own axis is not fixed)."""
    data = load(path)
    gyr1, gyr2, acc1, acc2 = (instants_from_means(data[name]) for name in ("gyr1", "gyr2", "acc1", "acc2"))
    found = estimate_lever_arms(acc1, gyr1, acc2, gyr2, rate=float(data["rate"]))
    np.testing.assert_allclose(found.arm1, data["r_12"], atol=0.012)
    np.testing.assert_allclose(found.arm2, data["r_21"], atol=0.012)
