"""Live, a wrong lead side and wrong axes are named, and no verdict rests on them; the faults are the test's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from live_for_tests import short_lesson, told_by

from imuswing.live.messages import Message, Notice, Shot
from imuswing.measures.dictionary import MEASURES
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

NEEDING = {measure.name for measure in MEASURES if {CHEST, LEAD_FOREARM, LEAD_HAND} & set(measure.needs)}


def notices(told: list[Message]) -> list[tuple[str, str]]:
    """Those about sensors that cannot be used; where the recording ends, all drop out."""
    kinds = ("left_out", "turns_backwards")
    return [(one.kind, one.point) for one in told if isinstance(one, Notice) and one.kind in kinds]


def last_looks(told: list[Message]) -> list[Shot]:
    return list({one.number: one for one in told if isinstance(one, Shot)}.values())


def test_a_wrong_lead_side_is_named_with_the_third_swing() -> None:
    told = told_by(replace(short_lesson(), lead_side="right"))
    shots = last_looks(told)
    assert len(shots) >= 4
    # The two verdicts before it are taken back in the same breath, with all that rests on these sensors.
    assert all(shot.verdict is None for shot in shots)
    assert all(estimate.value is None for shot in shots for name, estimate in shot.measures.items() if name in NEEDING)
    assert all(set(shot.curves["chest_turn_rate_dps"]) == {None} for shot in shots[:2])
    assert all(shot.revised and not shot.sound for shot in shots[:2])
    assert notices(told) == [("turns_backwards", point) for point in ("chest", "lead_forearm", "lead_hand")]
    said = next(k for k, one in enumerate(told) if isinstance(one, Notice) and one.kind == "turns_backwards")
    before = [one for one in told[:said] if isinstance(one, Shot)]
    assert {one.number for one in before} == {shot.number for shot in shots[:3]}
    assert [(one.number, one.verdict) for one in before[-3:]] == [(3, None), (1, None), (2, None)]
    assert "taken back" in next(one.text for one in told if isinstance(one, Notice) and one.kind == "turns_backwards")


def test_a_chest_sensor_with_a_flipped_axis_is_named_and_gives_no_verdict() -> None:
    lesson = short_lesson()
    chest = lesson.sensors["chest"]
    flipped = replace(chest, gyr=chest.gyr * np.array([1.0, -1.0, 1.0]))
    told = told_by(replace(lesson, sensors={**lesson.sensors, "chest": flipped}))
    shots = last_looks(told)
    assert len(shots) >= 4
    assert all(shot.verdict is None for shot in shots)
    assert notices(told) == [("left_out", "chest")]


def test_a_lesson_put_on_rightly_is_without_a_notice() -> None:
    told = told_by(short_lesson())
    assert notices(told) == []
    assert all(shot.verdict is not None for shot in last_looks(told))
