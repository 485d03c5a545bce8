"""Run in a network of its own: a lesson sent by Lab Streaming Layer, and `imuswing live --lsl` that records it.

    python lsl_lesson_for_tests.py DATASET PARTICIPANT SPEED

The sensors are a process of their own. For the sake of speed one second of the lesson lasts 1 / SPEED seconds: the
clock that both processes read runs as much faster. All else is the command as a coach starts it, ended by Ctrl-C.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from types import SimpleNamespace

import numpy as np
import pylsl
from live_for_tests import short_lesson
from lsl_for_tests import outlet

from imuswing.cli import main
from imuswing.live import lsl
from imuswing.live.replay import taken_at

REAL_CLOCK, REAL_SLEEP = pylsl.local_clock, time.sleep
CONNECTED_S = 2.0
"""Seconds from a receiver's connection until it listens: it first asks how far the clocks are apart."""
ENDED_S = 1.0
"""Seconds from the last sample until the coach ends the recording: a second look at the last shot is due before."""


def send(speed: float) -> None:
    """Be the sensors, each stream at its own rate, stamped when its samples were taken."""
    lesson = short_lesson()
    clocks = taken_at(lesson)
    taken = {point: clocks[s.tracking_system](s.time) for point, s in lesson.sensors.items()}
    rows = {point: np.concatenate((s.acc, s.gyr), axis=1).tolist() for point, s in lesson.sensors.items()}
    outlets = {point: outlet(point, s.rate, gyro_unit="rad/s") for point, s in lesson.sensors.items()}
    while not all(one.have_consumers() for one in outlets.values()):
        REAL_SLEEP(0.05)
    REAL_SLEEP(CONNECTED_S)
    began, sent = speed * REAL_CLOCK(), dict.fromkeys(outlets, 0)
    while any(sent[point] < len(rows[point]) for point in rows):
        now = speed * REAL_CLOCK() - began
        for point, times in taken.items():
            until = int(np.searchsorted(times, now))
            for k in range(sent[point], until):
                outlets[point].push_sample(rows[point][k], began + float(times[k]))
            sent[point] = until
        REAL_SLEEP(0.004)
    REAL_SLEEP(ENDED_S)


def receive(dataset: str, participant: str, speed: float) -> int:
    """`imuswing live --lsl`, and Ctrl-C after the sensors have sent all."""
    sensors = subprocess.Popen([sys.executable, __file__, "send", str(speed)])

    def end() -> None:
        sensors.wait()
        os.kill(os.getpid(), signal.SIGINT)

    threading.Thread(target=end, daemon=True).start()
    pylsl.local_clock = lambda: speed * REAL_CLOCK()
    lsl.time = SimpleNamespace(sleep=lambda seconds: REAL_SLEEP(seconds / speed))  # type: ignore[assignment]
    named = ["--participant", participant, "--session", "02", "--task", "chip"]
    return main(["live", "--into", dataset, *named, "--lsl", "--no-page"])


if __name__ == "__main__":
    if sys.argv[1] == "send":
        send(float(sys.argv[2]))
    else:
        sys.exit(receive(sys.argv[1], sys.argv[2], float(sys.argv[3])))
