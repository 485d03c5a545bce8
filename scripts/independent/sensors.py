"""What strapped-on sensors record of moving bones: mount, skin, shocks, errors of the parts, clocks, losses.

Sizes (at size 1 of `errors`), as consumer parts have them by their data sheets (from memory): gyroscope 0.01
deg/s/rtHz, turn-on bias 0.6 deg/s, 0.03 deg/s per g; accelerometer 150 ug/rtHz, bias 15 mg; scales 0.5 %, crossed axes
0.5 deg; clocks 20 ppm (crystals, from memory). Soft tissue adds 2.2 +- 1.5 deg (Teufl 2018); its springs here are
assumptions, as are the shocks: no study of them was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, lfilter, sosfiltfilt
from scipy.spatial.transform import Rotation

from independent.paths import RATE_HZ, Floats
from independent.skeleton import Bone, body_rate, mirrored, second_difference
from independent.timeline import Chunk

GRAVITY = 9.81  # m/s^2
POINTS = ("chest", "lead_forearm", "lead_hand")
PLACE_M = {"chest": (0.11, 0.36, 0.0), "lead_forearm": (-0.025, 0.045, 0.0), "lead_hand": (-0.018, -0.045, 0.0)}
# Shock of impact at a full swing: acceleration m/s^2, rate deg/s, Hz, seconds of decay, seconds of delay (assumptions).
SHOCK = {
    "chest": (5.0, 0.0, 25.0, 0.030, 0.006),
    "lead_forearm": (60.0, 90.0, 60.0, 0.015, 0.002),
    "lead_hand": (110.0, 160.0, 85.0, 0.012, 0.001),
}
# Soft tissue: natural frequency Hz (range), damping (range), kick of the impact deg/s at a full swing. A small
# sensor on the skin over the spine rings at some 15 to 20 Hz (Kitazaki & Griffin 1995, J Biomech 28:885, from
# memory); one with a strap is heavier. The limbs' values, damping and kicks are assumptions.
SKIN = {
    "chest": ((10.0, 18.0), (0.3, 0.5), 40.0),
    "lead_forearm": ((14.0, 22.0), (0.3, 0.5), 60.0),
    "lead_hand": ((16.0, 26.0), (0.3, 0.5), 60.0),
}
ROLL_LEFT_BEHIND = 0.15  # skin above the wrist follows some 85 % of the roll (from memory)
TURN_LEFT_BEHIND = (0.03, 0.02)  # mean and spread over people: at 70 deg the 2.2 deg of soft tissue (Teufl 2018)
GYRO_RANGE_DPS = 2000.0
ACC_RANGE_G = 16.0


@dataclass(frozen=True, kw_only=True)
class Record:
    """One sensor's samples in its own axes and on its own clock; lost ones nan."""

    point: str
    rate_hz: float
    meaning: str
    start_s: float  # on the timeline
    drift: float  # the clock's, as a share
    time_s: Floats
    gyr: Floats  # rad/s
    acc: Floats  # m/s^2


@dataclass(frozen=True, kw_only=True)
class Happening:
    """What shakes the sensors: taps and strokes of the club, seconds; slips: (point, seconds, rotation vector rad)."""

    taps_s: list[float]
    strokes: list[tuple[float, float]]  # when, how hard
    slips: list[tuple[str, float, Floats]]


def record(
    bones: dict[str, Bone],
    chunk: Chunk,
    happening: Happening,
    size: dict[str, float],
    lead: str,
    rng: np.random.Generator,
) -> list[Record]:
    """All three sensors."""
    rate = 200.0 if size["clock"] == 0.0 else float(rng.choice([100.0, 200.0, 400.0], p=[0.15, 0.7, 0.15]))
    meaning = "instant" if size["clock"] == 0.0 else str(rng.choice(["instant", "mean"]))
    records = []
    for point in POINTS:
        axes, place = _on_skin(bones[point], point, chunk, happening, size, rng)
        if lead == "left":
            axes, place = mirrored(axes, place)
        axes = axes * Rotation.random(random_state=int(rng.integers(2**31)))  # strapped on in any orientation
        gyr = body_rate(axes)
        acc = axes.inv().apply(second_difference(place) + GRAVITY * np.array([0.0, 0.0, 1.0]))
        _shake(gyr, acc, point, happening, rng)
        gyr, acc = _parts(gyr, acc, size, rng)
        records.append(_sampled(gyr, acc, point, rate, meaning, size, rng))
    return records


def _on_skin(
    bone: Bone, point: str, chunk: Chunk, happening: Happening, size: dict[str, float], rng: np.random.Generator
) -> tuple[Rotation, Floats]:
    """Axes and place of the sensor's foot, where the mount starts."""
    axes = bone.axes
    place = bone.origin + axes.apply(PLACE_M[point])
    if point == "lead_forearm" and size["skin_roll"]:
        behind = -ROLL_LEFT_BEHIND * size["skin_roll"] * np.radians(chunk["pron"])
        axes = axes * Rotation.from_rotvec(np.outer(behind, [0.0, 1.0, 0.0]))
    if point == "chest" and size["skin_trunk"]:
        share = size["skin_trunk"] * rng.normal(*TURN_LEFT_BEHIND)
        axes = axes * Rotation.from_rotvec(np.outer(share * np.radians(chunk["trunk"][:, 2]), [0.0, 1.0, 0.0]))
    if size["skin_wobble"]:
        axes = axes * Rotation.from_rotvec(_wobble(bone, point, happening, size["skin_wobble"], rng))
    for where, when, turn in happening.slips:
        if where == point:
            t = np.arange(len(chunk["heading"])) / RATE_HZ
            axes = axes * Rotation.from_rotvec(np.outer(np.clip((t - when) / 0.3, 0, 1), turn))
    return axes, place


def _wobble(bone: Bone, point: str, happening: Happening, size: float, rng: np.random.Generator) -> Floats:
    """A sensor on a damped spring turns later than its bone, rad (N, 3): d'' + 2 z w d' + w^2 d = -alpha - kicks.

    Twice the size is half the stiffness: twice as far behind in a steady acceleration."""
    hertz, damping, kick = SKIN[point]
    w, z = 2 * np.pi * rng.uniform(*hertz) / np.sqrt(size), rng.uniform(*damping)
    push = -np.gradient(body_rate(bone.axes), 1 / RATE_HZ, axis=0)
    direction = rng.standard_normal(3)
    direction /= np.linalg.norm(direction)
    for when, hard in happening.strokes:
        push[round((when + SHOCK[point][4]) * RATE_HZ)] += np.radians(kick) * hard * direction * RATE_HZ
    h = 1 / RATE_HZ  # explicit in the position, implicit in the speed: stable as w h is small
    b, a = [0.0, h**2], [1.0, -2.0 + 2 * z * w * h + (w * h) ** 2, 1.0 - 2 * z * w * h]
    return np.asarray(lfilter(b, a, push, axis=0))


def _shake(gyr: Floats, acc: Floats, point: str, happening: Happening, rng: np.random.Generator) -> None:
    """Ringing after taps and strokes, added in place."""
    amount, turn_dps, hertz, decay, delay = SHOCK[point]
    own = rng.standard_normal((2, 3))
    t = np.arange(round(0.25 * RATE_HZ)) / RATE_HZ
    for when, hard in happening.strokes:
        ring = hard * np.exp(-t / decay) * np.sin(2 * np.pi * hertz * rng.uniform(0.9, 1.1) * t)
        way = own + 0.3 * rng.standard_normal((2, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        start = round((when + delay) * RATE_HZ)
        acc[start : start + len(t)] += amount * np.outer(ring, way[0])
        gyr[start : start + len(t)] += np.radians(turn_dps) * np.outer(ring, way[1])
    for when in happening.taps_s:
        way = rng.standard_normal((2, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        ring = np.exp(-t / 0.006) * np.sin(2 * np.pi * 90.0 * t) * rng.uniform(0.7, 1.5)
        start = round(when * RATE_HZ)
        acc[start : start + len(t)] += 45.0 * np.outer(ring, way[0])
        gyr[start : start + len(t)] += np.radians(60.0) * np.outer(ring, way[1])


def _parts(gyr: Floats, acc: Floats, size: dict[str, float], rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Errors of the parts that do not depend on the sampling: bias, scale, crossed axes, gravity in the gyroscope."""
    n = len(gyr)
    scale = np.eye(3) + size["gyro_scale"] * (
        np.diag(0.005 * rng.standard_normal(3)) + np.radians(0.5) * rng.standard_normal((3, 3)) * (1 - np.eye(3))
    )
    per_g = np.radians(0.03) / GRAVITY * size["gyro_scale"] * rng.standard_normal((3, 3))
    walk = np.cumsum(rng.standard_normal((n, 3)), axis=0) * np.sqrt(1 / RATE_HZ) * 0.003  # deg/s, assumption
    bias = np.radians(size["gyro_bias"] * (0.6 * rng.standard_normal(3) + walk))
    wrong = np.eye(3) + size["acc"] * (
        np.diag(0.005 * rng.standard_normal(3)) + np.radians(0.3) * rng.standard_normal((3, 3)) * (1 - np.eye(3))
    )
    offset = size["acc"] * 0.015 * GRAVITY * rng.standard_normal(3)
    return gyr @ scale.T + acc @ per_g.T + bias, acc @ wrong.T + offset


def _sampled(
    gyr: Floats, acc: Floats, point: str, rate: float, meaning: str, size: dict[str, float], rng: np.random.Generator
) -> Record:
    """Filtered, sampled on the sensor's clock, noised, clipped, thinned."""
    start = rng.uniform(0.2, 6.0) if size["clock"] else 0.2
    drift = size["clock"] * 20e-6 * rng.standard_normal() if size["clock"] else 0.0
    end = len(gyr) / RATE_HZ - (rng.uniform(0.1, 1.0) if size["clock"] else 0.2)
    time = np.arange(int((end - start) * rate)) / rate
    at = start + time * (1.0 + drift)
    dense = np.arange(len(gyr)) / RATE_HZ
    both = np.column_stack([gyr, acc])
    if meaning == "mean":
        total = np.concatenate([np.zeros((1, 6)), np.cumsum((both[1:] + both[:-1]) / (2 * RATE_HZ), axis=0)])
        so_far = CubicSpline(dense, total)
        values = (so_far(at) - so_far(at - (1 + drift) / rate)) * rate / (1 + drift)
    else:
        calm = sosfiltfilt(butter(2, 0.4 * rate, fs=RATE_HZ, output="sos"), both, axis=0)
        values = CubicSpline(dense, calm)(at)
    gyr, acc = values[:, :3], values[:, 3:]
    band = np.sqrt(rate / 2.0)
    gyr = gyr + size["gyro_noise"] * np.radians(0.01) * band * rng.standard_normal(gyr.shape)
    acc = acc + size["acc"] * 150e-6 * GRAVITY * band * rng.standard_normal(acc.shape)
    if size["clip"]:
        gyr = np.clip(gyr, -np.radians(GYRO_RANGE_DPS), np.radians(GYRO_RANGE_DPS))
        acc = np.clip(acc, -ACC_RANGE_G * GRAVITY, ACC_RANGE_G * GRAVITY)
    lost = rng.random(len(gyr)) < 0.002 * size["lost"]
    for _ in range(rng.poisson(3.0 * size["bursts"])):
        first = rng.integers(len(gyr))
        lost[first : first + round(rng.uniform(0.02, 0.15) * rate)] = True
    lost[0] = False
    gyr[lost] = np.nan
    acc[lost] = np.nan
    return Record(point=point, rate_hz=rate, meaning=meaning, start_s=start, drift=drift, time_s=time, gyr=gyr, acc=acc)
