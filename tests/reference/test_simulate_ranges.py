"""Are simulated swings plausible? Their ranges against published golf studies, tag and source beside each.

A check of the simulator, never a norm for a student: most studies are of professionals, and the simulated golfers are
meant to be a mixed lot, so means are held within two published standard deviations where one is given.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from imuswing.body import definitions as body
from imuswing.orientation.quaternion import inverse, multiply, rotate
from imuswing.simulate import simulate_recording
from imuswing.simulate.lesson import Truth
from imuswing.simulate.sensors import skin_motion
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, PELVIS

GOLFERS = 10
POINTS = (PELVIS, CHEST, LEAD_FOREARM, LEAD_HAND, CLUB)


def _swing(truth: Truth, number: int) -> dict[str, float]:
    """Peaks of one swing (°/s, s from impact) and the angle of forearm and shaft at its moments (°)."""
    mark, when = truth.marks[number], truth.moments[number]
    time = np.arange(when.takeaway, when.finish, 0.002)
    motion = truth.body.segments(time, *POINTS)
    side = truth.body.lead_side
    rates = {point: np.degrees(np.linalg.norm(segment.omega, axis=1)) for point, segment in motion.items()}
    forearm, hand = motion[LEAD_FOREARM], motion[LEAD_HAND]
    wrist = hand.omega - rotate(multiply(inverse(hand.q), forearm.q), forearm.omega)
    at = truth.body.segments(when.of_postures, LEAD_FOREARM, CLUB)
    bend = body.great_circle(body.long_axis(at[LEAD_FOREARM].q), -rotate(at[CLUB].q, body.Y_AXIS))
    between = 180.0 - np.degrees(bend)
    return {
        "shaft": float(np.degrees(body.long_axis_speed(motion[CLUB].omega)).max()),
        "wrist": float(np.degrees(np.linalg.norm(wrist, axis=1)).max()),
        "hand": float(rates[LEAD_HAND].max()),
        "chest": float(np.degrees(body.trunk_turn_rate(motion[CHEST].omega, side)).max()),
        "pelvis": float(np.degrees(body.trunk_turn_rate(motion[PELVIS].omega, side)).max()),
        "arm": float(np.degrees(body.long_axis_speed(forearm.omega)).max()),
        "arm_peak_s": float(time[np.argmax(body.long_axis_speed(forearm.omega))] - mark.impact),
        "between_address": float(between[0]),
        "between_top": float(between[1]),
        "between_impact": float(between[2]),
    }


@pytest.fixture(scope="module")
def shots() -> dict[str, list[dict[str, Any]]]:
    """Shots of some golfers by task: their true rows with the figures of `_swing`."""
    found: dict[str, list[dict[str, Any]]] = {}
    for task in ("chip", "pitch", "full"):
        found[task] = []
        for seed in range(GOLFERS):
            _, truth = simulate_recording(seed=seed, task=task, shots=2, routine=False)
            for number, row in enumerate(truth.swings.to_dict("records")):
                if row["kind"] == "shot":
                    found[task].append({str(key): value for key, value in row.items()} | _swing(truth, number))
    return found


def mean(rows: list[dict[str, Any]], name: str) -> float:
    return float(np.mean([row[name] for row in rows]))


def test_full_swings_are_as_fast_as_professionals_are_or_slower(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Zheng 2008, Int J Sports Med 29:487 (read): professionals' peaks, shaft 2413 ± 442 °/s, lead wrist 1085 ± 338.
    assert 2413.0 - 2.0 * 442.0 < mean(shots["full"], "shaft") < 2413.0 + 442.0
    assert 1085.0 - 338.0 < mean(shots["full"], "wrist") < 1085.0 + 338.0
    # Cheetham 2008 (from memory, low confidence): thorax about 725, pelvis about 475 °/s for professionals.
    assert 400.0 < mean(shots["full"], "chest") < 750.0
    assert 250.0 < mean(shots["full"], "pelvis") < 500.0


def test_the_trunk_turns_as_far_as_published(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Zheng 2008 (read): trunk turn at the top 60 ± 7°.
    assert -74.0 < mean(shots["full"], "chest_turn_top_deg") < -46.0


def test_the_hand_of_some_fast_full_swings_passes_2000_dps(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Inference from Zheng's shaft rate: a hand sensor of ±2000 °/s clips in fast full swings.
    assert max(row["hand"] for row in shots["full"]) > 1700.0
    assert max(row["hand"] for row in shots["chip"]) < 1200.0


def test_tempo_of_full_swings_is_about_three_to_one(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Grober & Cholewicki (read): about 3 : 1, 0.80 s back and 0.27 s down.
    assert 0.70 < mean(shots["full"], "backswing_s") < 0.90
    assert 0.24 < mean(shots["full"], "downswing_s") < 0.32
    assert 2.4 < mean(shots["full"], "tempo_ratio") < 3.4


def test_wrists_of_chips_hinge_as_published(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Int J Exerc Sci conference vol. 2 no. 5, no. 76 (read), angle in 2-D, experienced / inexperienced: address
    # 145 ± 12 / 155 ± 9, end of backswing 95 ± 12 / 128 ± 18, contact 135 ± 7 / 146 ± 10°.
    assert 145.0 - 12.0 < mean(shots["chip"], "between_address") < 155.0 + 9.0
    assert 95.0 - 12.0 < mean(shots["chip"], "between_top") < 128.0 + 18.0
    assert 135.0 - 7.0 < mean(shots["chip"], "between_impact") < 146.0 + 10.0


def test_segments_speed_up_from_the_pelvis_outwards(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Tinmark 2007/2010 (read): pelvis, torso, hand in this order, in partial and full shots.
    for rows in shots.values():
        assert mean(rows, "pelvis") < mean(rows, "chest") < mean(rows, "arm") < mean(rows, "hand")


def test_longer_shots_are_longer(shots: dict[str, list[dict[str, Any]]]) -> None:
    # Common practice, no source: a chip stays below P3, a full swing goes past it.
    heights = [mean(shots[task], "arm_height_top_deg") for task in ("chip", "pitch", "full")]
    assert heights[0] < -20.0 < heights[1] < 15.0 < heights[2]
    assert all(abs(row["arm_peak_s"]) < 0.06 for rows in shots.values() for row in rows)


def test_chests_turn_slow_and_stall() -> None:
    # By design: continuity from about 1 down to below 0, with all three verdicts in good numbers.
    values, verdicts = [], []
    for seed in range(24):
        _, truth = simulate_recording(seed=100 + seed, task="chip", shots=3, routine=False)
        values += truth.swings["chest_continuity"].tolist()
        verdicts += truth.swings["chest_verdict"].tolist()
    assert max(values) > 0.9
    assert min(values) < 0.0
    for verdict in ("turning", "slowing", "stalled"):
        assert 0.1 < verdicts.count(verdict) / len(verdicts) < 0.6, verdict


def test_soft_tissue_adds_about_what_others_measured() -> None:
    # Teufl 2018 (second hand): soft tissue adds 2.2 ± 1.5° to joint angles. Here: skin against bone, change since the
    # address, over the swing; a joint angle has two such errors.
    sizes: dict[str, list[float]] = {CHEST: [], LEAD_FOREARM: [], LEAD_HAND: []}
    for seed in range(8):
        _, truth = simulate_recording(seed=seed, task="full", shots=1, preset="realistic", routine=False)
        for when in truth.moments:
            time = np.arange(when.takeaway, when.finish, 0.01)
            for point, found in sizes.items():
                skin = skin_motion(truth.body, point, truth.setups[point].strap, time).q
                off = multiply(inverse(truth.body.segments(time, point)[point].q), skin)
                change = multiply(inverse(off[:1]), off)
                found.append(float(np.degrees(np.sqrt(np.mean(np.linalg.norm(2.0 * change[:, 1:], axis=1) ** 2)))))
    means = {point: float(np.mean(found)) for point, found in sizes.items()}
    assert 0.5 < means[CHEST] < 3.7
    assert 0.7 < means[LEAD_FOREARM] < 6.0  # most of it is roll that the skin does not follow
    assert 0.1 < means[LEAD_HAND] < 2.2
