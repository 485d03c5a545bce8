"""`imuswing compare`."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from imuswing.compare.settings import CompareSettings

SUMMARY = "Say whether later blocks or visits differ from the first, and whether one can tell."
EXAMPLE = "imuswing compare results --by block"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "results", type=Path, nargs="+", metavar="RESULTS", help="one or more folders that analyze or batch wrote"
    )
    parser.add_argument("--by", choices=("block", "session"), required=True, help="what is compared with the first")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the table too; .parquet, .csv or .tsv")
    parser.add_argument("--against", metavar="LABEL", help="compare with this block or visit, not with the first")
    parser.add_argument(
        "--block", action="append", metavar="NAME", help="only shots of this block (may be given several times)"
    )
    parser.add_argument("--participant", metavar="LABEL", help="only this student")
    parser.add_argument(
        "--plan",
        type=Path,
        metavar="FILE",
        help="a student's plan, or the dataset that holds the plans: what their goals measure is worked on",
    )
    parser.add_argument(
        "--goal",
        action="append",
        metavar="MEASURE",
        help="a measure worked on, told sooner than the others (may be given several times)",
    )
    parser.add_argument(
        "--matters",
        action="append",
        default=[],
        metavar="MEASURE=NUMBER",
        help="smallest change of a measure that matters, in its own unit (may be given several times)",
    )
    parser.add_argument(
        "--own-best",
        action="append",
        default=[],
        metavar="MEASURE=BETTER",
        help="hold the latest against the best fifth of earlier shots; BETTER is higher, lower or the value aimed at",
    )
    parser.add_argument("--outcomes", action="store_true", help="say as well how the noted outcomes go with the body")


def run(args: argparse.Namespace) -> int:
    """Compare, print and write."""
    import pandas as pd

    from imuswing.compare.files import check_ending, read_results, write_comparison
    from imuswing.compare.table import apart_rows, differences_table, drifting_rows, found_differences

    settings = _settings(args)
    if args.out:
        check_ending(args.out)
    aims = [_aim(item) for item in args.own_best]
    swings = read_results(args.results)
    if args.block:
        swings = _only_blocks(swings, args.block)
    if args.participant:
        swings = _only_of(swings, args.participant)
    tables, texts = [], []
    for rows, own in _parts(swings, args, settings):
        found = found_differences(rows, by=args.by, settings=own)
        table = differences_table(found, settings=own)
        if not table.empty:
            tables.append(table)
            marks = {"drifting": drifting_rows(found), "apart": apart_rows(found) & (args.by == "block")}
            texts += in_words(table.assign(**marks), goals=own.goals)
    if not tables:
        raise _nothing_to_compare(swings, args)
    if args.out:
        args.out.parent.mkdir(parents=True, exist_ok=True)
        write_comparison(pd.concat(tables, ignore_index=True), args.out)
    print("\n\n".join(texts))
    print(f"\n{_legend(args.by)}")
    for measure, better in aims:
        print("\n" + "\n".join(_own_best(swings, measure, better, args.by, settings)))
    if args.outcomes:
        print("\n" + "\n".join(_outcomes(swings)))
    if args.out:
        print(f"\nwritten: {args.out}")
    return 0


def _settings(args: argparse.Namespace) -> Any:
    from dataclasses import replace

    from imuswing.compare.settings import GOALS, SIZES, CompareSettings
    from imuswing.errors import SettingsError, require_one_of

    sizes = dict(SIZES)
    for item in args.matters:
        name, _, number = item.partition("=")
        require_one_of("the measure of --matters", name, SIZES)
        try:
            value = float(number)
        except ValueError as error:
            raise SettingsError(f"--matters {item}: after = there must be a number") from error
        sizes[name] = replace(sizes[name], worthwhile=value)
    return CompareSettings(goals=tuple(args.goal or GOALS), sizes=sizes, against=args.against)


def _only_blocks(swings: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    from imuswing.errors import require_one_of

    for name in names:
        require_one_of("--block", name, sorted(swings["block"].dropna().unique()))
    return swings[swings["block"].isin(names)]


def _only_of(swings: pd.DataFrame, participant: str) -> pd.DataFrame:
    from imuswing.errors import require_one_of

    require_one_of("--participant", participant, sorted(swings["participant"].dropna().unique()))
    return swings[(swings["participant"] == participant).to_numpy(dtype=bool, na_value=False)]


def _parts(
    swings: pd.DataFrame, args: argparse.Namespace, settings: CompareSettings
) -> Iterator[tuple[pd.DataFrame, CompareSettings]]:
    """All swings at once; with plans each student's kinds of shot, with the goals about them, as on the pages."""
    if args.plan is None:
        yield swings, settings
        return
    from dataclasses import replace

    from imuswing.errors import SettingsError, require_one_of
    from imuswing.plan.files import plan_of
    from imuswing.plan.model import plan_data
    from imuswing.report.change import measures_worked_on
    from imuswing.report.plan_view import plan_view

    if args.goal:
        raise SettingsError("--goal and --plan both say what is worked on; leave one out")
    if args.against is not None and args.by in swings.columns:
        require_one_of("--against", args.against, list(swings[args.by].dropna().unique()))
    for (participant, task), rows in swings.groupby(["participant", "task"], sort=False, dropna=False):
        if args.against is None or (rows[args.by] == args.against).any():
            plan = plan_view(plan_data(plan_of(args.plan, str(participant))), task=str(task))
            yield rows, replace(settings, goals=measures_worked_on(plan.goals))


def _nothing_to_compare(swings: pd.DataFrame, args: argparse.Namespace) -> Exception:
    from imuswing.errors import RecordingError

    shots = swings[(swings["kind"] == "shot").to_numpy(dtype=bool, na_value=False)]
    there = sorted(shots[args.by].dropna().unique()) if args.by in shots.columns else []
    kind = {"block": "blocks", "session": "visits"}[args.by]
    listed = f"found: {', '.join(map(str, there))}" if there else "none is marked"
    do = {
        "block": "mark at least two blocks of one student and task, or compare --by session",
        "session": "name the results of at least two visits of one student and task, or compare --by block",
    }[args.by]
    return RecordingError(
        ", ".join(map(str, args.results)), f"no student has shots of two {kind} in one task ({listed})", do
    )


def in_words(table: pd.DataFrame, *, goals: Sequence[str]) -> list[str]:
    """One text a pair: a heading, a line a measure (those worked on first, with a star), and remarks.

    Two columns beside those of `compare` say of which rows something is remarked: drifting, and apart, where the
    sensors sat differently.
    """
    texts = []
    # Only where a drift holds a verdict back is it worth a sentence: of many measures some drift by chance.
    drifts = table.assign(drifting=table["drifting"] & (table["verdict"] == "probably changed"))
    for (participant, task, a, b), rows in drifts.groupby(["participant", "task", "a", "b"], sort=False, dropna=False):
        shots = f"{rows['n_a'].max()} and {rows['n_b'].max()} shots"
        who = " ".join(str(label) for label in (participant, task) if label == label and label is not None)
        rows = rows.assign(goal=rows["measure"].isin(list(goals))).sort_values("goal", ascending=False, kind="stable")
        lines = [f"{who}: {b} against {a}, {shots}"]
        lines += _aligned([["", a, b, "difference (95 %)", "can tell", "verdict"], *map(_row, _records(rows))])
        lines += [_drift_remark(record) for record in _records(rows[rows["drifting"]])]
        lines += _apart_remark(rows)
        texts.append("\n".join(lines))
    return texts


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    return [dict(record) for record in rows.to_dict("records")]


def _row(record: dict[str, Any]) -> list[str]:
    from imuswing.measures.dictionary import BY_NAME

    measure = BY_NAME[record["measure"]]
    unit = "" if measure.unit == "1" else f", {measure.unit}"
    difference = _number(record["difference"], measure.decimals, sign=True)
    if record["difference_low"] == record["difference_low"]:
        low, high = (_number(record[k], measure.decimals, sign=True) for k in ("difference_low", "difference_high"))
        difference += f" ({low} to {high})"
    return [
        f"{'*' if record['goal'] else ' '} {measure.label}{unit}",
        _number(record["mean_a"], measure.decimals),
        _number(record["mean_b"], measure.decimals),
        difference,
        _number(record["detectable"], measure.decimals),
        _verdict(record),
    ]


def _number(value: float, decimals: int, *, sign: bool = False) -> str:
    if value != value:
        return "–"
    rounded = round(value, decimals) + 0.0  # no minus before nothing
    return f"{rounded:{'+' if sign and rounded else ''}.{decimals}f}".replace("-", "−")


def _verdict(record: dict[str, Any]) -> str:
    verdict, needed = str(record["verdict"]), record["shots_needed"]
    if record["drifting"]:
        return f"{verdict}, but see below"
    missing = [str(record[side]) for side in "ab" if not record[f"n_{side}"]]
    if missing:
        return f"{verdict}: not measured in {' and '.join(missing)}"
    if needed != needed or needed is None or str(needed) == "<NA>":
        return f"{verdict}; more shots alone will not tell"
    if not needed:
        return verdict
    shots = "1 more shot" if needed == 1 else f"{int(needed)} more shots"
    return f"{verdict}: about {shots} on either side"


def _drift_remark(record: dict[str, Any]) -> str:
    from imuswing.measures.dictionary import BY_NAME

    return (
        f"  {BY_NAME[record['measure']].label}: drifted within the blocks, which may be all that the difference is; "
        f"play {record['a']} once more to tell practice or tiring from {record['b']}."
    )


def _apart_remark(rows: pd.DataFrame) -> list[str]:
    """One sentence where blocks carry the error of strapping on again."""
    from imuswing.measures.dictionary import BY_NAME

    both = rows[(rows["n_a"] > 0) & (rows["n_b"] > 0)]
    if not both["apart"].any():
        return []
    parts = dict.fromkeys(BY_NAME[name].group for name in both["measure"][both["apart"]])
    what = "All of this" if both["apart"].all() else " and ".join(parts)
    return [
        f"  {what}: the sensors sat differently in the two blocks (put on anew, or one that may have "
        f"slipped), so the error of strapping on again counts, as between visits."
    ]


def _aligned(rows: list[list[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]) - 1)]
    return [
        "  " + "   ".join([row[0].ljust(widths[0]), *(row[k].rjust(widths[k]) for k in range(1, len(widths))), row[-1]])
        for row in rows
    ]


def _legend(by: str) -> str:
    text = (
        "* worked on. Differences are the right mean minus the left one; “can tell” is the smallest difference that "
        "these shots could show.\nVerdicts are corrected for the number of measures. A difference does not say why: "
        "order, practice and tiring count too."
    )
    if by == "session":
        text += "\nVisits carry the error of strapping the sensors on again."
    return text


def _aim(item: str) -> tuple[str, str | float]:
    """A measure and what is better, from `chest_continuity=higher` or `tempo_ratio=3`."""
    from imuswing.compare.settings import SIZES
    from imuswing.errors import SettingsError, require_one_of

    name, _, better = item.partition("=")
    require_one_of("the measure of --own-best", name, SIZES)
    if better in ("higher", "lower"):
        return name, better
    try:
        return name, float(better)
    except ValueError as error:
        raise SettingsError(f"--own-best {item}: after = there must be higher, lower or a number") from error


def _own_best(swings: pd.DataFrame, measure: str, better: str | float, by: Any, settings: CompareSettings) -> list[str]:
    from imuswing.compare.own_best import OwnBestSettings, against_own_best
    from imuswing.measures.dictionary import BY_NAME

    told = BY_NAME[measure]
    unit = "" if told.unit == "1" else f" {told.unit}"
    lines = [
        f"Own best, {told.label} (the best fifth of all earlier shots; without any change a fifth reach its line):"
    ]
    found = against_own_best(swings, measure=measure, better=better, by=by, settings=OwnBestSettings(compare=settings))
    for record in _records(found):
        line, best = (_number(record[name], told.decimals) for name in ("line", "best_mean"))
        lines.append(
            f"  {record['participant']} {record['task']}, {record['now']}: {record['reached']} of {record['n_now']} "
            f"shots reach {line}{unit}, where {record['expected']:.0f} would with nothing changed (best fifth: "
            f"{best}{unit}): {record['verdict']}"
        )
    return lines if len(found) else [*lines, "  nobody has earlier shots"]


def _outcomes(swings: pd.DataFrame) -> list[str]:
    from imuswing.compare.relations import relate
    from imuswing.measures.dictionary import BY_NAME

    told = relate(swings).dropna(subset=["relation"])
    if told.empty:
        return ["Outcomes: the noted outcomes do not say enough about any measure."]
    lines = ["Outcomes, against the student's other noted shots (a relation is no cause):"]
    for record in _records(told):
        measure = BY_NAME[record["measure"]]
        unit = "" if measure.unit == "1" else f" {measure.unit}"
        size, low, high = (
            _number(record[k], measure.decimals, sign=True) for k in ("difference", "difference_low", "difference_high")
        )
        lines.append(
            f"  {record['participant']} {record['task']}, {record['outcome']} ({record['n_with']} of "
            f"{record['n_with'] + record['n_without']}): {measure.label} {record['relation']}, "
            f"{size}{unit} ({low} to {high})"
        )
    return lines
