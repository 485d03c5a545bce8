"""A replay's lateness: at any speed what it would be at speed 1."""

from __future__ import annotations

import math
import time

import pytest
from live_for_tests import cut, short_lesson

from imuswing.live.replay import TURN_S, Replay

COSTS = {20: 0.31, 24: 0.05, 70: 0.019, 90: 0.021}
"""Seconds that some turns compute; the others take nothing."""


def late_at(speed: float, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """By how much each turn is late, on a clock that only sleeping and computing move."""
    clock = [0.0]

    def sleep(seconds: float) -> None:
        clock[0] += seconds

    with monkeypatch.context() as patch:
        source = Replay(cut(short_lesson(), 3.0), speed=speed, sleep=sleep)
        patch.setattr(time, "perf_counter", lambda: clock[0])
        found = []
        for turn, arrival in enumerate(source.arrivals({})):
            found.append(arrival.behind_s)
            clock[0] += COSTS.get(turn, 0.0)
    return found


@pytest.mark.parametrize("speed", [0.5, 3.0, math.inf])
def test_what_was_computed_before_keeps_a_turn_waiting_as_at_speed_1(
    speed: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = late_at(1.0, monkeypatch)
    assert late_at(speed, monkeypatch) == pytest.approx(real, abs=1e-9)
    # Speed 1 is measured, not modelled: the turn after the long one is late by all but its own length.
    assert real[20] == 0.0
    assert real[21] == pytest.approx(COSTS[20] - TURN_S)
    assert max(real[60:90]) == pytest.approx(0.0, abs=1e-9)
