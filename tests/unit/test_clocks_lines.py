"""Cues put together by least squares, on cases that can be computed by hand."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.sensors.clock_lines import Cue, Line, solve, weakened, with_bias


def cue(
    first: str, second: str, offset: float, drift: float, at: float, se: float, drift_se: float, name: str = "x"
) -> Cue:
    information = np.diag([se**-2.0, drift_se**-2.0])
    return Cue(
        name=name, first=first, second=second, line=Line(offset=offset, drift=drift, at=at), information=information
    )


LOOSE = 1e-3


def test_one_cue_is_taken_as_it_is() -> None:
    rough = {"b": Line(offset=3.0, drift=0.0, at=50.0)}
    told = cue("a", "b", 3.2, 40e-6, 20.0, 1e-3, 1e-6)
    solution = solve([told], reference="a", rough=rough, drift_sd=LOOSE)
    times = np.array([0.0, 1000.0])
    np.testing.assert_allclose(solution.lines["b"](times), told.line(times), atol=1e-4)
    assert solution.names["b"] == ("x",)
    at_cue = (
        solution.covariances["b"][0, 0]
        + 2 * solution.covariances["b"][0, 1] * -30
        + solution.covariances["b"][1, 1] * 900
    )
    assert np.sqrt(at_cue) == pytest.approx(1e-3, rel=0.01)


def test_two_cues_are_weighted_by_their_information() -> None:
    """Offsets 0 and 3 ms with errors 1 and 2 ms: (0/1 + 3/4) / (1 + 1/4) = 0.6 ms, error 0.894 ms."""
    cues = [cue("a", "b", 0.0, 0.0, 0.0, 1e-3, 1e-9), cue("a", "b", 3e-3, 0.0, 0.0, 2e-3, 1e-9)]
    solution = solve(cues, reference="a", rough={"b": Line(offset=0.0, drift=0.0, at=0.0)}, drift_sd=LOOSE)
    assert solution.lines["b"].offset == pytest.approx(0.6e-3, rel=1e-3)
    assert np.sqrt(solution.covariances["b"][0, 0]) == pytest.approx(0.894e-3, rel=1e-3)


def test_a_chain_with_large_offsets_and_drifts_closes() -> None:
    """b told by a, c told by b: exact lines must compose exactly, however far the clocks are apart."""
    b_from = Line(offset=-1000.0, drift=100e-6, at=500.0)
    c_from_b = Line(offset=1500.0, drift=-150e-6, at=300.0)
    cues = [
        Cue(name="x", first="a", second="b", line=b_from, information=np.diag([1e8, 1e14])),
        Cue(name="y", first="b", second="c", line=c_from_b, information=np.diag([1e8, 1e14])),
    ]
    rough = {"b": Line(offset=-1000.2, drift=0.0, at=0.0), "c": Line(offset=500.1, drift=0.0, at=0.0)}
    solution = solve(cues, reference="a", rough=rough, drift_sd=LOOSE)
    times = np.array([0.0, 400.0, 900.0])
    np.testing.assert_allclose(solution.lines["c"](times), b_from(c_from_b(times)), atol=2e-4)
    assert solution.names == {"b": ("x", "y"), "c": ("y",)}


def test_bias_limits_what_a_cue_can_tell() -> None:
    information = np.diag([1e12, 1e18])
    limited = np.linalg.inv(with_bias(information, 0.004, span_s=100.0))
    assert np.sqrt(limited[0, 0]) == pytest.approx(0.004, rel=1e-3)
    assert np.sqrt(limited[1, 1]) == pytest.approx(0.004 / 100.0, rel=1e-3)


def test_a_weakened_cue_has_a_larger_error() -> None:
    assert weakened(cue("a", "b", 0, 0, 0, 1e-3, 1e-6), 0.25).offset_se == pytest.approx(2e-3)


def test_error_of_the_gap_between_two_clocks_is_that_of_the_cue_between_them() -> None:
    """b to a within 3 ms, c to b within 4 ms: c to a within 5 ms, and c to b still within 4."""
    cues = [cue("a", "b", 0.0, 0.0, 0.0, 3e-3, 1e-9), cue("b", "c", 0.0, 0.0, 0.0, 4e-3, 1e-9)]
    rough = {name: Line(offset=0.0, drift=0.0, at=0.0) for name in "bc"}
    solution = solve(cues, reference="a", rough=rough, drift_sd=LOOSE)
    assert solution.gap_se("a", "b") == pytest.approx(3e-3, rel=1e-3)
    assert solution.gap_se("b", "c") == pytest.approx(4e-3, rel=1e-3)
    assert solution.gap_se("c", "a") == pytest.approx(5e-3, rel=1e-3)
