"""Result tables made up for the tests of the pages: plausible curves, chosen verdicts, no measurement behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator

from imuswing.measures.dictionary import MEASURES
from imuswing.measures.tables import curves_table, swings_table

POINTS = ("chest", "lead_forearm", "lead_hand")
RATE_HZ = 200.0
TAKEAWAY_S, TOP_S, FINISH_S = -0.95, -0.27, 0.75
MIX = ("turning", "turning", "stalled", "turning", "slowing", "turning", "stalled", "turning", "slowing")
LOWEST = {"turning": 0.86, "slowing": 0.55, "stalled": 0.1}

Tables = tuple[pd.DataFrame, pd.DataFrame, dict[str, Any]]


def lesson_tables(
    verdicts: Sequence[str] = MIX,
    *,
    practice: int = 2,
    worn: Sequence[str] = POINTS,
    participant: str = "P01",
    task: str = "chip",
    blocks: bool = True,
    lead_side: str = "left",
    seed: int = 4,
) -> Tables:
    """Swings, curves and the quality record of one recording: shots with these verdicts, then practice swings."""
    random = np.random.default_rng(seed)
    labels = {"participant": participant, "session": "1", "task": task, "acq": None, "run": "1"}
    rows, parts = [], []
    for number, verdict in enumerate([*verdicts, *["turning"] * practice], start=1):
        shot = number <= len(verdicts)
        time, curves = _curves(verdict, random)
        block = None if not blocks else "baseline" if number <= (len(verdicts) + 1) // 2 else "drill"
        row: dict[str, Any] = labels | {
            "swing": number,
            "kind": "shot" if shot else "practice",
            "flags": [],
            "block": block,
        }
        row |= {"outcome": random.choice(["pure", "thin", "fat"]) if shot else None}
        row |= _numbers(verdict, time, curves, 30.0 + 22.0 * number, worn, random)
        rows.append(row)
        parts.append(labels | {"swing": number, "time_s": time} | _worn_curves(curves, worn))
    return swings_table(rows), curves_table(parts), quality_record(labels, worn, lead_side)


def several(*tables: Tables) -> Tables:
    """Tables of several recordings as one."""
    swings = pd.concat([table[0] for table in tables], ignore_index=True)
    curves = pd.concat([table[1] for table in tables], ignore_index=True)
    records = [record for table in tables for record in table[2]["recordings"]]
    warnings = [warning for table in tables for warning in table[2]["warnings"]]
    return swings, curves, {"imuswing": "0.1.0", "recordings": records, "warnings": warnings}


def quality_record(labels: dict[str, Any], worn: Sequence[str], lead_side: str) -> dict[str, Any]:
    """A quality record with a problem, an advice and every kind of entry."""
    sensor = {"rate_hz": 200.0, "samples": 24000, "lost_samples": 31, "clipped_samples": 0, "longest_gap_s": 0.035}
    clock = {"offset_s": 0.0, "drift_ppm": 0.0, "se_s": 0.0, "source": "first tracking system"}
    other = {"offset_s": -0.412, "drift_ppm": 18.0, "se_s": 0.002, "source": "tap"}
    sensors = {
        point: sensor | {"gyro_bias_dps": [0.21, -0.4, 0.08], "clock": clock if place == 0 else other}
        for place, point in enumerate(worn)
    }
    steps = {
        "stand": {"found": True, "marked": True, "residual_deg": 0.8, "text": "used; its axes fit the others to 0.8°"},
        "bow": {"found": True, "residual_deg": 2.1, "text": "Four bows, evenly."},
        "table": {"found": True, "residual_deg": None, "text": "Still for 4.1 s."},
        "forearm_roll": {"found": False, "residual_deg": None, "text": "Not marked and not found."},
    }
    return {
        "imuswing": "0.1.0",
        "recordings": [
            {
                "recording": labels | {"file": "sub-P01_motion.tsv", "lead_side": lead_side, "simulated": True},
                "worn": list(worn),
                "sensors": sensors,
                "calibration": {"source": "this recording", "steps": steps},
            }
        ],
        "warnings": [
            {
                "level": "problem",
                "text": "The forearm roll is missing.",
                "do": "Do the five rolls before the next lesson.",
            },
            {
                "level": "advice",
                "text": "The hand sensor lost 31 samples.",
                "do": "Keep the phone nearer to the student.",
            },
        ],
        "settings": {"rates": {"turning_from": 0.7, "slowing_from": 0.4}},
    }


def _curves(verdict: str, random: np.random.Generator) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    time = np.arange(round((TAKEAWAY_S - 0.5) * RATE_HZ), round((FINISH_S + 0.5) * RATE_HZ) + 1) / RATE_HZ
    peak = random.normal(330.0, 22.0)
    low = peak * (LOWEST[verdict] + random.normal(0.0, 0.035))
    at = random.uniform(0.03, 0.07) if verdict != "turning" else 0.15
    middle = 0.5 * (peak + low) if verdict == "turning" else low + 0.3 * (peak - low)
    knots = [-2.0, TAKEAWAY_S, -0.6, TOP_S - 0.03, -0.14, -0.06, -0.02]
    rates = [0.0, 0.0, -95.0, 0.0, 0.72 * peak, peak, 0.97 * peak if verdict == "turning" else 0.8 * peak]
    if verdict == "turning":
        knots, rates = [*knots, 0.06, 0.15, 0.3], [*rates, middle, low, 0.55 * low]
    else:
        knots, rates = [*knots, at, at + 0.05, 0.16, 0.3], [*rates, low, low * 1.02 + 4, middle, 0.45 * peak]
    rate = PchipInterpolator([*knots, FINISH_S, 3.0], [*rates, 0.0, 0.0])(time)
    rate += random.normal(0.0, 1.0) + 3.0 * np.sin(2 * np.pi * 6.0 * time + random.uniform(0, 6))
    swing = PchipInterpolator([-2, TAKEAWAY_S, TOP_S, 0, 0.3, FINISH_S, 3], [0, 0, 1, 0.1, -0.7, -0.9, -0.9])(time)
    offset = random.normal(0.0, 2.5)
    early, late = np.exp(-(((time - TOP_S) / 0.22) ** 2)), 1.0 / (1.0 + np.exp(-25.0 * time))
    return time, {
        "chest_turn_rate_dps": rate,
        "chest_turn_deg": np.cumsum(rate) / RATE_HZ,
        "shoulder_tilt_deg": -6.0 - 14.0 * swing + offset,
        "chest_lean_deg": -2.0 + 3.0 * swing,
        "wrist_flexion_deg": -12.0 - random.normal(16.0, 5.0) * early + 14.0 * late + offset,
        "wrist_ulnar_deg": 14.0 - random.normal(27.0, 4.0) * early + 0.5 * offset,
        "arm_height_deg": -62.0 + 70.0 * np.abs(swing) + offset,
    }


def _numbers(
    verdict: str,
    time: np.ndarray,
    curves: dict[str, np.ndarray],
    impact: float,
    worn: Sequence[str],
    random: np.random.Generator,
) -> dict[str, Any]:
    def at(name: str, moment: float) -> float:
        return float(np.interp(moment, time, curves[name]))

    rate = curves["chest_turn_rate_dps"]
    peak = float(rate[(time >= TOP_S) & (time <= 0)].max())
    low = float(rate[(time >= -0.05) & (time <= 0.15)].min())
    numbers: dict[str, Any] = {
        "chest_turn_rate_impact_dps": at("chest_turn_rate_dps", 0.0),
        "chest_turn_rate_peak_dps": peak,
        "chest_turn_rate_min_dps": low,
        "chest_continuity": low / peak,
        "chest_stall_probability": {"turning": 0.0, "slowing": 0.06, "stalled": 0.995}[verdict],
        "chest_turn_top_deg": -46.0,
        "chest_turn_impact_deg": 21.0,
        "shoulder_tilt_rate_impact_dps": 62.0,
        "backswing_arc_deg": 96.0 + random.normal(0.0, 6.0),
        "arm_height_top_deg": 6.0 + random.normal(0.0, 6.0),
        "backswing_s": TOP_S - TAKEAWAY_S,
        "downswing_s": -TOP_S,
        "tempo_ratio": (TOP_S - TAKEAWAY_S) / -TOP_S,
    }
    for moment, when in (("address", TAKEAWAY_S), ("top", TOP_S), ("impact", 0.0)):
        numbers[f"wrist_flexion_{moment}_deg"] = at("wrist_flexion_deg", when)
        numbers[f"wrist_ulnar_{moment}_deg"] = at("wrist_ulnar_deg", when)
        if moment != "top":
            numbers[f"shoulder_tilt_{moment}_deg"] = at("shoulder_tilt_deg", when)
            numbers[f"chest_lean_{moment}_deg"] = at("chest_lean_deg", when)
    kept = {m.name for m in MEASURES if set(m.needs) <= set(worn)}
    numbers = {name: value for name, value in numbers.items() if name in kept}
    errors = {"°": 1.6, "°/s": 8.0, "s": 0.008, "1": 0.03, "P": 0.1}
    numbers |= {f"{m.name}_se": errors[m.unit] for m in MEASURES if m.has_se and m.name in numbers}
    moments = {"takeaway_s": TAKEAWAY_S, "top_s": TOP_S, "impact_s": 0.0, "finish_s": FINISH_S}
    numbers |= {name: impact + moment for name, moment in moments.items()}
    return numbers | {"chest_verdict": verdict if "chest" in worn else None}


def _worn_curves(curves: dict[str, np.ndarray], worn: Sequence[str]) -> dict[str, np.ndarray]:
    needs = {
        "chest": ("chest",),
        "shoulder": ("chest",),
        "wrist": ("lead_forearm", "lead_hand"),
        "arm": ("lead_forearm",),
    }
    return {
        name: values if set(needs[name.split("_")[0]]) <= set(worn) else np.full_like(values, np.nan)
        for name, values in curves.items()
    }
