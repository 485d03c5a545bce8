"""A gyroscope at its limit is said at once, by its known range or by a flat top, and not every time."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.live.engine import begin
from imuswing.live.guide import LIMIT_AGAIN_S, watch_over
from imuswing.live.messages import Notice
from imuswing.live.model import SensorHead, Session, SystemHead
from imuswing.live.settings import LiveSettings
from imuswing.live.state import State

RATE = 200.0
FULL = float(np.radians(2000.0))


def after_a_swing(peak: float, gyr_range: float | None) -> State:
    """Two seconds with one smooth peak of a turn rate (rad/s), cut off at 2000 °/s as a sensor does it."""
    sensor = SensorHead(tracked_point="lead_hand", gyr_range=gyr_range)
    state = begin(
        Session(participant="X", session="1", task="chip", lead_side="left"),
        [SystemHead(name="hand", rate=RATE, sensors=(sensor,))],
    )
    rows = np.zeros((400, 7))
    rows[:, 0] = np.arange(400) / RATE
    rows[:, 3] = 9.81
    rows[:, 5] = np.minimum(peak * np.exp(-0.5 * ((rows[:, 0] - 1.5) / 0.1) ** 2), FULL)
    tails = {"hand": state.tails["hand"].with_rows(rows, keep_s=60.0)}
    return State(session=state.session, tails=tails, clocks=state.clocks, now=2.0)


def limits(state: State) -> tuple[State, list[str]]:
    state, told = watch_over(state, LiveSettings())
    return state, [one.point for one in told if isinstance(one, Notice) and one.kind == "at_limit"]


@pytest.mark.parametrize("gyr_range", [FULL, None])
def test_a_cut_off_peak_is_said_once_a_while(gyr_range: float | None) -> None:
    state, told = limits(after_a_swing(1.3 * FULL, gyr_range))
    assert told == ["lead_hand"]
    later = State(**{**vars(state), "now": state.now + 0.5 * LIMIT_AGAIN_S, "arrived": 0.5 * LIMIT_AGAIN_S})
    assert limits(later)[1] == []
    later = State(**{**vars(state), "now": state.now + 1.1 * LIMIT_AGAIN_S, "arrived": 1.1 * LIMIT_AGAIN_S})
    assert limits(later)[1] == ["lead_hand"]


@pytest.mark.parametrize("gyr_range", [FULL, None])
def test_a_peak_within_the_range_is_not(gyr_range: float | None) -> None:
    assert limits(after_a_swing(0.9 * FULL, gyr_range))[1] == []
