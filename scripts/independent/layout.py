"""Writes a recording in the contract's layout (section 4): Motion-BIDS, one tracking system a clock."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from independent.sensors import ACC_RANGE_G, GRAVITY, GYRO_RANGE_DPS, Record

SYSTEMS = {"chest": "chest", "lead_forearm": "forearm", "lead_hand": "hand"}
UNITS = {("rad/s", "m/s^2"): (1.0, 1.0), ("deg/s", "g"): (180.0 / np.pi, 1.0 / 9.80665)}
Events = list[dict[str, object]]


def start_dataset(root: Path, leads: dict[str, str]) -> None:
    """The dataset's own files; `leads` is the lead side by participant."""
    root.mkdir(parents=True, exist_ok=True)
    about = {"Name": "Independent simulation", "BIDSVersion": "1.10.0", "DatasetType": "raw", "License": "CC0"}
    (root / "dataset_description.json").write_text(json.dumps(about, indent=2))
    (root / "README.md").write_text("Simulated golfers of scripts/independent; no real person is in it.\n")
    table = pd.DataFrame({"participant_id": [f"sub-{p}" for p in leads], "lead_side": list(leads.values())})
    table.to_csv(root / "participants.tsv", sep="\t", index=False)
    lead = {"lead_side": {"Description": "Side nearer the target", "Levels": {"left": "left", "right": "right"}}}
    (root / "participants.json").write_text(json.dumps(lead, indent=2))


def write(
    root: Path, participant: str, task: str, records: list[Record], events: Events, units: tuple[str, str]
) -> Path:
    """One session; returns its folder. Records that share a clock share a tracking system."""
    session = root / f"sub-{participant}" / "ses-01"
    motion = session / "motion"
    motion.mkdir(parents=True)
    together = len({(r.start_s, r.drift) for r in records}) == 1
    stem = f"sub-{participant}_ses-01_task-{task}_tracksys-"
    groups = {"imu": records} if together else {SYSTEMS[r.point]: [r] for r in records}
    scans = []
    for system, members in groups.items():
        _write_system(motion / (stem + system), task, system, members, units)
        second = int(members[0].start_s)  # exact to the second only
        scans.append((f"motion/{stem}{system}_motion.tsv", f"2026-05-02T10:00:{second:02d}"))
    first = min(groups)
    pd.DataFrame(events).to_csv(motion / f"{stem}{first}_events.tsv", sep="\t", index=False, na_rep="n/a")
    pd.DataFrame(scans, columns=["filename", "acq_time"]).to_csv(
        session / f"sub-{participant}_ses-01_scans.tsv", sep="\t", index=False
    )
    return session


def _write_system(base: Path, task: str, system: str, members: list[Record], units: tuple[str, str]) -> None:
    gyro_factor, acc_factor = UNITS[units]
    columns: dict[str, object] = {"latency": members[0].time_s}
    channels = [("latency", "n/a", "LATENCY", "n/a", "s")]
    for r in members:
        both = (("GYRO", r.gyr, gyro_factor, units[0]), ("ACCEL", r.acc, acc_factor, units[1]))
        for kind, values, factor, unit in both:
            for i, axis in enumerate("xyz"):
                name = f"{r.point}_{kind.lower()}_{axis}"
                columns[name] = values[:, i] * factor
                channels.append((name, axis, kind, r.point, unit))
    frame = pd.DataFrame(columns)
    frame.to_csv(f"{base}_motion.tsv", sep="\t", index=False, header=False, na_rep="n/a", float_format="%.7g")
    table = pd.DataFrame(channels, columns=["name", "component", "type", "tracked_point", "units"])
    table.to_csv(f"{base}_channels.tsv", sep="\t", index=False, na_rep="n/a")
    sidecar = {
        "TaskName": task,
        "SamplingFrequency": members[0].rate_hz,
        "TrackingSystemName": system,
        "SampleMeaning": members[0].meaning,
        "GyroRange": GYRO_RANGE_DPS,
        "GyroRangeUnits": "deg/s",
        "AccelRange": ACC_RANGE_G * GRAVITY / 9.80665,
        "AccelRangeUnits": "g",
        "MotionChannelCount": len(channels) - 1,
    }
    Path(f"{base}_motion.json").write_text(json.dumps(sidecar, indent=2))
