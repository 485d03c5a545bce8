# ruff: noqa: E402 - the thread settings must come before numpy
"""Figures of the live computation: `python scripts/live_bench.py verdicts|load|memory`.

verdicts: simulated lessons are played as fast as it goes and analysed offline: how many verdicts agree, how far
    measures differ, and how long after impact a verdict comes (the samples' own lateness and that turn's processor
    time).
load: five sensors at 400 Hz; processor time of everything, disk included, over the time that was played.
memory: a lesson over and over, for hours; resident memory along the way.
Nothing is asserted here: time depends on the machine.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import math
import resource
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from imuswing.lesson import analyze
from imuswing.live.arrive import arrives_after, take
from imuswing.live.engine import begin, step
from imuswing.live.hub import Hub
from imuswing.live.messages import Message, Shot
from imuswing.live.model import TIME_COLUMN, Arrival, Session
from imuswing.live.replay import Replay
from imuswing.live.session import Live, shown_rows
from imuswing.live.settings import LiveSettings
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Recording
from imuswing.simulate.lesson import simulate_recording
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, PELVIS

SURE = (0.1, 0.9)
"""Shots whose stall probability lies outside are those whose verdicts must agree."""
COMPARED = (
    "chest_continuity",
    "chest_turn_rate_impact_dps",
    "backswing_arc_deg",
    "wrist_flexion_impact_deg",
    "tempo_ratio",
)
FIVE = (CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, CLUB)


@dataclass(frozen=True)
class Played:
    """A lesson's first verdicts with how late each came, s, what stood of each at the end, each swing's row of
    `shown.parquet` by its number, and the share of a core that it took."""

    shots: list[Shot]
    last: dict[int, Shot]
    shown: dict[int, Mapping[str, Any]]
    late: list[float]
    share: float


def played(recording: Recording, settings: LiveSettings) -> Played:
    """A recording through the engine, without disk."""
    source = Replay(recording, speed=math.inf)
    state = begin(Session(participant="X", session="1", task="chip", lead_side=recording.lead_side), source.heads)
    shots: list[Shot] = []
    late: list[float] = []
    last: dict[int, Shot] = {}
    log: list[Mapping[str, Any]] = []
    start = time.process_time()
    for arrival in source.arrivals({}):
        before = time.process_time()
        state, _, told = take(state, arrival, settings)
        state, more = step(state, settings)
        for message in (*told, *more):
            if isinstance(message, Shot):
                last[message.number] = message
                entry = {"number": message.number, "kind": message.kind, "impact_s": message.impact_s}
                log.append({"shown": {**entry, "chest_verdict": message.verdict, "shown_after_s": 0.0}})
            if isinstance(message, Shot) and not message.revised:
                shots.append(message)
                took = time.process_time() - before
                late.append(arrival.now - arrives_after(state) - message.impact_s + arrival.behind_s + took)
    share = (time.process_time() - start) / max(state.now, 1.0)
    shown = {row["number"]: row for row in shown_rows(log)}
    return Played(shots=shots, last=last, shown=shown, late=late, share=share)


def verdicts(golfers: int, shots: int, seed: int, preset: str) -> None:
    """Agreement with the offline analysis, and lateness."""
    agree = agree_last = agree_shown = sure = total = missed = extra = unlike = unlike_last = changed = 0
    late: list[float] = []
    apart: dict[str, list[float]] = {name: [] for name in COMPARED}
    for golfer in range(golfers):
        recording, _ = simulate_recording(seed=seed + golfer, shots=shots, preset=preset)
        offline = analyze(recording).swings
        live = played(recording, LiveSettings())
        struck = list(zip(live.shots, live.late, strict=True))
        taken = set()
        for _, row in offline.iterrows():
            near = [k for k, (shot, _) in enumerate(struck) if abs(shot.impact_s - row["impact_s"]) < 0.3]
            taken.update(near[:1])
            if row["kind"] != "shot":
                continue
            total += 1
            if not near:
                missed += 1
                continue
            shot, after = struck[near[0]]
            last = live.last[shot.number]
            unlike += shot.kind != row["kind"]
            unlike_last += last.kind != row["kind"]
            changed += last.verdict != shot.verdict
            if shot.kind != row["kind"]:
                print(f"  seed {seed + golfer}, {row['impact_s']:.2f} s: first told as {shot.kind}, flags {shot.flags}")
            late.append(after)
            probability = row["chest_stall_probability"]
            if probability < SURE[0] or probability > SURE[1]:
                sure += 1
                same = shot.verdict == row["chest_verdict"]
                agree_last += last.verdict == row["chest_verdict"]
                agree_shown += live.shown[shot.number]["chest_verdict"] == row["chest_verdict"]
                stalled = (shot.verdict == "stalled") == (row["chest_verdict"] == "stalled")
                agree += same
                if not same:
                    told = shot.measures.get("chest_continuity")
                    print(
                        f"  seed {seed + golfer}, {row['impact_s']:.2f} s: offline {row['chest_verdict']} "
                        f"({row['chest_continuity']:.3f}), live {shot.verdict} "
                        f"({told and told.value}){'' if stalled else ' STALL DIFFERS'}, in the end "
                        f"{last.verdict}; impact {1000.0 * (shot.impact_s - row['impact_s']):+.1f} ms"
                    )
            for name in COMPARED:
                value = shot.measures[name].value if name in shot.measures else None
                if value is not None and np.isfinite(row[name]):
                    apart[name].append((value - row[name]) / row[f"{name}_se"])
        extra += len(struck) - len(taken)
        print(f"golfer {golfer}: {len(offline)} swings offline, {len(struck)} live, {live.share:.3f} of a core")
    print(
        f"verdicts: {agree} of {sure} sure shots agree ({total} shots, {missed} not seen, {extra} seen that are none)"
    )
    print(
        f"as shown.parquet holds them {agree_shown}, at the end {agree_last}; {changed} of {total} changed; first told "
        f"as practice swings {unlike}, at the end {unlike_last}"
    )
    print(
        "lateness, s: p50 {:.3f}, p90 {:.3f}, p99 {:.3f}, max {:.3f}".format(*np.quantile(late, [0.5, 0.9, 0.99, 1.0]))
    )
    for name, values in apart.items():
        print(f"  {name}: differs by {np.sqrt(np.mean(np.square(values))):.2f} standard errors (root mean square)")


def load(shots: int, seed: int) -> None:
    """Processor time of five sensors at 400 Hz, with disk and messages."""
    recording, _ = simulate_recording(seed=seed, shots=shots, preset="realistic", points=FIVE, rate=400.0)
    lasts = max(stream.duration_s for stream in recording.sensors.values())
    rates = ", ".join(f"{point} {stream.rate:g} Hz" for point, stream in recording.sensors.items())
    with tempfile.TemporaryDirectory() as folder:
        source = Replay(recording, speed=math.inf)
        live = _live(Path(folder), recording, source)
        start = time.process_time()
        live.run()
        used = time.process_time() - start
    print(f"{lasts:.0f} s of {rates}: {used:.1f} s of processor time, {used / lasts:.1%} of a core")


MEMORY_TURN_S = 0.1
"""For hours of replay samples come in larger portions."""


class Again(Replay):
    """A recording over and over until it has played for `until_s`."""

    def __init__(self, recording: Recording, *, until_s: float) -> None:
        super().__init__(recording, speed=math.inf, turn_s=MEMORY_TURN_S)
        self.until_s = until_s

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        """Each time later by the length of the recording."""
        length, shift = 0.0, 0.0
        while shift < self.until_s:
            for arrival in super().arrivals(after):
                chunks = tuple(
                    replace(chunk, rows=_later(chunk.rows, shift), arrival=chunk.arrival + shift)
                    for chunk in arrival.chunks
                )
                length = arrival.now + 1.0
                yield replace(
                    arrival, now=arrival.now + shift, chunks=chunks, events=arrival.events if not shift else ()
                )
            shift += length


def _later(rows: np.ndarray, shift: float) -> np.ndarray:
    moved = np.array(rows)
    moved[:, TIME_COLUMN] += shift
    return moved


def memory(hours: float, shots: int, seed: int) -> None:
    """Resident memory while a lesson is played for hours."""
    recording, _ = simulate_recording(seed=seed, shots=shots, preset="realistic")
    count = 0
    every = 600.0
    following = [every]

    def say(message: Message) -> None:
        nonlocal count
        count += isinstance(message, Shot) and not message.revised
        if live.state.now >= following[0]:
            following[0] += every
            print(f"{live.state.now / 3600:5.2f} h  {_resident_mb():7.1f} MB  {count} swings", flush=True)

    with tempfile.TemporaryDirectory() as folder:
        source = Again(recording, until_s=3600.0 * hours)
        live = _live(Path(folder), recording, source)
        live._say = say
        start = time.process_time()
        finished = live.run()
        used = time.process_time() - start
        size = sum(path.stat().st_size for path in finished.path.parent.iterdir()) / 1e6
    print(
        f"{live.state.now / 3600:.2f} h in {used:.0f} s of processor time ({used / live.state.now:.1%} of a core), "
        f"{size:.0f} MB on disk, most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


def _live(folder: Path, recording: Recording, source: Replay) -> Live:
    start_dataset(folder / "into", name="Bench", description="Simulated.", simulated=True)
    session = Session(participant="X", session="1", task="chip", lead_side=recording.lead_side)
    return Live(folder / "into", session, source, hub=Hub())


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    """Run one of the benches."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("verdicts", "load", "memory"))
    parser.add_argument("--golfers", type=int, default=8)
    parser.add_argument("--shots", type=int, default=20)
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--preset", choices=("realistic", "hard"), default="realistic")
    parser.add_argument("--hours", type=float, default=4.0)
    args = parser.parse_args()
    if args.what == "verdicts":
        verdicts(args.golfers, args.shots, args.seed, args.preset)
    elif args.what == "load":
        load(args.shots, args.seed)
    else:
        memory(args.hours, args.shots, args.seed)


if __name__ == "__main__":
    main()
