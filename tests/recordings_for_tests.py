"""Small recordings for tests: in memory, and as files written by hand, without the project's own writer."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from imuswing.recording.model import Event, Recording, SensorStream


def make_stream(
    tracked_point: str = "chest",
    *,
    tracking_system: str = "imu",
    rate: float = 200.0,
    count: int = 40,
    seed: int = 0,
    time: np.ndarray | None = None,
    with_mag: bool = False,
    **settings: object,
) -> SensorStream:
    """A stream of random numbers of plausible size, with three lost samples."""
    rng = np.random.default_rng(seed)
    count = count if time is None else len(time)
    gyr, acc, mag = (rng.normal(scale=scale, size=(count, 3)) for scale in (3.0, 10.0, 40.0))
    gyr[5:8], acc[5:8] = np.nan, np.nan
    return SensorStream(
        tracked_point=tracked_point,
        tracking_system=tracking_system,
        rate=rate,
        time=np.arange(count) / rate if time is None else time,
        gyr=gyr,
        acc=acc,
        mag=mag if with_mag else None,
        **settings,
    )


def make_recording(
    *streams: SensorStream, events: Iterable[Event] = (), participant: str = "01", **labels: object
) -> Recording:
    """A recording of the streams, by default one chest sensor, lead side left, session 01, task chip."""
    streams = streams or (make_stream(),)
    given = {"session": "01", "task": "chip", "lead_side": "left", **labels}
    sensors = {stream.tracked_point: stream for stream in streams}
    return Recording(participant=participant, sensors=sensors, events=tuple(events), **given)


IMU_CHANNELS = "\n".join(
    [
        "name\tcomponent\ttype\ttracked_point\tunits",
        *(f"a{axis}\t{axis}\tACCEL\tchest\tm/s^2" for axis in "xyz"),
        *(f"g{axis}\t{axis}\tGYRO\tchest\trad/s" for axis in "xyz"),
    ]
)


def hand_written_dataset(
    root: Path,
    *,
    motion: str = "1\t2\t3\t4\t5\t6\n7\t8\t9\t10\t11\t12\n13\t14\t15\t16\t17\t18\n",
    channels: str = IMU_CHANNELS + "\n",
    sidecar: str = '{"TaskName": "chip", "SamplingFrequency": 100}',
    participants: str = "participant_id\tlead_side\nsub-01\tleft\n",
    system: str = "imu",
    events: str | None = None,
    scans: str | None = None,
) -> Path:
    """A dataset of one recording as literal text, after the BIDS specification 1.10; returns its motion table."""
    folder = root / "sub-01" / "ses-01" / "motion"
    folder.mkdir(parents=True, exist_ok=True)
    stem = f"sub-01_ses-01_task-chip_tracksys-{system}_"
    (root / "dataset_description.json").write_text('{"Name": "By hand", "BIDSVersion": "1.10.0"}')
    (root / "participants.tsv").write_text(participants)
    (folder / f"{stem}motion.tsv").write_text(motion)
    (folder / f"{stem}channels.tsv").write_text(channels)
    (folder / f"{stem}motion.json").write_text(sidecar)
    if events is not None:
        (folder / f"{stem}events.tsv").write_text(events)
    if scans is not None:
        (folder.parent / "sub-01_ses-01_scans.tsv").write_text(scans)
    return folder / f"{stem}motion.tsv"
