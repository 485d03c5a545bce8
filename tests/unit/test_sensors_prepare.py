"""`prepare` on whole recordings: what comes out, and every finding in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from sensors_for_tests import G, recording_of, turning_sensor

from imuswing.errors import RecordingError
from imuswing.recording.model import SensorStream
from imuswing.sensors.motion import Motion, Prepared
from imuswing.sensors.prepare import prepare


def changed(stream: SensorStream, **values: object) -> SensorStream:
    return replace(stream, **values)


def texts(prepared: Prepared, level: str | None = None) -> str:
    return " | ".join(w.text for w in prepared.warnings if level is None or w.level == level)


def test_a_good_recording_has_no_findings() -> None:
    streams = [turning_sensor(tracked_point=p, seed=k) for k, p in enumerate(("chest", "lead_forearm", "lead_hand"))]
    prepared = prepare(recording_of(*streams))
    assert prepared.warnings == ()
    assert list(prepared.motions) == ["chest", "lead_forearm", "lead_hand"]
    for point, motion in prepared.motions.items():
        report = prepared.reports[point]
        assert report.rate_hz == motion.rate == pytest.approx(200.0)
        assert report.gravity_mps2 == pytest.approx(G, abs=0.01)
        assert report.turn_mismatch_deg is not None
        assert report.turn_mismatch_deg < 0.5
        assert report.clock_source == "reference"
        assert not (motion.lost | motion.clipped | motion.unusable).any()
        np.testing.assert_allclose(motion.gyr_se, motion.gyr_noise)


@pytest.mark.parametrize("meaning", ["instant", "mean"])
def test_increments_carry_gravity(meaning: str) -> None:
    """The chained increments (scipy Rotation) must turn gravity as the accelerometer sees it."""
    stream = turning_sensor(gyr_noise_dps=0.01, acc_noise=0.001)
    if meaning == "mean":
        fine = turning_sensor(gyr_noise_dps=0.0, acc_noise=0.0, rate=2000.0)
        means = [np.vstack((v[:1], v[1:].reshape(-1, 10, 3).mean(axis=1))) for v in (fine.gyr[:-9], fine.acc[:-9])]
        stream = changed(stream, gyr=means[0], acc=means[1], sample_meaning="mean")
    motion = prepare(recording_of(stream)).motions["lead_hand"]
    total = Rotation.identity()
    for increment in motion.increments[: 200 * 40]:
        total = total * Rotation.from_rotvec(np.array(increment))
    carried = total.inv().apply(motion.acc[:200].mean(axis=0))
    seen = motion.acc[200 * 40 - 1]
    assert np.degrees(np.arccos(carried @ seen / np.linalg.norm(carried) / np.linalg.norm(seen))) < 0.1


def test_arrays_cannot_be_changed() -> None:
    motion = prepare(recording_of(turning_sensor(seconds=10.0))).motions["lead_hand"]
    for name in ("time", "gyr", "acc", "increments", "lost", "clipped", "still", "gyr_se", "bias"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(motion, name)[0] = 0
    assert isinstance(motion, Motion)


def test_gaps_are_bridged_and_counted() -> None:
    stream = turning_sensor()
    gyr, acc = np.array(stream.gyr), np.array(stream.acc)
    whole = prepare(recording_of(stream)).motions["lead_hand"]
    gyr[1100:1106] = acc[1100:1106] = np.nan
    gyr[5050] = np.nan
    prepared = prepare(recording_of(changed(stream, gyr=gyr, acc=acc)))
    motion, report = prepared.motions["lead_hand"], prepared.reports["lead_hand"]
    assert motion.lost.sum() == report.lost_samples == 7
    assert report.longest_gap_s == pytest.approx(0.03)
    assert not motion.unusable.any()
    assert np.degrees(np.abs((motion.gyr - whole.gyr)[1090:1116].sum(axis=0)).max() / 200.0) < 0.1
    assert (motion.gyr_se[1100:1106] > motion.gyr_noise).all()


def test_repeated_rows_are_lost_rows() -> None:
    """Recorders write the last sample again for lost ones (the open recordings of BROAD hold such runs of three)."""
    stream = turning_sensor()
    gyr, acc = np.array(stream.gyr), np.array(stream.acc)
    firsts = range(480, 11000, 70)
    for first in firsts:
        gyr[first : first + 3], acc[first : first + 3] = gyr[first - 1], acc[first - 1]
    moving = [first for first in firsts if np.abs(np.degrees(stream.gyr[first - 1])).max() > 30.0]
    assert len(moving) > 10
    prepared = prepare(recording_of(changed(stream, gyr=gyr, acc=acc)))
    lost = prepared.motions["lead_hand"].lost
    assert all(lost[first : first + 3].all() for first in moving)
    assert lost.sum() <= 3 * len(firsts)
    assert "only repeat the one before" in texts(prepared)


def test_an_ideal_sensor_at_rest_is_not_lost() -> None:
    stream = turning_sensor(gyr_noise_dps=0.0, acc_noise=0.0)
    prepared = prepare(recording_of(stream))
    assert prepared.reports["lead_hand"].lost_samples == 0
    np.testing.assert_allclose(np.degrees(prepared.motions["lead_hand"].bias), (0.4, -0.3, 0.2), atol=1e-3)


def test_a_sensor_that_repeats_its_last_sample_has_stopped() -> None:
    stream = turning_sensor()
    gyr, acc = np.array(stream.gyr), np.array(stream.acc)
    gyr[9000:], acc[9000:] = gyr[9000], acc[9000]
    prepared = prepare(recording_of(turning_sensor(tracked_point="chest"), changed(stream, gyr=gyr, acc=acc)))
    assert "lead hand sensor stops after 45 s of 60 s" in texts(prepared, "problem")


def test_long_gaps_are_told() -> None:
    stream = turning_sensor()
    gyr = np.array(stream.gyr)
    gyr[3000:3400] = np.nan
    prepared = prepare(recording_of(changed(stream, gyr=gyr)))
    assert "gaps of up to 2 s" in texts(prepared, "advice")
    assert prepared.motions["lead_hand"].unusable.sum() == 400
    gyr[4000:9000] = np.nan
    prepared = prepare(recording_of(changed(stream, gyr=gyr)))
    assert "samples are missing" in texts(prepared, "problem")


def test_clipping_is_bridged_and_told() -> None:
    stream = turning_sensor(turn=4.0)
    limit = 5.0
    prepared = prepare(recording_of(changed(stream, gyr=np.clip(stream.gyr, -limit, limit))))
    motion = prepared.motions["lead_hand"]
    assert motion.clipped.sum() == prepared.reports["lead_hand"].clipped_samples > 20
    assert "at its limit of 286 °/s" in texts(prepared)


def test_latency_and_a_rate_that_is_wrong_in_the_file() -> None:
    stream = turning_sensor()
    prepared = prepare(recording_of(changed(stream, rate=202.0)))
    assert prepared.motions["lead_hand"].rate == pytest.approx(200.0)
    assert "200.00 samples a second by its own times, not 202" in texts(prepared, "advice")


def test_dropped_rows_with_times() -> None:
    stream = turning_sensor()
    kept = np.ones(len(stream.time), bool)
    kept[np.random.default_rng(0).integers(10, 11000, 40)] = False
    dropped = changed(stream, time=stream.time[kept], gyr=stream.gyr[kept], acc=stream.acc[kept])
    prepared = prepare(recording_of(dropped))
    motion = prepared.motions["lead_hand"]
    np.testing.assert_array_equal(motion.lost, ~kept)
    np.testing.assert_allclose(motion.time, stream.time, atol=1e-9)


def refused(*streams: SensorStream) -> str:
    with pytest.raises(RecordingError) as caught:
        prepare(recording_of(*streams))
    return str(caught.value)


def test_gravity_of_one_and_of_96_are_unit_mix_ups() -> None:
    stream = turning_sensor()
    message = refused(changed(stream, acc=stream.acc / 9.80665))
    assert "reads 1 m/s² at rest, so its unit is probably g; correct `units`" in message
    assert "_channels.tsv" in message
    assert "so its unit is probably m/s^2 and not g" in refused(changed(stream, acc=stream.acc * 9.80665))
    assert "where gravity is 9.81" in refused(changed(stream, acc=stream.acc * 2.0))


def test_a_bridge_that_passes_the_sensor_s_range_is_no_wrong_unit() -> None:
    """A blow three times as fast as the range: what the sensor read is possible, whatever the bridge makes of it."""
    stream = turning_sensor()
    gyr = stream.gyr + np.radians(12000.0) * np.exp(-(((stream.time - 20.0) / 0.03) ** 2))[:, None]
    limit = float(np.radians(4000.0))
    assert prepare(recording_of(changed(stream, gyr=np.clip(gyr, -limit, limit), gyr_range=limit))).motions


@pytest.mark.parametrize(
    ("factor", "unit"), [(180.0 / np.pi, "deg/s and not rad/s"), (np.pi / 180.0, "rad/s and not deg/s")]
)
def test_gyro_unit_mix_ups(factor: float, unit: str) -> None:
    assert unit in refused(changed(turning_sensor(turn=2.0), gyr=turning_sensor(turn=2.0).gyr * factor))


def test_a_gyro_that_is_off_by_a_few_percent_is_no_mix_up() -> None:
    prepare(recording_of(changed(turning_sensor(), gyr=turning_sensor().gyr * 1.05)))


def test_a_disagreement_that_no_order_of_axes_explains_is_told() -> None:
    """Axes turned by 45° against the accelerometer's: half way between two orders of axes."""
    stream = turning_sensor()
    turned = Rotation.from_euler("z", 45.0, degrees=True).apply(np.array(stream.gyr))
    prepared = prepare(recording_of(changed(stream, gyr=turned)))
    assert prepared.left_out == ()
    assert "disagree" in texts(prepared, "problem")


def test_gravity_a_little_off_is_advice() -> None:
    stream = turning_sensor()
    prepared = prepare(recording_of(changed(stream, acc=stream.acc * 1.06)))
    assert "reads 10.40 m/s² at rest where gravity is about 9.8" in texts(prepared, "advice")


@pytest.mark.parametrize("channel", ["gyr", "acc"])
def test_dead_and_stuck_sensors(channel: str) -> None:
    good, stream = turning_sensor(tracked_point="chest"), turning_sensor()
    stuck = np.array(getattr(stream, channel))
    stuck[:, 1] = 0.25
    prepared = prepare(recording_of(good, changed(stream, **{channel: stuck})))
    assert list(prepared.motions) == ["chest"]
    assert "one and the same value throughout (axis y)" in texts(prepared, "problem")
    assert "one and the same value throughout (axis x, y, z)" in refused(
        changed(stream, **{channel: np.ones_like(stuck)})
    )


def test_all_samples_missing() -> None:
    stream = turning_sensor()
    empty = changed(stream, gyr=np.full_like(stream.gyr, np.nan), acc=np.full_like(stream.acc, np.nan))
    assert "the gyroscope of lead hand has no samples" in refused(empty)
    prepared = prepare(recording_of(turning_sensor(tracked_point="chest"), empty))
    assert list(prepared.motions) == ["chest"]


def test_a_sensor_that_stops_part_way() -> None:
    stream = turning_sensor()
    gyr = np.array(stream.gyr)
    gyr[6000:] = np.nan
    chest = turning_sensor(tracked_point="chest")
    prepared = prepare(recording_of(chest, changed(stream, gyr=gyr)))
    assert "lead hand sensor stops after 30 s of 60 s" in texts(prepared, "problem")
    short = changed(stream, time=stream.time[:6000], gyr=stream.gyr[:6000], acc=stream.acc[:6000])
    assert "lead hand sensor stops after 30 s of 60 s" in texts(prepare(recording_of(chest, short)), "problem")


def test_a_sensor_that_is_switched_on_late_has_not_stopped() -> None:
    stream, chest = turning_sensor(), turning_sensor(tracked_point="chest")
    late = changed(stream, time=stream.time[6000:], gyr=stream.gyr[6000:], acc=stream.acc[6000:])
    prepared = prepare(recording_of(chest, late))
    assert "lead hand sensor starts 30 s after the first of 60 s" in texts(prepared, "advice")
    assert "stops" not in texts(prepared, "problem")


def test_a_recording_of_two_seconds() -> None:
    assert "the recording is only 2.0 s long" in texts(prepare(recording_of(turning_sensor(seconds=2.0))), "problem")


def test_a_few_samples() -> None:
    stream = turning_sensor(seconds=0.05)
    assert "only 0.1 s long" in texts(prepare(recording_of(stream)), "problem")


@pytest.mark.parametrize(("rate", "level"), [(40.0, "problem"), (80.0, "advice")])
def test_low_rates(rate: float, level: str) -> None:
    assert f"records {rate:.0f} samples a second" in texts(prepare(recording_of(turning_sensor(rate=rate))), level)


def test_a_rate_just_under_the_one_asked_for_is_not_told_as_that_one() -> None:
    """99.7 and 49.98 rounded to whole numbers are the limits of 100 and 50 Hz themselves."""
    told = texts(prepare(recording_of(turning_sensor(rate=99.7))), "advice")
    assert "records 99.7 samples a second" in told
    told = texts(prepare(recording_of(turning_sensor(rate=49.98))), "problem")
    assert "records 49.98 samples a second" in told


def test_never_still_is_told() -> None:
    stream = turning_sensor()
    sway = 3.0 * np.sin(2.0 * np.pi * 0.9 * stream.time[:, None] + np.arange(3))
    prepared = prepare(recording_of(changed(stream, gyr=stream.gyr + sway, acc=stream.acc + sway)))
    assert "never still" in texts(prepared, "problem")
    assert prepared.reports["lead_hand"].gyro_bias_dps is None


def test_a_chest_that_is_faster_than_the_arm_is_swapped() -> None:
    slow, fast = turning_sensor(turn=0.3), turning_sensor(turn=1.5)
    worn = [changed(fast, tracked_point="chest"), changed(slow, tracked_point="lead_forearm"), fast]
    prepared = prepare(recording_of(*worn))
    assert prepared.left_out == ("chest", "lead_forearm")
    assert "chest sensor moves faster than the lead forearm sensor" in texts(prepared, "problem")
    message = refused(*worn[:2])
    assert "chest and lead forearm are swapped" in message


def test_a_short_recording_in_which_the_chest_is_faster_is_only_told() -> None:
    slow, fast = turning_sensor(turn=0.3, seconds=20.0), turning_sensor(turn=1.5, seconds=20.0)
    prepared = prepare(recording_of(changed(fast, tracked_point="chest"), slow))
    assert "chest sensor moves faster than the lead hand sensor" in texts(prepared, "problem")
    assert prepared.left_out == ()


def test_a_chest_sensor_shaken_once_is_not_left_out() -> None:
    """Somebody waves it about for six seconds; in all the rest of the minute the hand is the faster one."""
    hand, chest = turning_sensor(turn=1.5), turning_sensor(turn=0.3, tracked_point="chest")
    shaken = np.where(np.abs(chest.time - 30.0) < 3.0, 20.0, 0.0)[:, None] * np.sin(8.0 * chest.time)[:, None]
    prepared = prepare(recording_of(changed(chest, gyr=chest.gyr + shaken), hand))
    assert "chest sensor moves faster" in texts(prepared, "problem")
    assert "chest" in prepared.motions
    assert "lead_hand" in prepared.motions


def test_a_forearm_that_turns_while_the_hand_rests_is_swapped() -> None:
    """A wrist can bend with the forearm at rest; a hand cannot rest in space while the forearm turns under it, but for
    a wrist that undoes just that turn. No step needs a mark."""
    resting, moving = turning_sensor(turn=0.0), turning_sensor(turn=1.5)
    right = [changed(resting, tracked_point="lead_forearm"), changed(moving, tracked_point="lead_hand")]
    assert prepare(recording_of(*right)).warnings == ()
    wrong = [changed(moving, tracked_point="lead_forearm"), changed(resting, tracked_point="lead_hand")]
    prepared = prepare(recording_of(turning_sensor(tracked_point="lead_upper_arm"), *wrong))
    assert prepared.left_out == ("lead_forearm", "lead_hand")
    assert "forearm sensor turns while the lead hand sensor rests" in texts(prepared, "problem")


def test_no_sensor_at_all() -> None:
    assert "no sensor has usable samples" in refused()


def test_every_finding_says_what_to_do() -> None:
    stream = turning_sensor(rate=40.0, seconds=4.0)
    for warning in prepare(recording_of(stream)).warnings:
        assert warning.do
        assert not warning.text.endswith(".")
