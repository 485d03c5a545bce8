"""How often `compare` is wrong and how often it sees a change: simulated students whose truth is known.

    python scripts/compare_power.py [--students 1000]

Prints the tables of docs/comparing.md. Every student is one trial: all measures, correlated shot by shot, with a
spread of three times the change that matters, so that its size never hides a false verdict. Seeds are fixed.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from imuswing.compare import CompareSettings, compare
from imuswing.compare.families import weights
from imuswing.compare.settings import SIZES
from imuswing.compare.table import By
from imuswing.recording.model import FloatArray

MEASURES = tuple(SIZES)
GOAL = "chest_continuity"
SPREAD = 3.0
CORRELATION = 0.3


@dataclass(frozen=True, kw_only=True)
class Case:
    """One situation.

    n: shots of a and b.  spread: SD of a shot in b over that in a.  effect: true change of the goal measure, in SD
    of a.  by: blocks of one strapping-on, or visits with one each.  serial: correlation of neighbouring shots.
    drift: change over a block by a straight line, in SD, begun anew in each block, or going on through both.
    skew: shots lognormal, not normal.
    """

    name: str
    n: tuple[int, int]
    spread: float = 1.0
    effect: float = 0.0
    by: By = "block"
    serial: float = 0.0
    drift: float = 0.0
    goes_on: bool = False
    skew: bool = False


def simulate(case: Case, *, students: int, seed: int) -> pd.DataFrame:
    """A table of swings for `students` students."""
    rng = np.random.default_rng(seed)
    n_a, n_b = case.n
    shots, count = n_a + n_b, len(MEASURES)
    noise = _shots(rng, (students, shots, count), case)
    noise[:, n_a:] *= case.spread
    step = np.r_[np.linspace(-0.5, 0.5, n_a), np.linspace(-0.5, 0.5, n_b)]
    if case.goes_on:
        step[n_a:] += 1.0
    noise += case.drift * step[None, :, None]
    goal = MEASURES.index(GOAL)
    noise[:, n_a:, goal] += case.effect
    sizes = np.array([SIZES[m].worthwhile for m in MEASURES])
    straps = np.array([SIZES[m].visit_sd for m in MEASURES])
    values = noise * SPREAD * sizes
    if case.by == "session":
        errors = rng.standard_normal((students, 2, count)) * straps
        values += np.repeat(errors, [n_a, n_b], axis=1)
    flat = values.reshape(-1, count)
    later = np.tile(np.r_[np.zeros(n_a, int), np.ones(n_b, int)], students)
    table = pd.DataFrame(flat, columns=list(MEASURES))
    table["participant"] = np.repeat([f"S{k:05d}" for k in range(students)], shots)
    table["task"], table["kind"] = "chip", "shot"
    table["session"] = np.where((case.by == "session") & (later == 1), "2", "1")
    table["block"] = np.where(later == 1, "drill", "baseline")
    table["impact_s"] = np.tile(np.arange(shots) * 20.0, students)
    return table


def _shots(rng: np.random.Generator, shape: tuple[int, int, int], case: Case) -> FloatArray:
    """Unit-variance shots, correlated across measures, and along the shots where asked."""
    common = rng.standard_normal((*shape[:2], 1))
    own = rng.standard_normal(shape)
    noise = np.sqrt(CORRELATION) * common + np.sqrt(1.0 - CORRELATION) * own
    if case.skew:
        log = np.exp(0.8 * noise)
        noise = (log - np.exp(0.32)) / np.sqrt((np.exp(0.64) - 1.0) * np.exp(0.64))
    for k in range(1, shape[1]) if case.serial else ():
        noise[:, k] = case.serial * noise[:, k - 1] + np.sqrt(1.0 - case.serial**2) * noise[:, k]
    return np.asarray(noise)


@dataclass(frozen=True, kw_only=True)
class Rates:
    """Shares: of rows and of pairs with a false `changed`, of pairs with a false `probably changed`, of intervals that
    hold the truth, and of students whose change of the goal measure is called `changed`, or at least `probably`."""

    rows: float
    pairs: float
    probably: float
    coverage: float
    power: float
    likely: float


def rates(case: Case, *, students: int, seed: int, settings: CompareSettings | None = None) -> Rates:
    """Simulate, compare and count."""
    table = compare(simulate(case, students=students, seed=seed), by=case.by, settings=settings)
    goal = (table["measure"] == GOAL).to_numpy()
    null = ~goal if case.effect else np.ones(len(table), dtype=bool)
    changed = (table["verdict"] == "changed").to_numpy()
    probably = (table["verdict"] == "probably changed").to_numpy()
    holds = (table["difference_low"] <= 0.0) & (table["difference_high"] >= 0.0)
    who = table["participant"]
    return Rates(
        rows=float(changed[null].mean()),
        pairs=float(pd.Series(changed & null).groupby(who.to_numpy()).any().mean()),
        probably=float(pd.Series((probably | changed) & null).groupby(who.to_numpy()).any().mean()),
        coverage=float(holds[null].mean()),
        power=float(changed[goal].mean()),
        likely=float((changed | probably)[goal].mean()),
    )


def predicted_power(case: Case, settings: CompareSettings | None = None) -> float:
    """Of the t test at the level that the correction leaves to the goal measure at its first step; equal spreads."""
    from scipy.stats import nct, t

    settings = settings or CompareSettings()
    is_goal = np.array([m in settings.goals for m in MEASURES])
    level = settings.alpha * weights(is_goal, goal_share=settings.goal_share)[MEASURES.index(GOAL)]
    df = sum(case.n) - 2
    shift = case.effect / np.sqrt(1.0 / case.n[0] + 1.0 / case.n[1])
    limit = t.ppf(1.0 - level / 2.0, df)
    return float(nct.sf(limit, df, shift) + nct.cdf(-limit, df, shift))


NULL_CASES = (
    *(Case(name=f"{n} and {n} shots", n=(n, n)) for n in (3, 5, 8, 12, 20)),
    Case(name="3 and 20 shots", n=(3, 20)),
    Case(name="spread 1 : 3, 8 and 8", n=(8, 8), spread=3.0),
    Case(name="spread 1 : 3, 5 and 15", n=(5, 15), spread=3.0),
    Case(name="spread 3 : 1, 5 and 15", n=(5, 15), spread=1 / 3),
    Case(name="spread 3 : 1, 3 and 20", n=(3, 20), spread=1 / 3),
    Case(name="lognormal shots, 8 and 8", n=(8, 8), skew=True),
    Case(name="lognormal shots, 5 and 15", n=(5, 15), skew=True),
    Case(name="two visits, 8 and 8", n=(8, 8), by="session"),
    Case(name="two visits, 20 and 20", n=(20, 20), by="session"),
    Case(name="drift of 1 SD begun anew, 10 and 10", n=(10, 10), drift=1.0),
    Case(name="neighbours alike 0.3, 10 and 10", n=(10, 10), serial=0.3),
    Case(name="neighbours alike 0.5, 10 and 10", n=(10, 10), serial=0.5),
    Case(name="drift going on, 0.5 SD a block, 10 and 10", n=(10, 10), drift=0.5, goes_on=True),
    Case(name="drift going on, 1 SD a block, 10 and 10", n=(10, 10), drift=1.0, goes_on=True),
)
POWER_CASES = tuple(
    Case(name=f"{effect:g} SD, {n} and {n}", n=(n, n), effect=effect)
    for n in (3, 5, 8, 12, 20)
    for effect in (1.0, 1.5, 2.0, 3.0)
)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--students", type=int, default=1000)
    students = parser.parse_args().students
    print("Nothing changed, %\n")
    print("| situation | false `changed`, a row | …, a pair | with `probably`, a pair | intervals that hold 0 |")
    print("| --- | --- | --- | --- | --- |")
    for seed, case in enumerate(NULL_CASES):
        r = rates(case, students=students, seed=seed)
        told = f"{100 * r.rows:.2f} | {100 * r.pairs:.1f} | {100 * r.probably:.1f} | {100 * r.coverage:.1f}"
        print(f"| {case.name} | {told} |")
    print("\nA change of one goal measure, %\n")
    print("| situation | `changed` | predicted | with `probably` | false `changed` of others, a pair |")
    print("| --- | --- | --- | --- | --- |")
    for seed, case in enumerate(POWER_CASES, start=100):
        r = rates(case, students=students, seed=seed)
        told = f"{100 * r.power:.0f} | {100 * predicted_power(case):.0f} | {100 * r.likely:.0f} | {100 * r.pairs:.1f}"
        print(f"| {case.name} | {told} |")


if __name__ == "__main__":
    main()
