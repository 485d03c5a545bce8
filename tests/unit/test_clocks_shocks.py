"""Knocks found and matched, on rings in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import poisson
from sensors_for_tests import turning_sensor

from imuswing.sensors.clean import Clean, clean
from imuswing.sensors.clock_lines import Line
from imuswing.sensors.clock_shocks import Knocks, _at_least, find_knocks, knock_cues
from imuswing.sensors.settings import DEFAULT_SETTINGS

KNOCKS = np.array([4.013, 4.611, 5.402, 20.77, 33.313, 41.219, 54.906, 55.517])
NO_TAPS = np.zeros((0, 2))


def knocked(*, seed: int, offset: float, drift: float, rate: float = 200.0, size: float = 30.0) -> Clean:
    """A sensor whose own time is (common - offset) / (1 + drift), with rings of 80 Hz at the knocks."""
    rng = np.random.default_rng(seed)
    stream = turning_sensor(seed=seed, rate=rate)
    common = offset + (1.0 + drift) * stream.time
    acc = np.array(stream.acc)
    for knock in KNOCKS:
        x = np.maximum(common - knock, 0.0)
        ring = np.where(common >= knock, np.exp(-x / 0.012) * np.cos(2.0 * np.pi * 80.0 * x), 0.0)
        acc += size * ring[:, None] * rng.standard_normal(3)
    return clean(replace(stream, acc=acc), settings=DEFAULT_SETTINGS)


def test_knocks_are_found_where_they_are_and_turns_are_none() -> None:
    knocks = find_knocks(knocked(seed=0, offset=0.0, drift=0.0))
    assert len(knocks.onset) == len(KNOCKS)
    np.testing.assert_allclose(knocks.onset, KNOCKS, atol=0.008)
    assert np.abs(np.mean(knocks.onset - KNOCKS)) < 0.003
    assert len(find_knocks(clean(turning_sensor(), settings=DEFAULT_SETTINGS)).onset) == 0


@pytest.mark.parametrize("rates", [(200.0, 200.0), (200.0, 100.0), (400.0, 400.0)])
def test_offset_and_drift_from_knocks(rates: tuple[float, float]) -> None:
    """Mean error over ten draws well under a sample; each within its own error."""
    misses = []
    for seed in range(10):
        ours = find_knocks(knocked(seed=seed, offset=0.0, drift=0.0, rate=rates[0]))
        theirs = find_knocks(knocked(seed=seed + 50, offset=0.21, drift=60e-6, rate=rates[1]))
        (cue,) = knock_cues(
            ours, theirs, ("a", "b"), Line(offset=0.2, drift=0.0, at=30.0), reach_s=0.3, bias_s=1e-6, taps=NO_TAPS
        )
        at = np.array([cue.line.at])
        se = float(np.sqrt(np.linalg.inv(cue.information)[0, 0]))
        misses.append((float((cue.line(at) - (0.21 + (1.0 + 60e-6) * at))[0]), se))
    errors, se = np.array(misses).T
    step = max(1.0 / rate for rate in rates)
    assert np.sqrt(np.mean(errors**2)) < 0.3 * step
    assert np.sqrt(np.mean((errors / se) ** 2)) < 1.5


def test_taps_are_a_cue_of_their_own() -> None:
    ours, theirs = (find_knocks(knocked(seed=s, offset=0.0, drift=0.0)) for s in (1, 2))
    taps = np.array([[3.5, 6.0]])
    cues = knock_cues(
        ours, theirs, ("a", "b"), Line(offset=0.0, drift=0.0, at=0.0), reach_s=0.1, bias_s=0.006, taps=taps
    )
    assert [cue.name for cue in cues] == ["taps", "shocks"]
    assert cues[0].offset_se < 0.003 < cues[1].offset_se


def test_one_tap_before_and_one_after_count_among_shocks_that_agree() -> None:
    """A tap at 4 and one at 55 s, four blows in between: a tap's onset to a sample, the drift from both."""
    onset = np.array([4.0, 20.0, 31.0, 40.0, 47.0, 55.0])
    ours = Knocks(onset=onset, size=np.ones(6), rate=200.0)
    theirs = Knocks(onset=(onset - 0.21) / (1.0 + 40e-6), size=np.ones(6), rate=200.0)
    taps = np.array([[3.0, 5.0], [54.0, 56.0]])
    line = Line(offset=0.2, drift=0.0, at=0.0)
    cues = knock_cues(ours, theirs, ("a", "b"), line, reach_s=0.04, bias_s=0.006, taps=taps)
    assert [cue.name for cue in cues] == ["taps", "shocks"]
    # Uniform within a sample on either side, over two taps: 5 ms · (2 / 12 / 2)½ = 1.4 ms at least.
    assert 0.0014 < cues[0].offset_se < 0.003
    at = np.array([cues[0].line.at])
    assert float((cues[0].line(at) - (0.21 + (1.0 + 40e-6) * at))[0]) == pytest.approx(0.0, abs=0.001)
    (cue,) = knock_cues(ours, theirs, ("a", "b"), line, reach_s=0.04, bias_s=0.006, taps=taps[:1])[:1]
    assert cue.name == "taps"
    assert cue.offset_se > 0.002


def test_noted_taps_are_found_where_motion_is_wrong() -> None:
    """A line 90 ms off, thought right to 40 ms: six taps that were noted say so; knocks that may be anything do not."""
    ours, theirs = (find_knocks(knocked(seed=s, offset=0.0, drift=0.0)) for s in (1, 2))
    wrong = Line(offset=0.09, drift=0.0, at=0.0)
    taps = np.array([[3.5, 6.0], [54.0, 56.0]])
    cues = knock_cues(ours, theirs, ("a", "b"), wrong, reach_s=0.04, bias_s=0.006, taps=taps)
    assert [cue.name for cue in cues] == ["taps", "shocks"]
    at = np.array([30.0])
    assert abs(float((cues[0].line(at) - at)[0])) < 0.004
    assert knock_cues(ours, theirs, ("a", "b"), wrong, reach_s=0.04, bias_s=0.006, taps=NO_TAPS) == []


def test_unrelated_knocks_tell_nothing() -> None:
    """Each sensor knocked thirty times by itself."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        ours, theirs = (
            replace(find_knocks(knocked(seed=1, offset=0.0, drift=0.0)), onset=np.sort(rng.uniform(0, 60, 30)))
            for _ in range(2)
        )
        cues = knock_cues(
            ours, theirs, ("a", "b"), Line(offset=0.0, drift=0.0, at=0.0), reach_s=0.3, bias_s=0.006, taps=NO_TAPS
        )
        assert cues == []


def test_hundreds_of_shared_knocks() -> None:
    """An hour holds more knocks than a factorial can be told in floating point."""
    onset = np.sort(np.random.default_rng(0).uniform(0.0, 3600.0, 1500))
    knocks = Knocks(onset=onset, size=np.ones(1500), rate=200.0)
    line = Line(offset=0.01, drift=0.0, at=0.0)
    (cue,) = knock_cues(knocks, knocks, ("a", "b"), line, reach_s=0.04, bias_s=1e-6, taps=NO_TAPS)
    assert abs(float(cue.line(np.array([1800.0]))[0]) - 1800.0) < 1e-4


@pytest.mark.parametrize(("count", "expected"), [(0, 0.3), (1, 0.3), (4, 2.0), (12, 6.5), (400, 350.0)])
def test_probability_of_so_many_by_chance(count: int, expected: float) -> None:
    """scipy.stats.poisson."""
    assert _at_least(count, expected) == pytest.approx(poisson.sf(count - 1, expected), rel=1e-9, abs=1e-12)
