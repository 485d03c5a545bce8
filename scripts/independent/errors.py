"""What may go wrong, source by source, so that each can be switched off: 0 is none, 1 a careful lesson.

The sizes behind the 1 stand where they are used, with their sources.
"""

from __future__ import annotations

from collections.abc import Iterable

SOURCES = {
    "gyro_noise": "white noise of gyroscopes",
    "gyro_bias": "turn-on bias of gyroscopes and its wander",
    "gyro_scale": "scale, crossed axes and sensitivity to gravity of gyroscopes",
    "acc": "noise, bias and scale of accelerometers",
    "pose": "routine poses and movements done with a person's care",
    "skin_roll": "skin of the forearm that stays behind when it rolls",
    "skin_trunk": "skin of the trunk that stays behind when it turns",
    "skin_wobble": "sensors that swing on soft tissue, also after impact",
    "sway": "standing, breathing and hands are never quite still",
    "clock": "sensors with clocks of their own that start apart and drift; other rates than 200 Hz; samples as means",
    "lost": "single samples lost",
    "clip": "ranges of 2000 deg/s and 16 g",
    "marks": "events noted by hand: late, early, some forgotten",
    "brush": "practice swings that brush the turf",
    "slip": "a strap that slips once (hard only)",
    "bursts": "bursts of lost samples (hard only)",
    "steps": "routine steps left out (hard only)",
    "soft": "soft chips, fat shots, false starts (hard only)",
}
HARD_ONLY = ("slip", "bursts", "steps", "soft")
LEVELS = ("ideal", "real", "hard")


def sizes(level: str, without: Iterable[str] = (), only: Iterable[str] = ()) -> dict[str, float]:
    """The size of every source at a level; `without` some of them, or with `only` some."""
    unknown = (set(without) | set(only)) - set(SOURCES)
    if unknown or level not in LEVELS:
        raise ValueError(f"unknown {sorted(unknown) or level}; sources: {', '.join(SOURCES)}; levels: {LEVELS}")
    size = {"ideal": 0.0, "real": 1.0, "hard": 2.0}[level]
    table = dict.fromkeys(SOURCES, size)
    for name in SOURCES:
        hard_only = name in HARD_ONLY and level != "hard"
        if hard_only or name in without or (only and name not in only):
            table[name] = 0.0
    return table
