"""Run in a network of its own: streams a lesson by Lab Streaming Layer and takes it with `LabStreams`; prints JSON."""

from __future__ import annotations

import json
import sys
import threading
import time

import numpy as np
import pylsl
from live_for_tests import cut, short_lesson

from imuswing.live.lsl import LabStreams

LABELS = [f"{kind}_{axis}" for kind in ("acc", "gyro") for axis in "xyz"]


def outlet(name: str, rate: float, *, gyro_unit: str) -> pylsl.StreamOutlet:
    info = pylsl.StreamInfo(name, "IMU", 6, rate, "float32", f"test-{name}")
    info.set_channel_labels(LABELS)
    info.set_channel_units(["m/s^2"] * 3 + [gyro_unit] * 3)
    return pylsl.StreamOutlet(info)


def main(seconds: float) -> None:
    lesson = cut(short_lesson(), seconds)
    # One sensor in degrees a second, as many are.
    units = {"chest": "deg/s", "lead_forearm": "rad/s", "lead_hand": "rad/s"}
    outlets = {point: outlet(point, s.rate, gyro_unit=units[point]) for point, s in lesson.sensors.items()}
    pylsl.StreamOutlet(pylsl.StreamInfo("keys", "Markers", 1, 0.0, "string", "test-keys"))
    source = LabStreams(find_s=2.0)
    stop = threading.Event()

    def play() -> None:
        time.sleep(0.5)
        began, sent = pylsl.local_clock(), dict.fromkeys(outlets, 0)
        while not stop.is_set():
            now = pylsl.local_clock() - began
            for point, stream in lesson.sensors.items():
                until = int(np.searchsorted(stream.time, now))
                factor = 180.0 / np.pi if units[point] == "deg/s" else 1.0
                for k in range(sent[point], until):
                    row = [*stream.acc[k], *(factor * stream.gyr[k])]
                    outlets[point].push_sample(row, began + float(stream.time[k]))
                sent[point] = until
            time.sleep(0.005)

    player = threading.Thread(target=play)
    rows = {head.name: [] for head in source.heads}
    late = []
    arrivals = source.arrivals({})
    first = next(arrivals)
    player.start()
    for arrival in arrivals:
        for chunk in arrival.chunks:
            rows[chunk.system] += chunk.rows.tolist()
            late.append(arrival.now - float(chunk.rows[-1, 0]))
        if arrival.now - first.now > seconds + 1.5:
            break
    stop.set()
    player.join()
    heads = [
        {"name": head.name, "rate": head.rate, "points": [s.tracked_point for s in head.sensors]}
        for head in source.heads
    ]
    json.dump({"heads": heads, "rows": rows, "late": late}, sys.stdout)


if __name__ == "__main__":
    main(float(sys.argv[1]))
