"""Comparisons through the whole chain: simulated lessons, analyzed, compared, and held against the truth.

    python scripts/compare_chain.py [--golfers 24] [--shots 18] [--seed 777]

First with drill and transfer that change nothing, then as simulated. Prints how often blocks are called `changed`,
and by measure how an estimate's error divides: what all shots of a strapping-on share, what is each shot's own, and
what the comparison of two visits takes for the shared part. Simulation is simulation: sizes of errors are assumptions.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd

import imuswing.simulate.session as session
from imuswing.compare import compare
from imuswing.compare.settings import SIZES
from imuswing.lesson import analyze
from imuswing.recording.model import FloatArray, IntArray
from imuswing.simulate.dataset import make_visit

MOST_APART_S = 0.15
"""An estimated and a true impact further apart than this are not the same swing."""


def lessons(golfers: Sequence[int], *, shots: int, seed: int, effect: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Analyzed swings and the true values of the same swings, row by row."""
    blocks = session.BLOCKS
    if not effect:
        vars(session)["BLOCKS"] = tuple((name, intent, 0.0) for name, intent, _ in blocks)
    found, true = [], []
    try:
        for golfer in golfers:
            _, made = make_visit(golfer, seed=seed, shots=shots, preset="realistic", tasks=("chip",), rate=200.0)
            for recording, truth in made:
                told = analyze(recording).swings
                known, apart = _nearest(told["impact_s"].to_numpy(), truth.swings["impact_s"].to_numpy(dtype=float))
                same = apart <= MOST_APART_S
                found.append(told[same])
                true.append(truth.swings.iloc[known[same]])
    finally:
        vars(session)["BLOCKS"] = blocks
    return pd.concat(found, ignore_index=True), pd.concat(true, ignore_index=True)


def _nearest(times: FloatArray, true: FloatArray) -> tuple[IntArray, FloatArray]:
    apart = np.abs(times[:, None] - true[None, :])
    return apart.argmin(axis=1), apart.min(axis=1)


def verdicts(found: pd.DataFrame) -> str:
    """Rows and pairs by verdict."""
    table = compare(found, by="block")
    pairs = table.assign(changed=table["verdict"] == "changed").groupby(["participant", "b"])["changed"].any()
    goal = table[table["measure"] == "chest_continuity"]["verdict"].value_counts()
    rows = table["verdict"].value_counts(normalize=True)
    lines = [f"{len(pairs)} pairs, {len(table)} rows; with one or more `changed`: {100 * pairs.mean():.1f} % of pairs"]
    lines.append("rows: " + ", ".join(f"{name} {100 * share:.2f} %" for name, share in rows.items()))
    lines.append("chest continuity: " + ", ".join(f"{name} {count}" for name, count in goal.items()))
    return "\n".join(lines)


def errors(found: pd.DataFrame, true: pd.DataFrame) -> str:
    """By measure: SD of the error that shots share and of each shot's own, standard error told, visit error used."""
    lines = ["| measure | shared | own | told | taken between visits |", "| --- | --- | --- | --- | --- |"]
    shots = (found["kind"] == "shot").to_numpy()
    for name, size in SIZES.items():
        error = (found[name] - true[name].astype(float))[shots]
        groups = error.groupby(found["participant"][shots])
        count, mean = groups.count(), groups.mean()
        if (count > 2).sum() < 5:
            continue
        own = float((error - mean.reindex(found["participant"][shots]).to_numpy()).pow(2).sum() / (count - 1).sum())
        shared = float(np.mean(mean.dropna() ** 2) - own * np.mean(1.0 / count[count > 0]))
        told = float(np.nanmean(found[f"{name}_se"][shots] ** 2)) if f"{name}_se" in found else 0.0
        taken = max(size.visit_sd**2, size.shared * told)
        cells = [f"{max(v, 0.0) ** 0.5:.3g}" for v in (shared, own, told, taken)]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return "\n".join(lines)


def main() -> None:
    """Run both and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--golfers", type=int, default=24)
    parser.add_argument("--shots", type=int, default=18)
    parser.add_argument("--seed", type=int, default=777)
    args = parser.parse_args()
    warnings.simplefilter("ignore", UserWarning)
    for effect in (False, True):
        found, true = lessons(range(args.golfers), shots=args.shots, seed=args.seed, effect=effect)
        print("\nAs simulated\n" if effect else "\nNothing changed\n")
        print(verdicts(found), errors(found, true), sep="\n\n")


if __name__ == "__main__":
    main()
