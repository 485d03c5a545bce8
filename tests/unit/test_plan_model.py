"""Plans, goals and tasks: the file reads back, errors name the line, goals count as their words say."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imuswing.errors import RecordingError, SettingsError
from imuswing.measures.dictionary import BY_NAME
from imuswing.plan.files import read_plan, write_plan
from imuswing.plan.goals import goal_text, parse_goal
from imuswing.plan.model import Goal, Plan, Task, goal_result
from imuswing.plan.tasks import FILE, practice_set, task_languages
from imuswing.plan.toml import toml_text

CONTINUITY = Goal(measure="chest_continuity", low=0.6, needed=8, of=10, task="chip")


def shots(values: list[float | None], *, kind: str = "shot", task: str = "chip", se: float = 0.0) -> pd.DataFrame:
    return pd.DataFrame(
        {"kind": kind, "task": task, "chest_continuity": pd.array(values, dtype="Float64"), "chest_continuity_se": se}
    )


@pytest.mark.parametrize(
    ("text", "goal"),
    [
        ("chest_continuity over 0.6 in 8 of 10 chip", CONTINUITY),
        ("arm height at the top under 40", Goal(measure="arm_height_top_deg", high=40.0)),
        ("Tempo ratio between 2.7 and 3.3", Goal(measure="tempo_ratio", low=2.7, high=3.3)),
        ("chest_lean_impact_deg over -5", Goal(measure="chest_lean_impact_deg", low=-5.0)),
    ],
)
def test_a_goal_in_one_line(text: str, goal: Goal) -> None:
    assert parse_goal(text) == goal
    assert parse_goal(goal_text(goal)) == goal


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        # met, of, reached: eight of the last ten must be 0.6 or more; the end belongs to the band.
        ([0.6] * 8 + [0.59] * 2, (8, 10, True)),
        ([0.6] * 7 + [0.59] * 3, (7, 10, False)),
        ([0.9] * 10 + [0.1] * 3, (7, 10, False)),
        ([0.1] * 5 + [0.9] * 8, (8, 10, True)),
        ([0.9] * 8, (8, 8, True)),
        ([0.9] * 7, (7, 7, None)),
        ([0.9] * 8 + [None] * 2, (8, 8, True)),
        ([], (0, 0, None)),
    ],
)
def test_goals_count_the_last_measured_shots(
    values: list[float | None], expected: tuple[int, int, bool | None]
) -> None:
    result = goal_result(shots(values), CONTINUITY)
    assert (result.met, result.of, result.reached) == expected
    assert result.needed == 8


def test_practice_swings_and_other_tasks_do_not_count() -> None:
    swings = pd.concat([shots([0.9] * 3), shots([0.9] * 5, kind="practice"), shots([0.9] * 4, task="full")])
    assert goal_result(swings, CONTINUITY).of == 3


def test_a_goal_without_a_number_is_counted_only() -> None:
    result = goal_result(shots([0.9, 0.1]), Goal(measure="chest_continuity", low=0.6))
    assert (result.met, result.of, result.needed, result.reached) == (1, 2, None, None)


def test_shots_near_an_end_are_told_as_unclear() -> None:
    """0.1 from the end with a standard error of 0.05 is 2 errors away, 0.09 is 1.8: under 1.96 (normal, 95 %)."""
    result = goal_result(shots([0.7, 0.69, 0.5, 0.52], se=0.05), Goal(measure="chest_continuity", low=0.6))
    assert result.unclear == 2


def test_a_plan_reads_back(tmp_path: Path) -> None:
    plan = Plan(
        participant="S001",
        work_on='the "long" turn, ä',
        goals=(CONTINUITY, Goal(measure="tempo_ratio", low=2.7, high=3.3, words="count evenly")),
        tasks=(*practice_set().values(), Task(name="own", title="Our own task", how="line one\nline two\t\\end")),
        notes=("one", "two"),
        next_test="2026-06-01",
    )
    path = tmp_path / "plans" / "sub-S001.toml"
    write_plan(plan, path)
    assert read_plan(path) == plan


text = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=30)


@settings(deadline=None)
@given(notes=st.lists(text, min_size=1), number=st.floats(allow_nan=False), flag=st.booleans())
def test_any_text_survives_toml(notes: list[str], number: float, flag: bool) -> None:
    """Against Python's own reader of TOML (tomllib)."""
    data = {"notes": notes, "number": number, "flag": flag, "goals": [{"words": note} for note in notes]}
    assert tomllib.loads(toml_text(data)) == data


def test_a_task_by_name_takes_the_words_of_the_set(tmp_path: Path) -> None:
    path = tmp_path / "sub-A.toml"
    path.write_text('next_test = 2026-06-01\n[[tasks]]\nname = "feet_together"\noften = "daily"\n')
    plan = read_plan(path)
    assert plan.participant == "A"
    assert plan.next_test == "2026-06-01"
    assert (plan.tasks[0].title, plan.tasks[0].often) == ("Feet together", "daily")
    assert plan.tasks[0].how == practice_set()["feet_together"].how


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("work_on = \n", "line 1: "),
        ('work_on = "x"\naim = "y"\n', "line 2 has 'aim'"),
        ('\n[[goals]]\nmeasure = "tempo_rato"\nlow = 2\n', "line 3 is not legal: the measure is 'tempo_rato'"),
        ('[[goals]]\nmeasure = "tempo_ratio"\nlow = "2"\n', "line 3 has the low '2'"),
        ('[[goals]]\nmeasure = "tempo_ratio"\n', "neither low nor high"),
        (
            '[[goals]]\nmeasure = "tempo_ratio"\nlow=1\n[[goals]]\nlow = 4\nmeasure = "tempo_ratio"\nhigh = 3\n',
            "line 6",
        ),
        ('[[goals]]\nmeasure = "tempo_ratio"\nlow = 2\nof = 10\n', "only one of needed and of"),
        ('[[goals]]\nmeasure = "tempo_ratio"\nlow = 2\nof = true\nneeded = 1\n', "line 4 has the of True"),
        ('[[tasks]]\nname = "handstand"\n', "line 2 names the task 'handstand' without a title"),
        ('[[tasks]]\nname = "x"\ntitle = "X"\nmeasures = ["speed"]\n', "line 4 is not legal"),
        ("notes = [1]\n", "line 1 has the notes [1]"),
        ("goals = 3\n", "line 1 gives goals no tables"),
        ("participant = 3\n", "line 1 has the participant 3"),
    ],
)
def test_a_wrong_plan_names_file_and_line(content: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "sub-A.toml"
    path.write_text(content)
    with pytest.raises(RecordingError) as caught:
        read_plan(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert says in message
    assert "\n" not in message
    assert message.endswith(".")


def test_a_missing_plan_says_how_to_write_one(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="imuswing new"):
        read_plan(tmp_path / "sub-A.toml")


@pytest.mark.parametrize("band", [{"low": float("nan")}, {"low": float("inf")}, {}, {"low": 2.0, "high": 2.0}])
def test_bands_that_are_none(band: dict[str, float]) -> None:
    with pytest.raises(SettingsError):
        Goal(measure="tempo_ratio", **band)


def test_the_practice_set_is_complete() -> None:
    """Every task says all that a student needs, names measures of the dictionary, and its sources."""
    tasks = practice_set()
    assert len(tasks) >= 12
    for task in tasks.values():
        for part in ("purpose", "set_up", "how", "mistake", "shows", "feedback", "caution", "often"):
            assert getattr(task, part), f"{task.name}: {part}"
        assert set(task.measures) <= set(BY_NAME)
        assert task.measures
        assert "common practice, no source" in task.sources
    about = {measure for task in tasks.values() for measure in task.measures}
    assert about >= {"chest_continuity", "shoulder_tilt_rate_impact_dps", "arm_height_top_deg", "tempo_ratio"}
    assert about >= {"wrist_flexion_impact_deg", "chest_lean_impact_deg"}


@pytest.mark.parametrize("language", [one for one in task_languages() if one != "en"])
def test_the_practice_set_is_whole_in_every_language(language: str) -> None:
    english, other = practice_set(), practice_set(language)
    own = tomllib.loads(FILE.with_name(f"tasks_{language}.toml").read_text(encoding="utf-8"))
    assert list(own) == list(other) == list(english)
    for name, task in english.items():
        assert (other[name].measures, other[name].sources) == (task.measures, task.sources)
        spoken = {key: value for key, value in vars(task).items() if isinstance(value, str) and key != "name"}
        assert set(own[name]) == set(spoken), name
        assert all(getattr(other[name], key) != value for key, value in spoken.items()), name


def test_an_unknown_language_is_an_error_with_those_there_are() -> None:
    with pytest.raises(SettingsError, match="'en', 'de'"):
        practice_set("xx")
