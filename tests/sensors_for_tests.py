"""Motions in closed form for tests of the sensor step: rests, turns and swing-like peaks, and what sensors read."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from imuswing.recording.model import Event, Recording, SensorStream

G = 9.81
OPEN_DATA = Path(os.environ.get("IMUSWING_OPEN_DATA", Path(__file__).parents[2] / "shared" / "open_data"))


def smooth_steps(
    time: np.ndarray, begins: np.ndarray, heights: np.ndarray, length: float
) -> tuple[np.ndarray, np.ndarray]:
    """Sum of steps (1 - cos)/2 that begin at `begins` and take `length` s, and its derivative."""
    value, slope = np.zeros_like(time), np.zeros_like(time)
    for begin, height in zip(begins, heights, strict=True):
        x = np.clip((time - begin) / length, 0.0, 1.0)
        value += height * 0.5 * (1.0 - np.cos(np.pi * x))
        slope += height * 0.5 * np.pi / length * np.sin(np.pi * x)
    return value, slope


def turning_sensor(
    *,
    seconds: float = 60.0,
    rate: float = 200.0,
    seed: int = 0,
    bias_dps: tuple[float, float, float] = (0.4, -0.3, 0.2),
    gyr_noise_dps: float = 0.1,
    acc_noise: float = 0.02,
    turn: float = 1.2,
    tracked_point: str = "lead_hand",
    **settings: object,
) -> SensorStream:
    """A sensor that rests for about two seconds, turns by up to `turn` rad about each of three axes, rests, and so on.

    Angles z-y-x of the turned body, so that angular velocity is closed form; only gravity is felt.
    """
    rng = np.random.default_rng(seed)
    time = np.arange(int(seconds * rate)) / rate
    begins = np.arange(2.0, seconds - 3.0, 3.0)
    (_, da), (b, db), (c, dc) = (
        smooth_steps(time, begins, rng.uniform(-turn, turn, len(begins)) * (-1.0) ** np.arange(len(begins)), 0.8)
        for _ in range(3)
    )
    gyr = np.column_stack(
        (
            dc - da * np.sin(b),
            db * np.cos(c) + da * np.cos(b) * np.sin(c),
            -db * np.sin(c) + da * np.cos(b) * np.cos(c),
        )
    )
    acc = G * np.column_stack((-np.sin(b), np.cos(b) * np.sin(c), np.cos(b) * np.cos(c)))
    gyr = gyr + np.radians(bias_dps) + np.radians(gyr_noise_dps) * rng.standard_normal(gyr.shape)
    acc = acc + acc_noise * rng.standard_normal(acc.shape)
    given = {"tracking_system": "imu", "rate": rate, "time": time, **settings}
    return SensorStream(tracked_point=tracked_point, gyr=gyr, acc=acc, **given)


def recording_of(*streams: SensorStream, events: tuple[Event, ...] = (), **labels: object) -> Recording:
    """A recording of the streams."""
    return Recording(
        participant="01", lead_side="left", sensors={s.tracked_point: s for s in streams}, events=events, **labels
    )


PEAKS = ("gauss", "sech2", "skewed", "lorentz", "cosine")


def peak(time: np.ndarray, kind: str, height: float, width: float) -> np.ndarray:
    """One peak of angular velocity around time zero, of several shapes that a fast hand's might have."""
    if kind == "gauss":
        return height * np.exp(-0.5 * (time / width) ** 2)
    if kind == "sech2":
        return height / np.cosh(np.clip(time / (1.3 * width), -50, 50)) ** 2
    if kind == "skewed":
        return height * np.exp(-0.5 * (time / np.where(time < 0.0, 1.4 * width, 0.9 * width)) ** 2)
    if kind == "lorentz":
        return height / (1.0 + (time / (1.5 * width)) ** 2)
    if kind == "cosine":
        return np.where(np.abs(time) < 2.5 * width, height * np.cos(np.pi * time / (5.0 * width)) ** 2, 0.0)
    raise ValueError(kind)
