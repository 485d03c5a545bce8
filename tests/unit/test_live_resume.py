"""Swings of an interrupted recording that are seen again when it goes on keep the numbers that they were told by."""

from __future__ import annotations

from dataclasses import replace

from imuswing.live.engine import begin
from imuswing.live.messages import Shot
from imuswing.live.model import SensorHead, Session, SystemHead
from imuswing.live.resume import renumbered, told_at
from imuswing.live.state import Pending, State
from imuswing.swings.corrections import NO_SWING, correction

HEAD = SystemHead(name="imu", rate=200.0, sensors=(SensorHead(tracked_point="chest"),))


def fed(*impacts: float) -> State:
    """The state after the newest minute was fed: its swings are counted from 1, each still to be looked at."""
    shots = {
        number: Shot(
            number=number, impact_s=at, kind="shot", verdict=None, stall_probability=None, measures={}, curves={}
        )
        for number, at in enumerate(impacts, start=1)
    }
    named = Session(participant="P1", session="1", task="chip", lead_side="left")
    pending = tuple(Pending(back=shot.impact_s, due=9e9, number=shot.number) for shot in shots.values())
    return replace(begin(named, [HEAD]), shots=shots, pending=pending)


def test_swings_keep_their_numbers_and_one_that_nobody_was_told_of_gets_the_next() -> None:
    log = [{"shown": {"number": number, "impact_s": 20.0 * number}} for number in range(1, 41)]
    state, untold = renumbered(fed(780.01, 799.98, 805.0), told_at(log))
    assert {number: shot.impact_s for number, shot in state.shots.items()} == {39: 780.01, 40: 799.98, 41: 805.0}
    assert all(shot.number == number for number, shot in state.shots.items())
    assert [one.number for one in state.pending] == [39, 40, 41]
    assert (untold, state.number) == ((41,), 41)


def test_what_the_coach_took_out_stays_out() -> None:
    log = [{"shown": {"number": 1, "impact_s": 20.0}}, {"shown": {"number": 2, "impact_s": 40.0}}]
    before = replace(fed(20.0, 40.0), events=(correction(40.0, NO_SWING),))
    state, untold = renumbered(before, told_at(log))
    assert list(state.shots) == [1]
    assert [one.number for one in state.pending] == [1]
    assert (untold, state.number) == ((), 2)
