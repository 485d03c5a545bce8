"""Learning anew takes some tenths of a second: it must not keep a swing waiting, nor be put off for ever."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from live_for_tests import short_lesson, told_by

from imuswing.live import engine
from imuswing.live.messages import Message, Shot
from imuswing.live.model import Session
from imuswing.live.settings import LiveSettings
from imuswing.live.state import State
from imuswing.recording.model import Recording
from imuswing.vocabulary import LEAD_FOREARM

LEARNING_S = 0.6
"""What learning may take (measured: 0.2 to 0.6 s)."""


def learnt_at(recording: Recording, monkeypatch: pytest.MonkeyPatch) -> tuple[list[State], list[Message]]:
    """The states at which the engine learnt anew while a recording was played, and all that it told."""
    states: list[State] = []
    relearnt = engine._relearnt

    def watched(state: State, settings: LiveSettings) -> tuple[State, list[Message]]:
        states.append(state)
        return relearnt(state, settings)

    monkeypatch.setattr(engine, "_relearnt", watched)
    return states, told_by(recording)


def turning_before(recording: Recording, state: State) -> float:
    """The forearm's fastest turning, rad/s, in the half second before, from the recording itself."""
    stream = recording.sensors[LEAD_FOREARM]
    line = state.known.clocks[stream.tracking_system]
    own = (state.now - line.offset) / (1.0 + line.drift)
    recent = (stream.time > own - 0.45) & (stream.time <= own - 0.05)
    return float(np.linalg.norm(stream.gyr[recent], axis=1).max())


def test_learning_waits_for_a_calm_moment_after_each_swing(monkeypatch: pytest.MonkeyPatch) -> None:
    recording = short_lesson()
    states, told = learnt_at(recording, monkeypatch)
    impacts = np.array([one.impact_s for one in told if isinstance(one, Shot) and not one.revised])
    assert len(states) >= len(impacts) >= 4
    for state in states:
        assert turning_before(recording, state) < np.radians(55.0)
        assert not np.any((impacts > state.now - 0.5) & (impacts < state.now + LEARNING_S))


def test_learning_is_not_put_off_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no calm moment is seen, as without any leading sensor, learning comes after the longest time."""
    settings = LiveSettings()
    waiting = State(
        session=Session(participant="P1", session="02", task="chip", lead_side="left"),
        tails={},
        clocks={},
        now=100.0,
        relearn_since=100.0 - engine.LONGEST_DEFERRED_S + 1.0,
    )
    assert not engine._may_relearn(waiting, settings)
    assert engine._may_relearn(replace(waiting, now=102.0), settings)
    assert not engine._may_relearn(replace(waiting, now=102.0, relearn_since=None), settings)
