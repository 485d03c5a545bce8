"""Results of made-up lessons for the tests of the pages, in memory and as folders on disk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation
from tables_for_tests import MIX, Tables, lesson_tables, several

from imuswing.lesson import Lesson
from imuswing.measures.orientations import FOLLOWED, orientation_columns
from imuswing.report.load import Dataset, Failed, Results
from imuswing.results import write_results

PLAN: dict[str, Any] = {
    "work_on": "Keep your chest turning until the ball is gone.",
    "next_test": "in two weeks",
    "notes": ["Good rhythm today."],
    "goals": [
        {"measure": "chest_continuity", "low": 0.6, "needed": 8, "of": 10},
        {"measure": "arm_height_top_deg", "high": 10.0},
        {"measure": "wrist_flexion_impact_deg", "low": -10.0, "high": 10.0},
    ],
    "tasks": [
        {
            "title": "Belt buckle to the target",
            "purpose": "The chest learns to go on turning after the ball.",
            "set_up": "A wedge, ten balls, room to swing.",
            "how": "Chip and hold the finish until your chest looks at the target. Count to two.",
            "mistake": "Turning only the arms.",
            "shows": "Chest continuity over 0.6.",
            "feedback": "Look at the numbers after ten.",
            "often": "Three times a week, ten chips.",
            "caution": "Stop if your back hurts.",
        },
        {"title": "Small swing, big turn", "how": "Back to knee height, then let the chest bring the club through."},
        {"title": "Quiet hands", "how": "Five chips with the lead hand only.", "often": "Before each round."},
    ],
}
"""A plan with everything in it, written for the tests."""


def visit(session: str, tables: Tables) -> Tables:
    """The same tables as another visit."""
    swings, curves, quality = tables
    record = quality["recordings"][0]
    about = record["recording"] | {"session": session}
    return (
        swings.assign(session=session),
        curves.assign(session=session),
        quality | {"recordings": [record | {"recording": about}]},
    )


def results_of(*tables: Tables, turning: bool = False) -> Results:
    """Results in memory; `turning` adds made-up orientations."""
    swings, curves, quality = several(*tables)
    strapping = swings["participant"].astype(str) + swings["session"].astype(str) + swings["task"].astype(str)
    return Results(
        swings=swings,
        curves=curves,
        compared=swings.assign(strapping=strapping),
        quality=quality,
        orientations=orientations_of(curves) if turning else None,
    )


def two_visits(*, turning: bool = False) -> Results:
    """A visit whose chest stalls at first, and a later one whose chest keeps turning."""
    early = visit(
        "01", lesson_tables(verdicts=["stalled", "stalled", "slowing", "stalled", "stalled", "slowing"], seed=3)
    )
    late = visit("02", lesson_tables(verdicts=["turning"] * 5 + ["slowing", "turning"], seed=6))
    return results_of(early, late, turning=turning)


def many_students(students: int = 5, *, task: str = "chip", shots: int = 7) -> Dataset:
    """Students with two visits each (the last one with a third), flags, warnings, and recordings of no use."""
    tables = []
    for number in range(students):
        for session in ("01", "02", "03")[: 3 if number == students - 1 else 2]:
            seed = 10 * number + int(session)
            made = lesson_tables((MIX * 2)[number : number + shots], participant=f"P{number:02d}", task=task, seed=seed)
            swings, curves, quality = visit(session, made)
            quality["recordings"][0]["warnings"] = quality["warnings"][: 1 + number % 2]
            quality["recordings"][0]["recording"]["simulated"] = number > 0
            swings.at[0, "flags"] = ["wrist_flexion_too_uncertain", "events_from_chest"]
            swings["block"] = "baseline"
            tables.append((swings, curves, quality))
    return dataset_of(*tables, failures=25)


def dataset_of(*tables: Tables, failures: int = 0) -> Dataset:
    """A dataset in memory."""
    swings, _, quality = several(*tables)
    told = tuple(Failed(recording=f"P0{number}_motion.tsv", reason="x") for number in range(failures))
    return Dataset(swings=swings, quality=quality, failures=told)


def sixty_shots() -> Results:
    """Fifty-seven shots and three practice swings with orientations."""
    return results_of(lesson_tables(verdicts=(MIX * 7)[:57], practice=3), turning=True)


def orientations_of(curves: pd.DataFrame) -> pd.DataFrame:
    """Made-up orientations of every swing in a table of curves: a hanging arm that swings, a chest that turns."""
    upright = Rotation.from_matrix([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    parts = []
    keys = ["participant", "session", "task", "acq", "run", "swing"]
    for _, curve in curves.groupby(keys, dropna=False, sort=False):
        time = np.arange(np.ceil(curve.time_s.min() * 60), np.floor(curve.time_s.max() * 60) + 1) / 60.0
        turns = {
            "chest": Rotation.from_euler(
                "z", np.interp(time, curve.time_s, curve.chest_turn_deg)[:, None], degrees=True
            ),
            "lead_forearm": Rotation.from_euler("y", (-80.0 * np.sin(2.0 * time))[:, None], degrees=True),
            "lead_hand": Rotation.from_euler("y", (-95.0 * np.sin(2.0 * time))[:, None], degrees=True),
        }
        part = {name: [curve[name].iloc[0]] * len(time) for name in keys} | {"time_s": time}
        for point in FOLLOWED:
            q = (turns[point] * upright).as_quat(scalar_first=True)
            part |= dict(zip(orientation_columns((point,)), q.T, strict=True))
        parts.append(pd.DataFrame(part))
    return pd.concat(parts, ignore_index=True)


def results_folder(folder: Path, *tables: Tables, turning: bool = False) -> Path:
    """A folder as `analyze` writes it."""
    swings, curves, quality = several(*tables)
    turned = orientations_of(curves) if turning else None
    write_results(Lesson(swings=swings, curves=curves, quality=quality, orientations=turned), folder, report=False)
    return folder
