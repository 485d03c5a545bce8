"""`imuswing new`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imuswing.plan.model import Plan, Task
    from imuswing.plan.students import Consent

SUMMARY = "Start a dataset or add a student: consent, goals and practice tasks."
EXAMPLE = "imuswing new lessons --participant S001 --lead-side left --consent yes --practice step_through"
AGREED = "yes"


class ShowSet(argparse.Action):
    """Prints the practice set and ends, as --help does."""

    def __init__(self, option_strings: Sequence[str], dest: str, **settings: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, **settings)

    def __call__(self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, *_: Any) -> None:
        """Print every task."""
        from imuswing.plan.tasks import as_text, practice_set

        print("\n\n".join(as_text(task) for task in practice_set(namespace.language).values()))
        parser.exit()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("dataset", type=Path, metavar="DATASET", help="a dataset, or the folder to start one in")
    parser.add_argument("--participant", required=True, metavar="LABEL", help="a pseudonym of letters and digits")
    parser.add_argument(
        "--lead-side",
        choices=("left", "right"),
        help="side nearer the target, left if right-handed; needed for a new student only",
    )
    parser.add_argument("--consent", metavar="yes", help="the student agreed to be recorded (asked for if not given)")
    parser.add_argument("--minor", action="store_true", help="the student is under age, so a guardian must agree too")
    parser.add_argument("--guardian", metavar="yes", help="a parent or guardian of a student under age agreed")
    parser.add_argument("--work-on", metavar="TEXT", help="what the student works on, in your words")
    parser.add_argument(
        "--goal",
        action="append",
        default=[],
        metavar="TEXT",
        help="such as 'chest_continuity over 0.6 in 8 of 10 chip'; replaces the goal of that measure",
    )
    parser.add_argument("--drop-goal", action="append", default=[], metavar="MEASURE", help="take a goal out")
    parser.add_argument("--practice", action="append", default=[], metavar="NAME", help="add a task of the set")
    parser.add_argument("--language", default="en", help="of the tasks named now: en or de (en)")
    parser.add_argument("--drop-practice", action="append", default=[], metavar="NAME", help="take a task out")
    parser.add_argument("--practice-set", action=ShowSet, help="show the set of practice tasks and end")
    parser.add_argument("--often", metavar="TEXT", help="how often the tasks named now are practised")
    parser.add_argument("--next-test", metavar="DATE", help="when to test again, such as 2026-06-01")
    parser.add_argument(
        "--note",
        action="append",
        default=[],
        metavar="TEXT",
        help="add a note, which the student reads word for word on their page",
    )


def run(args: argparse.Namespace) -> int:
    """Ask for what is missing, then write."""
    from imuswing.plan.files import plan_path, read_plan, write_plan
    from imuswing.plan.model import Plan
    from imuswing.plan.students import add_student
    from imuswing.recording.dataset import check_label

    participant = args.participant.removeprefix("sub-")
    check_label("participant", participant)
    path = plan_path(args.dataset, participant)
    old = read_plan(path) if path.exists() else Plan(participant=participant)
    # All that may be wrong is found before anything is written.
    plan = _changed(old, args)
    lead_side = _lead_side(args, participant)
    consent = _consent(args, participant)
    if _asks() and plan == old and not plan.goals:
        plan = _asked_goals(plan, args.language)
    added = add_student(args.dataset, participant=participant, lead_side=lead_side, consent=consent)
    print(f"sub-{participant} {'is added to' if added else 'stands in'} {args.dataset}, consent noted")
    if plan != old or not path.exists():
        write_plan(plan, path)
        print(f"plan: {path}")
    print("\n".join(_in_words(plan)))
    return 0


def _asks() -> bool:
    """Whether somebody sits at a terminal who can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _lead_side(args: argparse.Namespace, participant: str) -> str:
    """The side given, else the one that stands in the dataset; SettingsError with neither."""
    from imuswing.errors import SettingsError
    from imuswing.plan.students import student_row

    known = (student_row(args.dataset, participant) or {}).get("lead_side")
    side = args.lead_side or known
    if side not in ("left", "right"):
        raise SettingsError(f"sub-{participant} is new here; add --lead-side left (right-handed) or --lead-side right")
    return str(side)


def _consent(args: argparse.Namespace, participant: str) -> Consent | None:
    """The consent to be noted, None where it stands in the dataset already; SettingsError without one."""
    from datetime import datetime

    from imuswing.errors import SettingsError
    from imuswing.plan.students import Consent, has_consent, student_row

    for name in ("consent", "guardian"):
        given = getattr(args, name)
        if given is not None and given.lower() != AGREED:
            raise SettingsError(f"--{name} is {given!r}; without consent nobody is recorded, so it can only be yes")
    noted = has_consent(student_row(args.dataset, participant))
    if noted and args.consent is None and args.guardian is None and not args.minor:
        return None
    minor = args.minor or args.guardian is not None
    if args.consent is None and not noted:
        if not _asks():
            raise SettingsError(
                "nobody is at a terminal to be asked for consent; ask the student, then add --consent yes"
            )
        _ask(f"Does {participant} agree to be recorded, and to the recordings being kept on this computer?", "consent")
        minor = minor or _says_yes("Is the student under age?")
    if minor and args.guardian is None:
        if not _asks():
            raise SettingsError("a student under age needs a guardian's consent; ask for it, then add --guardian yes")
        _ask("Does a parent or guardian agree as well?", "guardian's consent")
    return Consent(on=datetime.now().astimezone().date(), guardian=minor)


def _says_yes(question: str) -> bool:
    return input(f"{question} (yes/no) ").strip().lower() in ("y", "yes")


def _ask(question: str, what: str) -> None:
    from imuswing.errors import SettingsError

    if not _says_yes(question):
        raise SettingsError(f"there is no {what}; nothing was written")


def _changed(plan: Plan, args: argparse.Namespace) -> Plan:
    """The plan with what the options say."""
    from dataclasses import replace

    from imuswing.errors import require_one_of
    from imuswing.plan.goals import parse_goal
    from imuswing.plan.tasks import task_named

    goals = {goal.measure: goal for goal in plan.goals}
    tasks = {task.name: task for task in plan.tasks}
    for measure in args.drop_goal:
        require_one_of("--drop-goal", measure, goals)
        del goals[measure]
    for name in args.drop_practice:
        require_one_of("--drop-practice", name, tasks)
        del tasks[name]
    for text in args.goal:
        goal = parse_goal(text)
        goals[goal.measure] = goal
    for name in args.practice:
        task = task_named(name, args.language)
        often = args.often or (_agreed_often(tasks[name]) if name in tasks else None)
        tasks[name] = replace(task, often=often) if often else task
    return replace(
        plan,
        goals=tuple(goals.values()),
        tasks=tuple(tasks.values()),
        notes=(*plan.notes, *args.note),
        work_on=args.work_on or plan.work_on,
        next_test=_date(args.next_test) or plan.next_test,
    )


def _agreed_often(task: Task) -> str | None:
    """How often a task of a plan is practised, None where that is only what the set says (in any language)."""
    from imuswing.plan.tasks import practice_set, task_languages

    usual = {practice_set(language)[task.name].often for language in task_languages() if task.name}
    return None if task.often in usual else task.often


def _date(text: str | None) -> str | None:
    """A date as ISO 8601 writes days; other ways leave open which number is the month."""
    import re
    from datetime import date

    from imuswing.errors import SettingsError

    if text is None:
        return None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            return date.fromisoformat(text).isoformat()
    except ValueError:
        pass  # such as a 13th month: told below
    raise SettingsError(f"--next-test is {text!r}; it must be a day written as year-month-day, such as 2026-06-01")


def _asked_goals(plan: Plan, language: str) -> Plan:
    """Goals and tasks typed at the terminal, each until an empty line."""
    from dataclasses import replace

    from imuswing.errors import SettingsError
    from imuswing.plan.goals import SHAPE, parse_goal
    from imuswing.plan.model import Goal
    from imuswing.plan.tasks import practice_set, task_named

    goals: list[Goal] = []
    tasks: list[Task] = []
    print(f"Goals, one a line ({SHAPE}, then if wanted: in 8 of 10 chip); an empty line ends.")
    while text := input("goal: ").strip():
        try:
            goals.append(parse_goal(text))
        except SettingsError as error:
            print(error)
    print(f"Practice tasks: {', '.join(practice_set())}; an empty line ends.")
    while text := input("task: ").strip():
        try:
            tasks.append(task_named(text, language))
        except SettingsError as error:
            print(error)
    return replace(plan, goals=tuple(goals), tasks=tuple(tasks))


def _if_past(day: str) -> str:
    """What to do about a day that is over; a plan written by hand may hold other words than a day."""
    from datetime import date, datetime

    try:
        past = date.fromisoformat(day) < datetime.now().astimezone().date()
    except ValueError:
        return ""
    return ", which is in the past; set another day with --next-test" if past else ""


def _in_words(plan: Plan) -> list[str]:
    """The plan in short."""
    from imuswing.plan.goals import goal_text

    lines = [f"  works on: {plan.work_on}"] if plan.work_on else []
    lines += [f"  goal: {goal_text(goal)}" for goal in plan.goals]
    lines += [f"  practice: {task.title} ({task.often or 'as agreed'})" for task in plan.tasks]
    lines += [f"  next test: {plan.next_test}{_if_past(plan.next_test)}"] if plan.next_test else []
    return lines or ["  no goal yet: add one with --goal, or edit the plan"]
