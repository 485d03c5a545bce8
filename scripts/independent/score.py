"""Runs `imuswing analyze` on the simulated golfers and compares its tables with their truth.

    PYTHONPATH=scripts .venv/bin/python -m independent.score --out DIR --level real --golfers 30 --seed 1

Prints a table and writes `DIR/score.json` and `DIR/matched.parquet` (one row a swing found: truth, result, error).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from independent import simulate

SAME_SWING_S = 0.3  # a result this near in time to a true impact is that swing
STALLED_UNDER = 0.4  # the contract's limit of the verdict
RESAMPLES = 500
HEADS = ("bias", "rmse", "95 %", "change", "se")
MOMENTS = ("takeaway_s", "top_s", "impact_s", "finish_s")
LABELS = ("kind", "participant", "lead_side", "task", "rate_hz", "meaning", "slip", "steps", "block", "fat")


def analyze(out: Path) -> pd.DataFrame:
    """The command's table of swings for the whole dataset."""
    command = [sys.executable, "-m", "imuswing", "analyze", str(out / "dataset"), "--out", str(out / "results")]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ, check=False)
    if done.returncode not in (0, 3):
        raise RuntimeError(f"imuswing analyze ended with {done.returncode}: {done.stderr.strip()}")
    return pd.read_parquet(out / "results" / "swings.parquet")


def match(truth: pd.DataFrame, found: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Pairs of a true and a found swing, nearest first; also how many found ones have no true one."""
    pairs = []
    unmatched = 0
    for participant, results in found.groupby("participant"):
        mine = truth[truth["participant"] == participant]
        gap = np.abs(mine["impact_s"].to_numpy()[:, None] - results["impact_s"].to_numpy()[None])
        taken = 0
        while gap.size and gap.min() < SAME_SWING_S:
            i, j = np.unravel_index(np.argmin(gap), gap.shape)
            pairs.append((mine.index[i], results.index[j]))
            gap[i], gap[:, j] = np.inf, np.inf
            taken += 1
        unmatched += len(results) - taken
    which = pd.DataFrame(pairs, columns=["t", "r"])
    left = truth.loc[which["t"]].reset_index(drop=True)
    right = found.loc[which["r"]].reset_index(drop=True)
    left.columns = pd.Index([c if c in LABELS and c != "kind" else f"{c}_true" for c in left.columns])
    right = right.drop(columns=[c for c in LABELS if c in right and c != "kind"])
    return left.join(right), unmatched


def measures_of(matched: pd.DataFrame) -> list[str]:
    """The measures that both sides have, with standard errors."""
    return [c[:-5] for c in matched if c.endswith("_true") and c[:-5] in matched and f"{c[:-5]}_se" in matched]


def score_measure(matched: pd.DataFrame, name: str, rng: np.random.Generator) -> dict[str, float]:
    """Bias, spread, change within a golfer, share inside 1.96 standard errors."""
    use = matched[matched[f"{name}_true"].notna()]
    error = (use[name] - use[f"{name}_true"]).astype(float)
    told = error.notna()
    error, se, who = error[told], use.loc[told, f"{name}_se"].astype(float), use.loc[told, "participant"]
    inside = (error.abs() <= 1.96 * se).astype(float)
    by_session = inside.groupby(who).agg(["sum", "count"]).to_numpy()
    count = len(by_session)
    again = [rng.integers(count, size=count) for _ in range(RESAMPLES)] if count else []
    shares = [by_session[k, 0].sum() / by_session[k, 1].sum() for k in again]
    change = error - error.groupby(who).transform("mean")
    freedom = max(len(error) - who.nunique(), 1)  # each golfer's mean is taken off
    return {
        "n": len(error),
        "null_share": float(1.0 - told.mean()),
        "bias": float(error.mean()),
        "rmse": float(np.sqrt((error**2).mean())),
        "p95": float(error.abs().quantile(0.95)),
        "change_rmse": float(np.sqrt((change**2).sum() / freedom)),
        "mean_se": float(np.sqrt((se**2).mean())),
        "inside": float(inside.mean()),
        "inside_low": float(np.quantile(shares, 0.025)) if shares else np.nan,
        "inside_high": float(np.quantile(shares, 0.975)) if shares else np.nan,
    }


def score_stall(matched: pd.DataFrame) -> dict[str, float]:
    """The verdict `stalled` and its probability, over true shots."""
    shots = matched[(matched["kind_true"] == "shot") & matched["chest_verdict"].notna()]
    true = (shots["chest_continuity_true"].fillna(-1.0) < STALLED_UNDER).to_numpy()
    said = (shots["chest_verdict"] == "stalled").to_numpy()
    hits, false, missed = (true & said).sum(), (~true & said).sum(), (true & ~said).sum()
    told = shots["chest_stall_probability"].notna().to_numpy()
    chance = shots["chest_stall_probability"].to_numpy(float)[told]
    return {
        "shots": len(shots),
        "stalled": int(true.sum()),
        "precision": float(hits / max(hits + false, 1)),
        "recall": float(hits / max(hits + missed, 1)),
        "f1": float(2 * hits / max(2 * hits + false + missed, 1)),
        "brier": float(np.mean((chance - true[told]) ** 2)),
    }


def score(truth: pd.DataFrame, found: pd.DataFrame) -> tuple[dict[str, Any], pd.DataFrame]:
    """All figures, and the pairs they come from."""
    matched, unmatched = match(truth, found)
    rng = np.random.default_rng(0)
    shots = truth["kind"] == "shot"
    figures: dict[str, Any] = {
        "golfers": int(truth["participant"].nunique()),
        "swings": {
            "true": len(truth),
            "true_shots": int(shots.sum()),
            "found": len(found),
            "recall": len(matched) / len(truth),
            "recall_shots": float((matched["kind_true"] == "shot").sum() / shots.sum()),
            "precision": 1.0 - unmatched / max(len(found), 1),
            "kind_right": float((matched["kind"] == matched["kind_true"]).mean()),
        },
        "stall": score_stall(matched),
        "measures": {name: score_measure(matched, name, rng) for name in measures_of(matched)},
    }
    return figures, matched


def table(figures: dict[str, Any]) -> str:
    """For reading; moments in ms."""
    swings, stall = figures["swings"], figures["stall"]
    lines = [
        "  ".join(f"{k} {v:.3f}" if isinstance(v, float) else f"{k} {v}" for k, v in swings.items()),
        "stall: " + "  ".join(f"{k} {v:.3f}" if isinstance(v, float) else f"{k} {v}" for k, v in stall.items()),
        f"{'measure':30s} {'n':>4s} {'null':>5s} " + " ".join(f"{c:>8s}" for c in HEADS) + "  inside",
    ]
    for name, m in figures["measures"].items():
        f, label = (1000.0, name.replace("_s", "_ms")) if name in MOMENTS else (1.0, name)
        cells = " ".join(f"{f * m[k]:8.2f}" for k in ("bias", "rmse", "p95", "change_rmse", "mean_se"))
        share = f"{m['inside']:.2f} ({m['inside_low']:.2f}-{m['inside_high']:.2f})"
        lines.append(f"{label:30s} {m['n']:4d} {m['null_share']:5.2f} {cells}  {share}")
    return "\n".join(lines)


def run(out: Path, **settings: Any) -> dict[str, Any]:
    """Simulates, analyses, scores and keeps the figures in `out`; `settings` as `simulate` takes them."""
    truth = simulate.simulate(out, **settings)
    figures, matched = score(truth, analyze(out))
    figures["settings"] = settings
    (out / "score.json").write_text(json.dumps(figures, indent=1))
    matched.to_parquet(out / "matched.parquet")
    return figures


if __name__ == "__main__":
    print(table(run(**vars(simulate.parser().parse_args()))))
