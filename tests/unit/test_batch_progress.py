"""What a running batch shows, and the simulated scheduler of a million recordings on cases with a closed answer."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from imuswing.batch.run import progress_line

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))
from scheduler_load import simulate

SAME_LENGTH = 1e-3
"""Spread of the lengths of tasks, as a share: nearly none."""


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_sees_how_far_it_is_and_a_log_file_nothing() -> None:
    terminal, log = Terminal(), io.StringIO()
    for stream in (terminal, log):
        show = progress_line(stream)
        show(1, 3)
        show(3, 3)
    assert log.getvalue() == ""
    lines = terminal.getvalue()
    assert lines.startswith("\r1 of 3 recordings, 0 min left")
    assert lines.endswith("3 of 3 recordings, 0 min left \n")


def test_a_scheduler_that_costs_nothing_leaves_nobody_idle() -> None:
    busy, wall = simulate(1000, 10, cost=0.0, mean_s=2.0, spread=SAME_LENGTH)
    assert wall == pytest.approx(1000 * 2.0 / 10, rel=0.01)
    assert busy == pytest.approx(1.0, abs=0.01)


def test_a_scheduler_that_cannot_follow_sets_the_pace() -> None:
    """One thing at a time: no cluster is faster than tasks times cost."""
    busy, wall = simulate(1000, 1000, cost=0.5, mean_s=2.0, spread=SAME_LENGTH)
    assert wall == pytest.approx(1000 * 0.5, rel=0.01)
    assert busy == pytest.approx(1000 * 2.0 / (1000 * wall), rel=0.01)


def test_one_task_ahead_hides_the_scheduler_until_it_is_full() -> None:
    """Ten workers with tasks of 2 s ask five times a second: 0.19 s a task is followed, 0.25 s is not."""
    followed, _ = simulate(5000, 10, cost=0.19, mean_s=2.0, spread=SAME_LENGTH)
    left_behind, _ = simulate(5000, 10, cost=0.25, mean_s=2.0, spread=SAME_LENGTH)
    assert followed > 0.99
    assert left_behind == pytest.approx(0.2 / 0.25, abs=0.01)


def test_fewer_tasks_than_workers_take_as_long_as_one() -> None:
    _, wall = simulate(3, 10, cost=0.01, mean_s=2.0, spread=SAME_LENGTH)
    assert wall == pytest.approx(2.0 + 3 * 0.01, abs=0.02)
