"""Writes sessions of simulated golfers and their truth: `DIR/dataset` and `DIR/truth.parquet`.

PYTHONPATH=scripts .venv/bin/python -m independent.simulate --out DIR --level real --golfers 4 --seed 1
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from independent import errors, layout
from independent.golfer import Golfer, draw_golfer, draw_shape
from independent.paths import RATE_HZ
from independent.routine import STEPS, Marks, routine
from independent.sensors import POINTS, Happening, Record, record
from independent.skeleton import bones
from independent.swing import Stroke, address, false_start, swing, waggle
from independent.timeline import Pose, Timeline, add_sway, place_ball, walk, wipe
from independent.truth import MOMENTS, true_row

Hits = list[tuple[float, float]]  # seconds of the timeline, share of a full shot


def session(
    root: Path,
    participant: str,
    seed: tuple[int, int],
    *,
    size: dict[str, float],
    shots: int,
    left_out: Iterable[str] = (),
) -> pd.DataFrame:
    """Writes one golfer's session; returns the truth, moments on the clock of the first tracking system."""
    rng = np.random.default_rng(seed)
    golfer = draw_golfer(rng)
    move, look = (np.random.default_rng([*seed, k]) for k in (1, 2))  # errors do not change who swings how
    line = Timeline()
    line.move(7.0)
    taps = _tap(line, move)
    marks = routine(
        line, move, size["pose"] * (1.0 if size["pose"] < 2 else 0.8), (*left_out, *_left_out(look, size["steps"]))
    )
    strokes, pauses = _lesson(line, golfer, move, shots, size["soft"])
    taps += _tap(line, move)
    line.move(1.5)
    chunk = line.sampled()
    add_sway(chunk, np.random.default_rng([*seed, 3]), size["sway"])
    skeleton = bones(chunk, golfer.height_m)
    hits, fat = _hits(strokes, size, look)
    happening = Happening(
        taps_s=taps,
        strokes=hits,
        slips=_slips(pauses, size["slip"], look),
    )
    records = record(skeleton, chunk, happening, size, golfer.lead_side, np.random.default_rng([*seed, 4]))
    first = records[0]  # the chest's: the first tracking system by name
    rows = pd.DataFrame([true_row(skeleton, s) for s in strokes])
    for name in MOMENTS:
        rows[f"{name}_s"] = (rows[f"{name}_s"] - first.start_s) / (1.0 + first.drift)
    events = _events(marks, taps, strokes, size["marks"], first, look)
    units = ("rad/s", "m/s^2") if look.random() < 0.5 else ("deg/s", "g")
    layout.write(root, participant, golfer.kind, records, events, units)
    slipped = ",".join(where for where, _, _ in happening.slips) or "none"
    about = {"participant": participant, "lead_side": golfer.lead_side, "task": golfer.kind, "rate_hz": first.rate_hz}
    about |= {f"offset_{r.point}_s": r.start_s - first.start_s for r in records[1:]}
    about |= {"meaning": first.meaning, "slip": slipped, "steps": ",".join(m[2] for m in marks)}
    rows["block"] = [_block(i, len(strokes)) for i in range(len(strokes))]
    return rows.assign(fat=fat, **about)


def _tap(line: Timeline, rng: np.random.Generator) -> list[float]:
    times = []
    for _ in range(3):
        line.move(rng.uniform(0.4, 0.7))
        times.append(line.now_s)
    line.move(1.5)
    return times


def _left_out(rng: np.random.Generator, size: float) -> tuple[str, ...]:
    """At the hard level four in ten sessions lack one step."""
    return (str(rng.choice(STEPS)),) if rng.random() < 0.2 * size else ()


def _lesson(
    line: Timeline, golfer: Golfer, rng: np.random.Generator, shots: int, soft: float
) -> tuple[list[Stroke], list[float]]:
    """Shots with practice swings, waggles and steps between; also the times at which a strap could slip."""
    strokes, pauses = [], []
    for _ in range(shots):
        pauses.append(line.now_s)
        walk(line, rng, rng.uniform(2.0, 4.0))
        for busy in (place_ball, wipe):
            if rng.random() < 0.4:
                busy(line, rng)
        for practice in (True, False) if rng.random() < 0.35 else (False,):
            shape = draw_shape(rng, golfer, practice=practice, soft=rng.random() < 0.15 * soft)
            rested = replace(Pose(), heading=line.pose.heading, hip=line.pose.hip)
            line.move(rng.uniform(1.2, 2.0), **_changes(address(golfer, shape, rested)))
            line.move(rng.uniform(0.4, 1.2))
            if rng.random() < 0.7:
                waggle(line, rng)
            if rng.random() < 0.1 * soft:
                false_start(line, rng)
            line.move(rng.uniform(0.5, 1.5))
            strokes.append(swing(line, golfer, shape, rng.uniform(0.5, 1.2)))
            relaxed = replace(Pose(), heading=line.pose.heading, hip=line.pose.hip * [1, 1, 0] + [0, 0, 0.95])
            line.move(rng.uniform(1.4, 2.2), **_changes(relaxed))
            line.move(rng.uniform(0.5, 2.0))
    return strokes, pauses


def _changes(pose: Pose) -> dict[str, object]:
    return {name: getattr(pose, name) for name in ("trunk", "forearm", "upper", "wrist", "pron")}


def _hits(strokes: list[Stroke], size: dict[str, float], rng: np.random.Generator) -> tuple[Hits, list[bool]]:
    """When and how hard the club was stopped, and which shots were fat: the turf comes 8 to 20 ms before the ball."""
    hits, fat = [], []
    for stroke in strokes:
        fat.append(False)
        if stroke.shape.shock > 0.0:
            hits.append((stroke.impact / RATE_HZ, stroke.shape.shock))
            if rng.random() < 0.1 * size["soft"]:
                fat[-1] = True
                hits.append((stroke.impact / RATE_HZ - rng.uniform(0.008, 0.02), 0.8 * stroke.shape.shock))
        elif rng.random() < 0.15 * size["brush"]:  # much softer than a shot (assumption)
            hits.append((stroke.impact / RATE_HZ, rng.uniform(0.03, 0.12)))
    return hits, fat


def _slips(pauses: list[float], size: float, rng: np.random.Generator) -> list[tuple[str, float, np.ndarray]]:
    """A strap slips in a third of the hard sessions, by 6 to 20 deg, the forearm's about its long axis (assumption)."""
    if rng.random() >= size / 6.0:
        return []
    point = str(rng.choice(POINTS))
    way = np.array([0.0, 1.0, 0.0]) if point == "lead_forearm" else rng.standard_normal(3)
    way = way / np.linalg.norm(way) * np.radians(rng.uniform(6, 20)) * rng.choice([-1, 1])
    return [(point, float(rng.choice(pauses[1:])), way)]


def _events(
    marks: Marks, taps: list[float], strokes: list[Stroke], size: float, first: Record, rng: np.random.Generator
) -> layout.Events:
    """What was noted by hand, on the first sensor's clock: 0.3 s off, shots some seconds late, some forgotten."""
    rows: layout.Events = [{"onset": taps[0], "duration": 2.0, "trial_type": "tap"}]
    rows.append({"onset": taps[3], "duration": 2.0, "trial_type": "tap"})
    for onset, duration, name in marks:
        off = size * 0.3 * rng.standard_normal(2)
        rows.append({"onset": onset + off[0], "duration": max(2.0, duration + off[1]), "trial_type": name})
    for i, stroke in enumerate(strokes):
        if stroke.shape.kind == "shot" and rng.random() >= 0.15 * size:
            late = rng.uniform(0.5, 3.0) if size else 0.5
            noted = stroke.impact / RATE_HZ + late
            rows.append({"onset": noted, "duration": 0.0, "trial_type": "shot", "outcome": "pure"})
        if i == 0 or _block(i, len(strokes)) != _block(i - 1, len(strokes)):
            last = max(k for k in range(len(strokes)) if _block(k, len(strokes)) == _block(i, len(strokes)))
            start, end = stroke.start / RATE_HZ - 0.3, strokes[last].end / RATE_HZ + 0.3
            name = _block(i, len(strokes))
            rows.append({"onset": start, "duration": end - start, "trial_type": "block", "block": name})
    table = pd.DataFrame(rows).sort_values("onset")
    table["onset"] = ((table["onset"] - first.start_s) / (1.0 + first.drift)).round(3)
    return list(table.to_dict("records"))


def _block(index: int, count: int) -> str:
    return "baseline" if index < count / 2 else "drill"


def simulate(
    out: Path,
    *,
    level: str,
    golfers: int,
    shots: int,
    seed: int,
    without: Iterable[str] = (),
    only: Iterable[str] = (),
    left_out: Iterable[str] = (),
) -> pd.DataFrame:
    """All golfers of a level into `out`; returns their truth."""
    size = errors.sizes(level, without, only)
    root = out / "dataset"
    tables = [session(root, f"I{g:03d}", (seed, g), size=size, shots=shots, left_out=left_out) for g in range(golfers)]
    layout.start_dataset(root, {t["participant"].iloc[0]: t["lead_side"].iloc[0] for t in tables})
    truth = pd.concat(tables, ignore_index=True)
    truth.to_parquet(out / "truth.parquet")
    return truth


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--out", type=Path, required=True, help="a new folder")
    p.add_argument("--level", choices=errors.LEVELS, default="real")
    p.add_argument("--golfers", type=int, default=4)
    p.add_argument("--shots", type=int, default=8, help="a golfer, practice swings not counted")
    p.add_argument("--seed", type=int, default=1)
    named = ", ".join(errors.SOURCES)
    p.add_argument("--without", nargs="*", default=[], choices=errors.SOURCES, metavar="SOURCE", help=f"of: {named}")
    p.add_argument("--only", nargs="*", default=[], choices=errors.SOURCES, metavar="SOURCE", help="all others off")
    p.add_argument("--left-out", nargs="*", default=[], choices=STEPS, help="routine steps nobody does")
    return p


if __name__ == "__main__":
    simulate(**vars(parser().parse_args()))
