"""Figures from the bench's rows: detection, timing, each measure against its references, coverage, stalls."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.targets import Targets, unit_of
from imuswing.measures.dictionary import MEASURES
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray
from imuswing.simulate.measured import verdict

if TYPE_CHECKING:
    import pandas as pd

BOOTSTRAPS = 1000
Figure = dict[str, Any]


def _rms(values: FloatArray) -> float:
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")


def _p95(values: FloatArray) -> float:
    values = np.abs(values[np.isfinite(values)])
    return float(np.quantile(values, 0.95)) if len(values) else float("nan")


def _column(rows: pd.DataFrame, name: str) -> FloatArray:
    """A column as floats, nan where it is absent or null."""
    if name not in rows:
        return np.full(len(rows), np.nan)
    return np.asarray(rows[name].to_numpy(dtype=float, na_value=np.nan))


def figure(name: str, value: float, *, limit: float | None = None, at_least: bool = False, n: int) -> Figure:
    """One figure with its limit and whether it is met (None where there is no limit)."""
    met = None if limit is None else bool(value >= limit if at_least else value <= limit)
    return {"name": name, "value": value, "limit": limit, "at_least": at_least, "met": met, "n": n}


def detection(rows: pd.DataFrame, extra: list[dict[str, Any]], targets: Targets) -> list[Figure]:
    """Recall, precision, and whether shots and practice swings are told apart."""
    found = int(rows["found"].sum())
    both = rows[rows["found"]]
    right = float(np.mean(both["kind"] == both["kind_found"])) if found else float("nan")
    figures = [
        figure("recall", found / len(rows), limit=targets.recall, at_least=True, n=len(rows)),
        figure(
            "precision",
            found / (found + len(extra)) if found else float("nan"),
            limit=targets.precision,
            at_least=True,
            n=found + len(extra),
        ),
        figure("shot or practice", right, limit=targets.kind, at_least=True, n=found),
    ]
    for kind in ("shot", "practice"):
        part = rows[rows["kind"] == kind]
        figures.append(figure(f"recall, {kind}", float(part["found"].mean()), n=len(part)))
    return figures


def timing(rows: pd.DataFrame, targets: Targets) -> list[Figure]:
    """Errors of the moments, s."""
    both = rows[rows["found"]]

    def error(name: str, part: pd.DataFrame) -> FloatArray:
        return _column(part, f"{name}_found") - _column(part, name)

    figures = []
    shots, practice = both[both["kind"] == "shot"], both[both["kind"] == "practice"]
    for low, limit in targets.impact_95.items():
        part = shots[shots["rate"] >= low]
        figures.append(
            figure(
                f"impact of shots, {low:.0f} Hz and over, 95 %", _p95(error("impact_s", part)), limit=limit, n=len(part)
            )
        )
    slow = shots[shots["rate"] < 200.0]
    figures.append(figure("impact of shots, under 200 Hz, 95 %", _p95(error("impact_s", slow)), n=len(slow)))
    figures.append(figure("impact of shots, RMS", _rms(error("impact_s", shots)), n=len(shots)))
    fat = shots[shots["outcome"] == "fat"]
    figures.append(figure("impact of fat shots, 95 %", _p95(error("impact_s", fat)), n=len(fat)))
    figures.append(
        figure(
            "impact of practice swings, 95 %",
            _p95(error("impact_s", practice)),
            limit=targets.practice_95,
            n=len(practice),
        )
    )
    limits = {"top": targets.top_rms, "takeaway": targets.takeaway_rms, "finish": None}
    for name, most in limits.items():
        errors = error(f"{name}_s", both)
        figures.append(figure(f"{name}, RMS", _rms(errors), limit=most, n=len(errors)))
        figures.append(figure(f"{name}, 95 %", _p95(errors), n=len(errors)))
    return figures


def _coverage(inside: FloatArray, golfer: FloatArray, rng: np.random.Generator) -> dict[str, Any]:
    """Share inside, by golfer, and its 95 % interval when golfers are drawn anew."""
    labels = np.unique(golfer)
    by_golfer = {int(label): float(np.mean(inside[golfer == label])) for label in labels}
    counts = np.array([np.sum(golfer == label) for label in labels], dtype=float)
    hits = np.array([np.sum(inside[golfer == label]) for label in labels], dtype=float)
    draws = rng.integers(0, len(labels), (BOOTSTRAPS, len(labels)))
    shares = hits[draws].sum(axis=1) / counts[draws].sum(axis=1)
    low, high = np.quantile(shares, [0.025, 0.975])
    return {
        "coverage": float(np.mean(inside)),
        "coverage_low": float(low),
        "coverage_high": float(high),
        "coverage_by_golfer": by_golfer,
    }


def _within(errors: FloatArray, golfer: FloatArray) -> float:
    """RMS of errors after each golfer's mean error is taken off: what a change within a golfer suffers."""
    left = errors.copy()
    for label in np.unique(golfer):
        left[golfer == label] -= np.mean(errors[golfer == label])
    return _rms(left)


def measures(rows: pd.DataFrame, targets: Targets) -> list[Figure]:
    """Every measure that was found: error, references, limit, coverage."""
    both = rows[rows["found"]]
    rng = np.random.default_rng(0)
    figures = []
    for measure in MEASURES:
        name = measure.name
        if name == "chest_stall_probability":
            continue
        true, told = _column(both, name), _column(both, f"{name}_found")
        wanted, there = np.isfinite(true), np.isfinite(true) & np.isfinite(told)
        if name.startswith(("pelvis", "shaft")):
            wanted &= np.isfinite(_column(both, f"{name}_sensor"))
            there &= wanted
        if not wanted.any():
            continue
        if not there.any():
            figures.append({"name": name, "n": 0, "null": int(wanted.sum()), "met": None})
            continue
        errors, golfer = (told - true)[there], both["golfer"].to_numpy()[there]
        references = {part: _column(both, f"{name}_{part}")[there] - true[there] for part in ("sensor", "routine")}
        routine = _rms(references["routine"])
        unit, rmse = unit_of(name), _rms(errors)
        limit = max(targets.ratio * routine, routine + targets.near[unit]) if np.isfinite(routine) else None
        own = next((value for start, value in targets.rmse.items() if name.startswith(start)), None)
        if own is not None:
            limit = own if limit is None else min(limit, own)
        row = figure(name, rmse, limit=limit, n=int(there.sum())) | {
            "null": int(wanted.sum() - there.sum()),
            "bias": float(np.mean(errors)),
            "within": _within(errors, golfer),
            "sensor": _rms(references["sensor"]),
            "routine": routine,
            "routine_within": _within(references["routine"], golfer) if np.isfinite(routine) else float("nan"),
            "ratio": rmse / routine if routine > 0.0 else float("nan"),
        }
        se = _column(both, f"{name}_se_found")[there]
        if measure.has_se and np.isfinite(se).any():
            told_se = np.isfinite(se)
            inside = np.abs(errors[told_se]) <= 1.96 * se[told_se]
            row |= _coverage(inside.astype(float), golfer[told_se], rng)
            row["se_median"], row["se_missing"] = float(np.median(se[told_se])), int((~told_se).sum())
            row["coverage_met"] = _coverage_met(row, targets)
        figures.append(row)
    return figures


def _coverage_met(row: Figure, targets: Targets) -> bool:
    if targets.coverage is not None:
        return bool(targets.coverage[0] <= row["coverage"] <= targets.coverage[1])
    return bool(row["coverage_low"] <= 0.95 <= row["coverage_high"])


def _f1(true: BoolArray, told: BoolArray) -> float:
    hits = float(np.sum(true & told))
    return 2.0 * hits / float(np.sum(true) + np.sum(told)) if np.sum(true) + np.sum(told) else float("nan")


def stalls(rows: pd.DataFrame, targets: Targets) -> list[Figure]:
    """F1 of the stalled verdict beside the references', and the stall probability's Brier score."""
    both = rows[rows["found"] & rows["chest_verdict_found"].notna()] if "chest_verdict_found" in rows else rows[:0]
    if len(both) == 0:
        return []
    true = (both["chest_verdict"] == "stalled").to_numpy()
    told = (both["chest_verdict_found"] == "stalled").to_numpy()
    by_reference = {
        part: np.array([verdict(value) == "stalled" for value in _column(both, f"chest_continuity_{part}")])
        for part in ("routine", "sensor")
    }
    routine = _f1(true, by_reference["routine"])
    figures = [
        figure("stall F1", _f1(true, told), limit=routine - targets.f1_below_reference, at_least=True, n=len(both)),
        figure("stall F1, routine reference", routine, n=len(both)),
        figure("stall F1, sensor reference", _f1(true, by_reference["sensor"]), n=len(both)),
        figure("share stalled, true", float(np.mean(true)), n=len(both)),
    ]
    p = _column(both, "chest_stall_probability_found")
    told_p = np.isfinite(p)
    if told_p.any():
        p, y, golfer = p[told_p], true[told_p].astype(float), both["golfer"].to_numpy()[told_p]
        brier = float(np.mean((p - y) ** 2))
        gain = 1.0 - _recalibrated_brier(p, y, golfer) / brier if brier > 0.0 else 0.0
        figures += [
            figure("stall probability, Brier score", brier, n=len(p)),
            figure("Brier score of the base rate", float(np.mean(y) * (1.0 - np.mean(y))), n=len(p)),
            figure("Brier gain by recalibrating on other golfers", gain, limit=targets.brier_gain, n=len(p)),
        ]
    return figures


def _recalibrated_brier(p: FloatArray, y: FloatArray, golfer: FloatArray) -> float:
    """Brier score after a logistic recalibration that is fitted on the other half of the golfers."""
    x = np.log(np.clip(p, 1e-4, 1 - 1e-4) / np.clip(1.0 - p, 1e-4, 1.0))
    fold = golfer % 2
    total = 0.0
    for part in (0, 1):
        fit, test = fold != part, fold == part
        if not test.any() or not fit.any():
            continue
        a, b = _logistic(x[fit], y[fit])
        total += float(np.sum((1.0 / (1.0 + np.exp(-(a + b * x[test]))) - y[test]) ** 2))
    return total / len(y)


def _logistic(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Intercept and slope by Newton's method, lightly drawn to no recalibration (0, 1)."""
    design = np.stack((np.ones_like(x), x), axis=1)
    start = np.array([0.0, 1.0])
    w = start.copy()
    for _ in range(50):
        q = 1.0 / (1.0 + np.exp(-np.clip(design @ w, -30.0, 30.0)))
        slope = design.T @ (y - q) - 0.1 * (w - start)
        bend = (design * (q * (1.0 - q))[:, None]).T @ design + 0.1 * np.eye(2)
        step = np.linalg.solve(bend, slope)
        w = w + np.clip(step, -2.0, 2.0)
        if float(np.max(np.abs(step))) < 1e-8:
            break
    return float(w[0]), float(w[1])


ODD_S = 0.1
ODD_ROWS = 25


def odd_swings(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Swings that were missed, of the wrong kind, or with a moment more than `ODD_S` off: at most `ODD_ROWS`."""
    found = []
    for row in rows.to_dict("records"):
        what = []
        if not row["found"]:
            what.append(f"{row['kind']} missed")
        else:
            if row["kind"] != row["kind_found"]:
                what.append(
                    f"{row['kind']} told as {row['kind_found']}, shock {row['peak_shock']:.1f} m/s² at the hand"
                )
            for name in ("takeaway", "top", "impact"):
                off = row[f"{name}_s_found"] - row[f"{name}_s"]
                if abs(off) > ODD_S:
                    what.append(f"{name} {1000.0 * off:+.0f} ms")
        if what:
            told = f"{', '.join(what)} (impact at {row['impact_s']:.2f} s, {row['rate']:.0f} Hz)"
            found.append({"golfer": row["golfer"], "task": row["task"], "swing": row["swing"], "what": told})
    return found[:ODD_ROWS]


def reliability(rows: pd.DataFrame) -> list[dict[str, float]]:
    """Told stall probability against how often it was a stall, in fifths of the scale."""
    p = _column(rows, "chest_stall_probability_found")
    y = (rows["chest_verdict"] == "stalled").to_numpy(dtype=float)
    table = []
    for low in np.arange(0.0, 1.0, 0.2):
        inside = (p >= low) & (p < low + 0.2 + 1e-9 * (low > 0.7))
        if inside.any():
            table.append(
                {
                    "low": float(low),
                    "told": float(p[inside].mean()),
                    "was": float(y[inside].mean()),
                    "n": int(inside.sum()),
                }
            )
    return table
