"""The smoother on a closed-form arm (scripts/orientation_chain.py): its derivatives, accuracy and stated errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from orientation_chain_for_tests import chain

from imuswing.errors import SettingsError
from imuswing.orientation import closure, estimate_quaternions, problem
from imuswing.orientation.doubt import doubtful_runs
from imuswing.orientation.quaternion import (
    angle_between,
    exp,
    from_matrix,
    inverse,
    log,
    multiply,
    rotate,
)
from imuswing.orientation.sensor_correction import estimate_correction
from imuswing.orientation.smooth import SmoothSettings, Stretch, SwingOrientation, smooth_swing
from imuswing.orientation.strapdown import integrate, rotation_increments, tilt_from_up
from imuswing.orientation.stretch import unknown_correction

RATE = 200.0
EXACT_GRAVITY = SmoothSettings(gravity=chain.GRAVITY)
BIAS_SE = np.radians(0.03)


def noise_of(flaws: object) -> float:
    return float(np.radians(max(flaws.gyro_noise_dps, 1e-3)))  # type: ignore[attr-defined]


def stretch(session: object, swing: int, *, noise: float, after_s: float = 1.5) -> tuple[int, Stretch]:
    """Its first sample, and the stretch from 2.5 s before the address to `after_s` after the finish."""
    s = session
    first, last = int(s.address[swing] - 2.5 * s.rate), int(s.finish[swing] + after_s * s.rate)
    increments = rotation_increments(s.gyr, rate=s.rate, sample_meaning="instant")[first:last]
    return first, Stretch(
        rate=s.rate,
        increments=increments,
        acc=s.acc[first:last],
        still=s.still[first:last],
        acc_doubtful=(np.abs(s.acc[first:last]) >= 16 * chain.GRAVITY - 1e-9).any(axis=1),
        gyr_noise=noise,
        gyr_se=np.full(last - first, noise),
        bias_se=BIAS_SE,
    )


def tilt_deg(q: np.ndarray, truth: np.ndarray) -> np.ndarray:
    error = multiply(q, inverse(truth))
    assert np.isfinite(error).all()
    return np.degrees(2 * np.arccos(np.clip(np.hypot(error[..., 0], error[..., 3]), 0, 1)))


def relative_deg(q: np.ndarray, truth: np.ndarray, a: int, b: int) -> float:
    """Error of the turn from sample a to sample b."""
    return float(np.degrees(angle_between(multiply(inverse(q[a]), q[b]), multiply(inverse(truth[a]), truth[b]))))


def posed(seed: int = 1) -> tuple[problem.Problem, problem.State]:
    session = chain.session(seed=seed, rate=RATE, swings=1, flaws=chain.Flaws())
    _, part = stretch(session, 0, noise=0.002)
    gyr_se = part.gyr_se.copy()
    gyr_se[700:708] = 1.0
    part = replace(part, gyr_se=gyr_se)
    settings = SmoothSettings(walk_span_s=1.0)
    posed_problem = problem.pose_problem(part, correction=unknown_correction(settings), settings=settings)
    return posed_problem, problem.first_state(posed_problem, 400)


def test_jacobian_is_the_derivative_of_strapdown() -> None:
    """Every parameter moved a little, against J·Δθ: central differences of the whole integration."""
    p, state = posed()
    samples = np.append([0, 13, 500, 650, 704, 712, 900], p.layout.edges[-1])
    expected = closure.jacobian_at(state.course.jacobian, p.layout, samples)
    for parameter in range(p.layout.count):
        small = np.zeros(p.layout.count)
        small[parameter] = 1e-5
        ends = []
        for sign in (1.0, -1.0):
            start = multiply(exp(np.append(sign * small[:2], 0.0)), state.start)
            theta = state.theta + sign * small * (np.arange(p.layout.count) >= 2)
            ends.append(closure.strapdown_course(p.stretch.increments, start, theta, p.layout, rate=RATE).q[samples])
        got = log(multiply(ends[0], inverse(ends[1]))) / 2e-5
        size = max(1.0, float(np.max(np.abs(expected[:, :, parameter])))) if parameter < 26 else 0.02
        np.testing.assert_allclose(got, expected[:, :, parameter], atol=0.03 * size)


def test_slope_is_the_derivative_of_the_closing_errors() -> None:
    p, state = posed()
    _, slope = problem.closing_at(p, state)
    for parameter in range(p.layout.count):
        small = np.zeros(p.layout.count)
        small[parameter] = 1e-5
        changes = []
        for sign in (1.0, -1.0):
            start = multiply(exp(np.append(sign * small[:2], 0.0)), state.start)
            theta = state.theta + sign * small * (np.arange(p.layout.count) >= 2)
            course = closure.strapdown_course(p.stretch.increments, start, theta, p.layout, rate=RATE)
            moved = problem.State(start=start, theta=theta, course=course)
            changes.append(problem.closing_at(p, moved)[0])
        # The model's slope is by the true value, so it has the opposite sign of moving the estimate.
        got = (changes[1] - changes[0]) / 2e-5
        size = np.max(np.abs(slope[:, :, parameter])) + 1e-3
        quiet = p.knots.rest >= 0
        np.testing.assert_allclose(got[quiet], slope[quiet][:, :, parameter], atol=0.01 * size)
        if p.layout.runs.start <= parameter < p.layout.runs.stop:
            continue  # a run begins within a block, where the swing's forces are large and J is taken as straight
        np.testing.assert_allclose(got[~quiet], slope[~quiet][:, :, parameter], atol=0.12 * size)


@pytest.mark.parametrize("rate", [100.0, 200.0, 400.0])
def test_an_ideal_sensor_is_followed(rate: float) -> None:
    session = chain.session(seed=5, rate=rate, swings=2, flaws=chain.IDEAL)
    truth = from_matrix(session.matrix)
    for swing in range(2):
        first, part = stretch(session, swing, noise=1e-4)
        got = smooth_swing(part, reference=int(session.address[swing] - first), settings=EXACT_GRAVITY)
        assert np.max(tilt_deg(got.q, truth[first : first + len(got.q)])) < 0.02
        moments = session.address[swing] - first, session.impact[swing] - first
        assert relative_deg(got.q, truth[first:], *moments) < 0.02


def test_heading_is_zero_and_certain_at_the_reference() -> None:
    session = chain.session(seed=6, rate=RATE, swings=1, flaws=chain.Flaws())
    _, part = stretch(session, 0, noise=0.002)
    got = smooth_swing(part, reference=450)
    assert abs(got.q[450, 3]) < 1e-9
    covariance = got.error_covariance(np.array([450, 700]))
    assert covariance[0, 2, 0, 2] == pytest.approx(0.0, abs=1e-15)
    assert covariance[1, 2, 1, 2] > 0.0
    again = smooth_swing(part, reference=700)
    np.testing.assert_allclose(tilt_deg(again.q, got.q), 0.0, atol=0.03)


def moments_of(session: object, swing: int, first: int) -> np.ndarray:
    s = session
    return np.array([s.address[swing], s.top[swing], s.impact[swing], s.finish[swing]]) - first


@pytest.fixture(scope="module")
def sessions() -> list[tuple[object, np.ndarray, list[tuple[int, Stretch]]]]:
    """Sensors of realistic flaws, ten swings each; stretches reach over the movements between shots."""
    out = []
    for seed in range(8):
        session = chain.session(seed=100 + seed, rate=RATE, swings=8, flaws=chain.Flaws())
        parts = [stretch(session, swing, noise=noise_of(chain.Flaws()), after_s=9.0) for swing in range(8)]
        out.append((session, from_matrix(session.matrix), parts))
    return out


@pytest.fixture(scope="module")
def smoothed(
    sessions: list[tuple[object, np.ndarray, list[tuple[int, Stretch]]]],
) -> dict[str, list[tuple[np.ndarray, SwingOrientation, np.ndarray]]]:
    """By method, for each swing: truth over the stretch, the result, the moments' samples."""
    out: dict[str, list[tuple[np.ndarray, SwingOrientation, np.ndarray]]] = {"alone": [], "corrected": []}
    for session, truth, parts in sessions:
        correction = estimate_correction([part for _, part in parts])
        for swing, (first, part) in enumerate(parts):
            at = moments_of(session, swing, first)
            for name, known in (("alone", None), ("corrected", correction)):
                got = smooth_swing(part, reference=int(at[0]), correction=known)
                out[name].append((truth[first : first + len(got.q)], got, at))
    return out


def rms(values: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_smoother_beats_strapdown_and_filters_over_swings(
    sessions: list[tuple[object, np.ndarray, list[tuple[int, Stretch]]]],
    smoothed: dict[str, list[tuple[np.ndarray, SwingOrientation, np.ndarray]]],
) -> None:
    """The order of fusion at golf speed: strapdown, closed by rests, then with the sensor's matrix learnt."""
    tilt: dict[str, list[float]] = {name: [] for name in ("vqf_offline", "strapdown", "alone", "corrected")}
    turned: dict[str, list[float]] = {name: [] for name in tilt}
    for session, truth, parts in sessions:
        offline = estimate_quaternions(session.gyr, session.acc, rate=RATE, sample_meaning="instant")
        for swing, (first, part) in enumerate(parts):
            at = moments_of(session, swing, first)
            bare = integrate(part.increments)
            up = rotate(bare[: at[0]], part.acc[: at[0]]).mean(axis=0)
            candidates = {
                "vqf_offline": offline[first : first + len(bare)],
                "strapdown": multiply(tilt_from_up(up), bare),
            }
            for name, q in candidates.items():
                own = truth[first : first + len(q)]
                tilt[name].append(float(tilt_deg(q[at[2]], own[at[2]])))
                turned[name].append(relative_deg(q, own, at[0], at[1]))
    for name, results in smoothed.items():
        for own, got, at in results:
            tilt[name].append(float(tilt_deg(got.q[at[2]], own[at[2]])))
            turned[name].append(relative_deg(got.q, own, at[0], at[1]))
    impact = {name: rms(values) for name, values in tilt.items()}
    top = {name: rms(values) for name, values in turned.items()}
    assert impact["corrected"] < 0.6 * impact["strapdown"], impact
    assert impact["corrected"] < 0.5 * impact["vqf_offline"], impact
    assert top["corrected"] < 0.75 * top["strapdown"], top
    assert top["corrected"] < 0.75 * top["vqf_offline"], top


@pytest.mark.parametrize("name", ["alone", "corrected"])
def test_stated_errors_are_true(
    smoothed: dict[str, list[tuple[np.ndarray, SwingOrientation, np.ndarray]]], name: str
) -> None:
    """Mean normalised error squared (expectation 1) and coverage, Bar-Shalom, Li & Kirubarajan 2001, section 5.4.

    Over eight sensors, whose flaws are the main error, so the mean has the spread of some 8·3 degrees of freedom.
    """
    tilt, turn, covered = [], [], []
    for truth, got, at in smoothed[name]:
        q = got.q[at]
        heading = multiply(q[0], inverse(truth[at[0]]))
        about_up = np.array([heading[0], 0, 0, heading[3]]) / np.hypot(heading[0], heading[3])
        error = log(multiply(multiply(about_up, truth[at]), inverse(q)))
        j = got.error_jacobian(at)
        tilt_cov = (j[0] @ got.covariance @ j[0].T)[:2, :2]
        tilt.append(error[0, :2] @ np.linalg.solve(tilt_cov, error[0, :2]) / 2)
        difference, slope = error[2] - error[0], j[2] - j[0]
        turn.append(difference @ np.linalg.solve(slope @ got.covariance @ slope.T, difference) / 3)
        se = np.sqrt(np.einsum("mip,pq,miq->mi", j, got.covariance, j))[:, :2]
        covered.append(np.abs(error[:, :2]) < 1.96 * se)
    assert 0.3 < np.mean(tilt) < 1.8, np.mean(tilt)
    assert 0.3 < np.mean(turn) < 1.8, np.mean(turn)
    assert 0.90 < np.mean(covered) <= 1.0


def test_correction_finds_the_sensors_matrix() -> None:
    """True M is known: reading = G·ω, so M = G⁻¹ − 1. Each entry lies within its error; the sum of squares fits."""
    scores, gains = [], []
    for seed in range(6):
        flaws = chain.Flaws(gyro_scale=0.008, gyro_cross=0.006)
        session = chain.session(seed=300 + seed, rate=RATE, swings=8, flaws=flaws)
        parts = [stretch(session, swing, noise=0.002, after_s=9.0)[1] for swing in range(8)]
        settings = SmoothSettings(gyro_scale=0.008, gyro_cross=0.006)
        found = estimate_correction(parts, settings=settings)
        true_matrix = np.linalg.inv(session.gyro_gain) - np.eye(3)
        error = found.gyro_matrix - true_matrix
        z = error.ravel() @ np.linalg.solve(found.covariance[:9, :9], error.ravel()) / 9
        scores.append(z)
        gains.append(np.linalg.norm(error) / np.linalg.norm(true_matrix))
        assert found.gyro_matrix_se.shape == (3, 3)
    assert 0.4 < np.mean(scores) < 1.8, scores
    assert np.mean(gains) < 0.6, gains


def test_a_sensor_worse_than_expected_is_noticed() -> None:
    """1 % of true scale and axes errors where 0.3 % is expected: the prior widens, so the stated errors stay true."""
    scores = []
    for seed in range(4):
        flaws = chain.Flaws(gyro_scale=0.012, gyro_cross=0.012)
        session = chain.session(seed=500 + seed, rate=RATE, swings=8, flaws=flaws)
        parts = [stretch(session, swing, noise=0.002, after_s=9.0)[1] for swing in range(8)]
        found = estimate_correction(parts, settings=SmoothSettings(gyro_scale=0.003, gyro_cross=0.003))
        error = found.gyro_matrix - (np.linalg.inv(session.gyro_gain) - np.eye(3))
        scores.append(error.ravel() @ np.linalg.solve(found.covariance[:9, :9], error.ravel()) / 9)
    assert np.mean(scores) < 2.0, scores


def test_correction_of_nothing_is_the_prior() -> None:
    nothing, prior = estimate_correction([]), unknown_correction()
    np.testing.assert_allclose(nothing.mean, 0.0)
    np.testing.assert_allclose(nothing.covariance, prior.covariance)
    assert not nothing.learnt


def test_a_lost_burst_is_closed_by_gravity_and_told_in_the_errors() -> None:
    """40 ms around impact read zero instead of up to 1400 °/s: off by tens of degrees without the rest after it."""
    session = chain.session(seed=9, rate=RATE, swings=1, flaws=chain.Flaws())
    truth = from_matrix(session.matrix)
    first, part = stretch(session, 0, noise=0.002)
    at = moments_of(session, 0, first)
    lost = slice(int(at[2]) - 6, int(at[2]) + 2)
    increments, gyr_se = part.increments.copy(), part.gyr_se.copy()
    increments[lost], gyr_se[lost] = 0.0, np.radians(1200.0)
    got = smooth_swing(replace(part, increments=increments, gyr_se=gyr_se), reference=int(at[0]))
    own = truth[first:]
    bare = multiply(got.q[at[0]], integrate(increments, start_index=int(at[0])))
    assert tilt_deg(bare[at[3]], own[at[3]]) > 10.0
    assert tilt_deg(got.q[at[3]], own[at[3]]) < 1.5
    covariance = got.error_covariance(at)
    turn = multiply(got.q[at[0]], inverse(own[at[0]]))
    about_up = np.array([turn[0], 0, 0, turn[3]]) / np.hypot(turn[0], turn[3])
    error = log(multiply(multiply(about_up, own[at]), inverse(got.q[at])))
    se = np.sqrt([[covariance[m, axis, m, axis] for axis in range(3)] for m in range(4)])
    assert np.all(np.abs(error) <= 3.0 * se + 1e-9)
    assert np.degrees(se[3, 2]) > 2.0  # heading cannot be closed


def test_without_any_rest_the_error_is_told() -> None:
    session = chain.session(seed=10, rate=RATE, swings=1, flaws=chain.Flaws())
    truth = from_matrix(session.matrix)
    first, part = stretch(session, 0, noise=0.002)
    got = smooth_swing(replace(part, still=np.zeros(len(part.acc), bool)), reference=500)
    se_deg = np.degrees(np.sqrt(np.trace(got.error_covariance(700)[0, :2, 0, :2])))
    assert se_deg > 1.5
    assert tilt_deg(got.q[700], truth[first + 700]) < 2.5 * se_deg


def test_a_restless_rest_counts_less() -> None:
    session = chain.session(seed=11, rate=RATE, swings=1, flaws=chain.Flaws())
    _, part = stretch(session, 0, noise=0.002)
    settings = SmoothSettings(acc_bias_mps2=0.001, acc_scale=1e-4, acc_cross=1e-4)
    rng = np.random.default_rng(1)
    shaken = part.acc.copy()
    shaken[:480, 0] += np.convolve(rng.normal(scale=3.0, size=480), np.ones(40) / 40, mode="same")
    calm, restless = (
        smooth_swing(replace(part, acc=acc), reference=400, settings=settings) for acc in (part.acc, shaken)
    )
    assert restless.rest_factors[0] > 3.0 * calm.rest_factors[0]
    assert restless.error_covariance(400)[0, 0, 0, 0] > 2.0 * calm.error_covariance(400)[0, 0, 0, 0]


def test_rates_are_corrected_and_their_slope_is_the_derivative() -> None:
    session = chain.session(seed=12, rate=RATE, swings=1, flaws=chain.Flaws())
    first, part = stretch(session, 0, noise=0.002)
    got = smooth_swing(part, reference=400)
    gyr = session.gyr[first + 600 : first + 603]
    slope = got.rate_jacobian(gyr)
    for parameter in range(2, 14):
        small = np.zeros(len(got.theta))
        small[parameter] = 1e-4
        more = replace(got, theta=got.theta + small).correct_rates(gyr)
        np.testing.assert_allclose((more - got.correct_rates(gyr)) / 1e-4, slope[:, :, parameter], atol=1e-9)
    assert np.all(slope[:, :, 14:] == 0.0)


def test_bad_input_is_refused() -> None:
    session = chain.session(seed=12, rate=RATE, swings=1, flaws=chain.Flaws())
    _, part = stretch(session, 0, noise=0.002)
    with pytest.raises(SettingsError, match="a sample of the stretch"):
        smooth_swing(part, reference=len(part.acc))
    with pytest.raises(SettingsError, match="NaN"):
        replace(part, acc=np.where(np.arange(len(part.acc))[:, None] == 5, np.nan, part.acc))
    with pytest.raises(SettingsError, match=r"must be \(N, 3\)"):
        replace(part, acc=part.acc[:-1])
    with pytest.raises(SettingsError, match="still, acc_doubtful and gyr_se"):
        replace(part, still=part.still[:-1])
    with pytest.raises(SettingsError, match="too short"):
        Stretch(
            rate=RATE,
            increments=part.increments[:7],
            acc=part.acc[:7],
            still=part.still[:7],
            acc_doubtful=part.acc_doubtful[:7],
            gyr_noise=0.002,
            gyr_se=part.gyr_se[:7],
            bias_se=BIAS_SE,
        )


def test_a_shock_too_rough_for_the_cubic_is_told() -> None:
    """A quartic's integral by the four-sample rule is off by 11/720 of its fourth difference, 24: the rule's error."""
    still = chain.session(seed=12, rate=RATE, swings=1, flaws=chain.Flaws())
    _, part = stretch(still, 0, noise=1e-6)
    t = np.arange(len(part.acc)) - 500.0
    quartic = np.where(np.abs(t) < 6, t**4, 0.0)[:, None] * np.array([1.0, 0.0, 0.0])
    increments = rotation_increments(quartic, rate=1.0, sample_meaning="instant")
    exact = ((t[500] + 0.0) ** 5 - (t[499] + 0.0) ** 5) / 5.0
    assert increments[500, 0] - exact == pytest.approx(-24.0 * 11.0 / 720.0, rel=0.05)
    first, last, covariance = doubtful_runs(replace(part, increments=increments / RATE, gyr_noise=0.1))
    assert first[0] <= 495 < 505 <= last[-1]
    assert np.sqrt(np.min(np.diag(covariance))) > 0.1


def test_pieces_of_a_bridged_run_add_up_to_its_stated_error() -> None:
    session = chain.session(seed=12, rate=RATE, swings=1, flaws=chain.Flaws())
    _, part = stretch(session, 0, noise=0.002)
    gyr_se = part.gyr_se.copy()
    gyr_se[600:612] = 0.5
    gyr_se[900] = 0.3
    first, last, covariance = doubtful_runs(replace(part, gyr_se=gyr_se))
    length = (last - first) / RATE
    burst = (first >= 600) & (last <= 612)
    assert int(np.sum(burst)) == 4
    total = length[burst] @ covariance[np.ix_(burst, burst)] @ length[burst]
    # A smooth movement rings next to nothing: at most 1 % comes on top of what is stated.
    assert 0.5 * 12 / RATE <= np.sqrt(total) < 1.01 * 0.5 * 12 / RATE
    single = int(np.flatnonzero(first == 900)[0])
    assert 0.3 <= np.sqrt(covariance[single, single]) < 1.01 * 0.3
    assert np.all(covariance[single, burst] == 0.0)


@pytest.mark.parametrize("rate", [200.0, 400.0])
def test_a_ring_beside_a_bridge_is_added_to_its_error(rate: float) -> None:
    """25 Hz, 100 °/s of ring after a lost burst: the bridge's mean rate is in doubt by about that much."""
    session = chain.session(seed=12, rate=rate, swings=1, flaws=chain.IDEAL)
    _, part = stretch(session, 0, noise=1e-4)
    lost, ring = slice(600, 606), np.arange(len(part.acc)) - 606.0
    size = np.radians(100.0)
    rung = np.where(ring >= 0, size * np.sin(2 * np.pi * 25.0 * ring / rate), 0.0) * (ring < 0.08 * rate)
    gyr_se = part.gyr_se.copy()
    gyr_se[lost] = np.radians(5.0)
    quiet = replace(part, gyr_se=gyr_se)
    shaken = replace(quiet, increments=part.increments + rung[:, None] * np.array([1.0, 0.0, 0.0]) / rate)
    totals = []
    for one in (quiet, shaken):
        first, last, covariance = doubtful_runs(one)
        burst = (first >= 600) & (last <= 606)
        length = (last - first)[burst]
        totals.append(np.sqrt(length @ covariance[np.ix_(burst, burst)] @ length) / length.sum())
    assert np.degrees(totals[0]) == pytest.approx(5.0, rel=0.02)
    assert 50.0 < np.degrees(totals[1]) < 200.0
