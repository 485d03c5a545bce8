"""What changed, as the pages tell it: a first and a last stage (block or visit), their shots, and `compare`'s rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from imuswing.compare import CompareSettings, compare
from imuswing.compare.own_best import MORE_OFTEN, against_own_best, best_shot
from imuswing.compare.settings import GOALS, SIZES
from imuswing.compare.table import By
from imuswing.compare.verdict import CANNOT_TELL, CHANGED, NO_CHANGE, PROBABLY
from imuswing.measures.dictionary import KEY_COLUMNS
from imuswing.report.load import Results
from imuswing.report.plan_view import GoalView
from imuswing.report.views import RecordingView, SwingView
from imuswing.vocabulary import KIND_SHOT

if TYPE_CHECKING:
    import pandas as pd

VERDICT_KEYS: Final = {
    CHANGED: "changed",
    PROBABLY: "probably_changed",
    NO_CHANGE: "no_change",
    CANNOT_TELL: "cannot_tell",
}
"""The verdicts of `compare` by their names in the catalogue of texts."""

Row = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Stage:
    """A block or visit: its label, its shots in order, and how many there were of each label before it."""

    label: str
    shots: tuple[SwingView, ...]


@dataclass(frozen=True, kw_only=True)
class Change:
    """Every stage in order of playing, and `compare`'s rows by (later stage, measure)."""

    by: By
    stages: tuple[Stage, ...]
    rows: Mapping[tuple[str, str], Row]

    @property
    def first(self) -> Stage:
        """The stage that the others are compared with."""
        return self.stages[0]

    @property
    def last(self) -> Stage:
        """The latest stage."""
        return self.stages[-1]

    def row(self, measure: str, stage: Stage | None = None) -> Row | None:
        """The comparison of a stage (the last one) with the first; None where there is none."""
        return self.rows.get(((stage or self.last).label, measure))


def usual_by(results: Results) -> By:
    """Visits where there are several, else blocks."""
    return "session" if results.swings["session"].nunique() > 1 else "block"


def measures_worked_on(goals: Sequence[GoalView]) -> tuple[str, ...]:
    """The measures of the goals, else the three questions of a lesson."""
    return tuple(dict.fromkeys(goal.measure for goal in goals if goal.measure in SIZES)) or GOALS


def find_change(
    results: Results, recordings: Sequence[RecordingView], *, by: By, measures: Sequence[str]
) -> Change | None:
    """Stages and comparisons of one student and task; None with fewer than two stages."""
    shots = results.compared[(results.compared["kind"] == KIND_SHOT).to_numpy(dtype=bool, na_value=False)]
    if by not in shots.columns or shots[by].nunique() < 2:
        return None
    table = compare(results.compared, by=by, settings=CompareSettings(goals=tuple(measures)))
    if table.empty:
        return None
    labels = [str(table["a"].iloc[0]), *dict.fromkeys(str(label) for label in table["b"])]
    rows = {(str(row["b"]), str(row["measure"])): row for row in _records(table)}
    stages = tuple(Stage(label=label, shots=_shots(recordings, by, label)) for label in labels)
    return Change(by=by, stages=stages, rows=rows)


def all_shots(recordings: Sequence[RecordingView]) -> Stage:
    """All shots as one stage without a label."""
    return Stage(label="", shots=tuple(shot for recording in recordings for shot in recording.shots))


def own_best(results: Results, recordings: Sequence[RecordingView], goal: GoalView) -> SwingView | None:
    """The shot that stands for the student's own best in a goal's measure."""
    if goal.measure not in SIZES:
        return None
    best = best_shot(results.compared, measure=goal.measure, better=goal.better)
    return _view_of(best.iloc[0], recordings) if len(best) else None


def reached_own_best(results: Results, goal: GoalView, by: By) -> Row | None:
    """How often the latest stage came up to the best fifth of all earlier shots; None where nothing was before."""
    if goal.measure not in SIZES or by not in results.compared.columns:
        return None
    table = against_own_best(results.compared, measure=goal.measure, better=goal.better, by=by)
    return _records(table)[-1] if len(table) else None


def is_more_often(row: Row) -> bool:
    """Whether the own best was reached more often than chance would have it."""
    return bool(row["verdict"] == MORE_OFTEN)


def middle_shot(shots: Sequence[SwingView]) -> SwingView | None:
    """The shot in the middle of all by chest continuity (a real one, no average); the last one without any."""
    judged = [shot for shot in shots if shot.values.get("chest_continuity") is not None]
    judged.sort(key=lambda shot: shot.values["chest_continuity"] or 0.0)
    if judged:
        return judged[(len(judged) - 1) // 2]
    return shots[-1] if shots else None


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]


def _shots(recordings: Sequence[RecordingView], by: By, label: str) -> tuple[SwingView, ...]:
    return tuple(
        shot
        for recording in recordings
        for shot in recording.shots
        if (recording.labels["session"] if by == "session" else shot.block) == label
    )


def _view_of(row: pd.Series, recordings: Sequence[RecordingView]) -> SwingView | None:
    wanted = {name: row[name] for name in KEY_COLUMNS[:-1] if name in row.index}
    for recording in recordings:
        if all(_same(recording.labels[name], label) for name, label in wanted.items()):
            return next((swing for swing in recording.swings if swing.number == int(row["swing"])), None)
    return None


def _same(label: str | None, value: Any) -> bool:
    missing = value is None or value != value
    return label is None if missing else label == str(value)
