"""Who swings and how: bodies and kinds of shot drawn at random.

Ranges: trunk turn at a full top 60 +- 7 deg and wrist rates (Zheng 2008, Int J Sports Med 29:487); tempo about 3 to 1,
0.8 s and 0.27 s (Grober & Cholewicki); segment lengths by height (Winter, Biomechanics and Motor Control, from memory);
arcs by kind follow the trade's words, half is the lead arm parallel to the ground (common practice, no source); all
else is an assumption.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KINDS = ("chip", "pitch", "half", "full")


@dataclass(frozen=True, kw_only=True)
class Shape:
    """One swing. Angles in degrees, chest turn and arm towards the target positive."""

    kind: str
    arc_deg: float
    backswing_s: float
    downswing_s: float
    arm_top_pull: float  # how briskly the arm changes direction at the top, 0 rests there
    arm_impact_deg: float  # arm past its address direction at impact: hands ahead
    follow_deg: float
    chest_top_deg: float
    chest_impact_deg: float
    chest_starts_s: float  # after the arm; before it where negative
    chest_leads_s: float  # the chest turns back before the arm does
    chest_peak_at: float  # share of the downswing
    continuity: float
    slowest_after_s: float  # from impact
    recovery: float  # share of the peak that comes back after a slow-down
    flex_deg: tuple[float, float, float]  # trunk bent forward: address, top, impact
    bend_deg: tuple[float, float, float]  # lead shoulder up
    roll_top_deg: float
    roll_impact_deg: float
    wrist_flexion_deg: tuple[float, float, float]
    wrist_ulnar_deg: tuple[float, float, float]
    plane_shift_deg: float
    shift_m: float  # hips towards the target at impact
    shock: float  # 1: a full shot


@dataclass(frozen=True, kw_only=True)
class Golfer:
    """One person with habits; `shape` draws one swing around them."""

    lead_side: str
    height_m: float
    kind: str
    stalls: bool
    late_peak: bool
    arm_forward_deg: float
    grip_roll_deg: float
    elbow_bend_deg: float
    habits: dict[str, float]


RANGES: dict[str, dict[str, tuple[float, float]]] = {
    "chip": {"arc": (32, 60), "back": (0.50, 0.75), "down": (0.25, 0.36), "turn": (12, 25), "open": (4, 14)},
    "pitch": {"arc": (60, 85), "back": (0.60, 0.85), "down": (0.26, 0.34), "turn": (28, 45), "open": (8, 20)},
    "half": {"arc": (80, 105), "back": (0.65, 0.90), "down": (0.26, 0.33), "turn": (40, 55), "open": (12, 25)},
    "full": {"arc": (115, 150), "back": (0.70, 1.00), "down": (0.24, 0.31), "turn": (52, 75), "open": (18, 35)},
}
EFFORT = {"chip": 0.25, "pitch": 0.45, "half": 0.65, "full": 1.0}


def draw_golfer(rng: np.random.Generator, kind: str | None = None) -> Golfer:
    """A golfer of either side."""
    kind = kind or str(rng.choice(KINDS))
    ranges = RANGES[kind]
    habits = {name: rng.uniform(low, high) for name, (low, high) in ranges.items()}
    effort = EFFORT[kind]
    flexion_address = rng.normal(-14, 8)
    ulnar_address = rng.normal(10, 6)
    habits |= {
        "flex": rng.uniform(18, 30) + 10 * effort,
        "bend_address": rng.uniform(1, 10),
        "bend_top": rng.uniform(-6, 6),
        "bend_impact": rng.uniform(4, 12) + 10 * effort,
        "rise": rng.uniform(-3, 8) * effort,
        "roll_top": rng.uniform(20, 80) * (0.3 + 0.7 * effort),
        "roll_impact": rng.normal(0, 6),
        "flexion_address": flexion_address,
        "flexion_top": flexion_address + rng.normal(0, 14) * (0.4 + 0.6 * effort),
        "flexion_impact": flexion_address + rng.uniform(-5, 25),
        "ulnar_address": ulnar_address,
        "ulnar_top": ulnar_address - rng.uniform(5, 40) * (0.3 + 0.7 * effort),
        "ulnar_impact": ulnar_address + rng.normal(2, 5),
        "hands_ahead": rng.uniform(0, 9),
        "plane": rng.normal(0, 4),
        "starts": rng.uniform(-0.08, 0.12) * habits["back"],
        "leads": rng.uniform(0.0, 0.06),
        "peak_at": rng.uniform(0.55, 0.9),
        "shift": rng.uniform(0.01, 0.06) * (0.4 + 0.6 * effort),
    }
    return Golfer(
        lead_side=str(rng.choice(["left", "right"])),
        height_m=rng.normal(1.74, 0.08),
        kind=kind,
        stalls=bool(rng.random() < 0.45),
        late_peak=bool(rng.random() < 0.15),
        arm_forward_deg=rng.uniform(12, 30),
        grip_roll_deg=rng.normal(0, 12),
        elbow_bend_deg=rng.uniform(4, 20),
        habits=habits,
    )


def draw_shape(rng: np.random.Generator, golfer: Golfer, *, practice: bool, soft: bool) -> Shape:
    """One swing. A person's swings vary by some 7 % (separation of chest and pelvis CV 7.4 %, Meister 2011)."""
    h = golfer.habits

    def near(name: str, share: float = 0.06) -> float:
        return h[name] * (1.0 + rng.normal(0, share))

    def angle(name: str, spread_deg: float = 2.0) -> float:
        return h[name] + rng.normal(0, spread_deg)

    practice_size = rng.uniform(0.6, 1.0) if practice else 1.0
    size = practice_size * (0.75 if soft else 1.0)
    stalls_now = rng.random() < (0.75 if golfer.stalls else 0.1)
    continuity = rng.uniform(-0.1, 0.5) if stalls_now else rng.uniform(0.45, 0.97)
    effort = EFFORT[golfer.kind] * size
    return Shape(
        kind="practice" if practice else "shot",
        arc_deg=near("arc") * size,
        backswing_s=near("back"),
        downswing_s=near("down", 0.04),
        arm_top_pull=rng.uniform(0.2, 1.0),
        arm_impact_deg=angle("hands_ahead"),
        follow_deg=near("arc") * size * rng.uniform(0.8, 1.1),
        chest_top_deg=-near("turn") * size,
        chest_impact_deg=near("open", 0.15),
        chest_starts_s=h["starts"],
        chest_leads_s=h["leads"],
        chest_peak_at=float(np.clip(angle("peak_at", 0.04), 0.45, 0.92)),
        continuity=continuity,
        slowest_after_s=rng.uniform(-0.01, 0.13),
        recovery=rng.uniform(0.0, 0.3),
        flex_deg=(angle("flex", 1.0), angle("flex"), angle("flex") - h["rise"]),
        bend_deg=(angle("bend_address", 1.0), angle("bend_top"), angle("bend_impact")),
        roll_top_deg=angle("roll_top", 4.0),
        roll_impact_deg=angle("roll_impact", 3.0),
        wrist_flexion_deg=(angle("flexion_address"), angle("flexion_top", 3.0), angle("flexion_impact", 3.0)),
        wrist_ulnar_deg=(angle("ulnar_address"), angle("ulnar_top", 3.0), angle("ulnar_impact", 3.0)),
        plane_shift_deg=angle("plane", 1.0),
        shift_m=h["shift"],
        shock=0.0 if practice else (0.15 + 0.85 * effort) * rng.uniform(0.6, 1.3) * (0.4 if soft else 1.0),
    )
