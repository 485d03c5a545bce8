# ruff: noqa: E402 - the thread settings must come before numpy
"""How fast an analysis is, against a floor, and how much memory it takes: `python scripts/speed.py [--write]`.

A lesson of three sensors at 200 Hz is simulated and written once into a temporary folder. Every job then runs in a
process of its own, on one core but for the reader of tables, and tells the time it took after its imports: best of
several runs, in seconds of processor time and of the clock. The floor is what no program that does this job can do
without: reading the file with the fastest reader, and one bare call of the same orientation filter a sensor.
`--write` writes docs/speed.md. Nothing is asserted here, since time depends on the machine.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import functools
import json
import platform
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imuswing.orientation.filters import Method

ROOT = Path(__file__).resolve().parent.parent
DOCUMENT = ROOT / "docs" / "speed.md"
STAGES = {
    "prepared_part": "sensors: grid, gaps, bias, clocks",
    "learn_and_orient": "sensors' fixed errors, orientation over the whole lesson",
    "routine_of": "calibration steps",
    "rough_swings": "find movements shaped like a swing",
    "follow_swings": "orientation within what may be a swing",
    "judge": "swing or not, shot or practice, impact",
    "with_others": "orientation of the other segments within swings",
    "place": "moments",
    "tie_swings": "headings of hand and forearm tied",
    "measure_cuts": "angles, rates, tempo with standard errors, curves",
}
PURE_METHODS: tuple[Method, ...] = ("mahony", "madgwick", "ekf")
PURE_SECONDS = 20.0
"""So much of one sensor is run through each filter in pure Python; it is told for the whole from that."""

BUSY_LOAD = 1.5
"""With more programs running than this, others than ours were among them."""

LENGTHS = (0.25, 0.5, 1.0, 2.0)
"""Lengths, as a share of the lesson, at which memory is measured: the lesson's own data repeated or cut."""

LONG_HOURS = 10.0
"""And so long a recording, the lesson over and over."""


def main() -> None:
    """Simulate, measure, print, perhaps write the page."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shots", type=int, default=200, help="shots of the simulated lesson (200: about an hour)")
    parser.add_argument("--runs", type=int, default=3, help="runs of each job, of which the best counts")
    parser.add_argument("--write", action="store_true", help="write docs/speed.md")
    parser.add_argument("--lesson", type=Path, help="a dataset with one recording at 200 Hz, instead of simulating one")
    parser.add_argument("--job", choices=sorted(JOBS), help=argparse.SUPPRESS)
    parser.add_argument("--path", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.job:
        print(json.dumps(JOBS[args.job](args.path)))
        return
    with tempfile.TemporaryDirectory() as folder:
        found = _measured(Path(folder), args.lesson, args.shots, args.runs)
    lines = _told(found)
    print("\n".join(lines))
    if args.write:
        DOCUMENT.write_text("\n".join(_page(found, lines)) + "\n", encoding="utf-8")


def _measured(folder: Path, lesson: Path | None, shots: int, runs: int) -> dict[str, Any]:
    if lesson is None:
        _simulate(folder / "dataset", shots)
    else:
        shutil.copytree(lesson, folder / "dataset")
    path, hours, samples = _lesson(folder / "dataset")
    found: dict[str, Any] = {"hours": hours, "samples": samples}
    for job in ("floor", "analysis", "with_page"):
        done = [_apart(job, path) for _ in range(runs)]
        found[job] = min(done, key=lambda each: each["cpu"])
    found["pure"] = _apart("pure", path)
    lengths = [*LENGTHS, LONG_HOURS / hours]
    found["memory"] = [_apart("memory", _of_length(path, folder, share)) for share in lengths]
    found["short"] = _short(folder, runs)
    found["help"] = _clock([sys.executable, "-m", "imuswing", "--help"], runs)
    return found


def _apart(job: str, path: Path) -> dict[str, Any]:
    command = [sys.executable, str(Path(__file__).resolve()), "--job", job, "--path", str(path)]
    done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=ROOT)
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def _clock(command: list[str], runs: int) -> float:
    """Seconds by the clock of a whole process, the best of several."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, cwd=ROOT)
        times.append(time.perf_counter() - start)
    return min(times)


def _simulate(folder: Path, shots: int) -> None:
    from imuswing.recording.write import start_dataset, write_recording
    from imuswing.simulate import simulate_recording

    recording, _ = simulate_recording(seed=5, task="pitch", shots=shots, rate=200.0, preset="realistic")
    start_dataset(folder, name="Speed", description="Simulated; no real person.", simulated=True)
    write_recording(recording, folder, acq_time=datetime(2026, 1, 1, 10, 0, 0))


def _lesson(dataset: Path) -> tuple[Path, float, int]:
    """The first motion table of a dataset, how many hours it lasts, and the samples of all its sensors."""
    from imuswing.recording.read import read

    path = sorted(dataset.glob("**/*_motion.tsv"))[0]
    sensors = read(path).sensors.values()
    return path, max(stream.duration_s for stream in sensors) / 3600.0, sum(len(stream.time) for stream in sensors)


def _of_length(path: Path, folder: Path, share: float) -> Path:
    """A dataset whose recording is a share of the lesson, or the lesson over and over, without its LATENCY jumping."""
    out = folder / f"length_{share}"
    shutil.copytree(folder / "dataset", out)
    table = out / path.relative_to(folder / "dataset")
    lines = path.read_bytes().splitlines(keepends=True)
    columns = table.with_name(table.name.replace("_motion.tsv", "_channels.tsv")).read_text("utf-8").splitlines()
    latency = next((k for k, row in enumerate(columns[1:]) if "LATENCY" in row.split("\t")), None)
    last = float(lines[-1].split(b"\t")[latency]) if latency is not None else 0.0
    with table.open("wb") as file:
        for k in range(int(share * len(lines))):
            again, place = divmod(k, len(lines))
            line = lines[place]
            if again and latency is not None:
                cells = line.split(b"\t")
                cells[latency] = b"%.6f" % (float(cells[latency]) + again * (last + 0.005))
                line = b"\t".join(cells)
            file.write(line if line.endswith(b"\n") else line + b"\n")
    return table


def _floor(path: Path) -> dict[str, Any]:
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv
    from vqf import offlineVQF

    from imuswing.recording.read import read

    rows = path.with_name(path.name.replace("_motion.tsv", "_channels.tsv")).read_text("utf-8").splitlines()[1:]
    streams = read(path).sensors.values()
    ready = [(np.nan_to_num(stream.gyr), np.nan_to_num(stream.acc, nan=9.81), 1.0 / stream.rate) for stream in streams]
    names = [str(k) for k in range(len(rows))]
    start = _now()
    pyarrow.csv.read_csv(
        path,
        read_options=pyarrow.csv.ReadOptions(column_names=names),
        parse_options=pyarrow.csv.ParseOptions(delimiter="\t", quote_char=False),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.float64()), null_values=["n/a"], check_utf8=False
        ),
    )
    between = _now()
    for gyr, acc, step in ready:
        offlineVQF(gyr, acc, None, step)
    end = _now()
    return {**_spent(start, end), "reading": _spent(start, between), "filter": _spent(between, end)}


def _analysis(path: Path, *, page: bool = False) -> dict[str, Any]:
    import pandas  # noqa: F401 - imports are start-up
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401
    import vqf  # noqa: F401

    import imuswing.judged as judged_module
    import imuswing.lesson as lesson_module
    import imuswing.quality
    import imuswing.report.lesson_page  # noqa: F401
    import imuswing.routine as routine_module
    from imuswing.recording.read import read
    from imuswing.results import write_results

    spent: dict[str, float] = defaultdict(float)
    for name in STAGES:
        module: Any = next(m for m in (lesson_module, routine_module, judged_module) if hasattr(m, name))
        setattr(module, name, _timed(getattr(module, name), name, spent))
    with tempfile.TemporaryDirectory() as out:
        start = _now()
        recording = read(path)
        after_read = _now()
        lesson = lesson_module.analyze(recording)
        analysed = _now()
        write_results(lesson, Path(out), report=page)
        end = _now()
    stages = {"read": _spent(start, after_read)["cpu"], **spent}
    stages["everything else in the analysis"] = _spent(after_read, analysed)["cpu"] - sum(spent.values())
    stages["write"] = _spent(analysed, end)["cpu"]
    peak = _peak_mb()
    return {**_spent(start, end), "stages": stages, "swings": len(lesson.swings), "peak_mb": peak}


def _peak_mb() -> float:
    """The largest this process was, MB. Linux tells its own in /proc (proc_pid_status(5)); what getrusage tells there
    takes in the process that started it, which has simulated an hour."""
    status = Path("/proc/self/status")
    if status.exists():
        return float(re.findall(r"VmHWM:\s+(\d+) kB", status.read_text())[0]) / 1024.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _pure(path: Path) -> dict[str, Any]:
    import numpy as np

    from imuswing.orientation.filters import estimate_quaternions
    from imuswing.recording.read import read

    stream = next(iter(read(path).sensors.values()))
    count = min(int(PURE_SECONDS * stream.rate), len(stream.time))
    gyr, acc = np.nan_to_num(stream.gyr[:count]), np.nan_to_num(stream.acc[:count], nan=9.81)
    found = {}
    for method in PURE_METHODS:
        estimate_quaternions(gyr[:100], acc[:100], rate=stream.rate, method=method)
        start = _now()
        estimate_quaternions(gyr, acc, rate=stream.rate, method=method)
        found[method] = _spent(start, _now())["cpu"] / count
    return found


def _memory(path: Path) -> dict[str, Any]:
    result = _analysis(path)
    lines = sum(1 for _ in path.open("rb"))
    return {"hours": lines / 200.0 / 3600.0, "peak_mb": result["peak_mb"], "cpu": result["cpu"]}


JOBS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "floor": _floor,
    "analysis": _analysis,
    "with_page": functools.partial(_analysis, page=True),
    "pure": _pure,
    "memory": _memory,
}


def _short(folder: Path, runs: int) -> dict[str, float]:
    """The lesson that ships with the project through the whole command, and what of that is start-up."""
    recording = sorted((ROOT / "recordings").glob("**/*_motion.tsv"))[0]
    command = [sys.executable, "-m", "imuswing", "analyze", str(recording), "--out", str(folder / "short")]
    imports = "import imuswing.lesson, imuswing.quality, pandas, pyarrow.csv, pyarrow.parquet, vqf"
    return {
        "bytes": float(recording.stat().st_size),
        "whole_s": _clock(command, runs),
        "imports_s": _clock([sys.executable, "-c", imports], runs),
        "python_s": _clock([sys.executable, "-c", "pass"], runs),
    }


def _now() -> tuple[float, float]:
    return time.process_time(), time.perf_counter()


def _spent(start: tuple[float, float], end: tuple[float, float]) -> dict[str, float]:
    return {"cpu": end[0] - start[0], "wall": end[1] - start[1]}


def _timed(function: Callable[..., Any], name: str, spent: dict[str, float]) -> Callable[..., Any]:
    @functools.wraps(function)
    def wrapper(*args: Any, **kwargs: Any) -> Any:
        start = time.process_time()
        try:
            return function(*args, **kwargs)
        finally:
            spent[name] += time.process_time() - start

    return wrapper


def _told(found: dict[str, Any]) -> list[str]:
    """The figures as Markdown tables."""
    hours, floor, ours = found["hours"], found["floor"], found["analysis"]
    lines = ["| Step | s a recorded hour | share |", "| --- | ---: | ---: |"]
    for name, seconds in ours["stages"].items():
        text = STAGES.get(name, {"read": "read the file", "write": "tables and quality record"}.get(name, name))
        lines.append(f"| {text} | {seconds / hours:.2f} | {100 * seconds / ours['cpu']:.0f} % |")
    lines += [f"| whole | {ours['cpu'] / hours:.2f} | 100 % |", ""]
    without = ours["cpu"] - ours["stages"]["learn_and_orient"]
    pure = ", ".join(
        f"{(without + each * found['samples']) / ours['cpu']:.0f} ({method})" for method, each in found["pure"].items()
    )
    page = found["with_page"]["cpu"] - ours["cpu"]
    short = found["short"]
    rows = [
        ("floor: read with the fastest reader", f"{floor['reading']['cpu']:.2f} s", ""),
        ("floor: the bare filter, each sensor", f"{floor['filter']['cpu']:.2f} s", ""),
        ("floor, clock", f"{floor['wall']:.2f} s", ""),
        ("analysis without page", f"{ours['cpu']:.2f} s", ""),
        ("analysis without page, clock", f"{ours['wall']:.2f} s", ""),
        ("analysis / floor", f"{ours['cpu'] / floor['cpu']:.2f}", "≤ 1.5; 2.0 is the least"),
        ("page", f"{page:.2f} s", "≤ 1.5 s"),
        ("the same with a filter in pure Python / analysis", pure, "≥ 20"),
        ("shipped recording, whole command, clock", f"{short['whole_s']:.2f} s", ""),
        ("of that, start of Python and imports, clock", f"{short['imports_s']:.2f} s", ""),
        ("`imuswing --help`, clock", f"{found['help']:.2f} s", "≤ 0.3 s"),
    ]
    lines += ["| Figure | here | limit |", "| --- | ---: | --- |"]
    lines += [f"| {text} | {value} | {limit} |" for text, value, limit in rows]
    lines += ["", "| Recorded hours | peak memory, MB | processor time, s |", "| ---: | ---: | ---: |"]
    lines += [f"| {one['hours']:.2f} | {one['peak_mb']:.0f} | {one['cpu']:.1f} |" for one in found["memory"]]
    first, last = found["memory"][0], found["memory"][-2]
    slope = (last["peak_mb"] - first["peak_mb"]) / (last["hours"] - first["hours"])
    lines += ["", f"Up to two hours that is {slope:.0f} MB for each further hour."]
    return lines


def _page(found: dict[str, Any], lines: list[str]) -> list[str]:
    busy = []
    if os.getloadavg()[0] > BUSY_LOAD:
        busy = ["Other programs kept this machine busy meanwhile: on a quiet one the figures may differ.", ""]
    return [
        "# Speed and memory",
        "",
        "Written by `scripts/speed.py --write`; run it to see the figures of your own machine.",
        "",
        f"A simulated lesson of {60 * found['hours']:.0f} minutes, three sensors at 200 Hz, "
        f"{found['analysis']['swings']} swings found; {platform.machine()}, Python {platform.python_version()}, one "
        "core but for the reader of tables. Seconds are those of the processor, best of several runs, after the "
        "imports, unless the clock is named. The *floor* is what the job cannot do without: reading the file with the "
        "fastest reader, and one bare call of the same orientation filter (offline VQF, full rate) a sensor.",
        "",
        *busy,
        *lines,
        "",
        "A recording of more than two hours is analysed in parts of about half an hour, which see some seconds of "
        "their neighbours and hand on the routine, clocks, learnt errors of the sensors, addresses and slips: beside "
        "one part only the samples as they were read and the results stay in memory, so there is no need to record "
        "in parts. Whether a movement is a swing, a shot, and when the ball was met is judged from the swings of its "
        "part.",
        "",
        "For many recordings use `imuswing batch`, which runs one process a core.",
    ]


if __name__ == "__main__":
    main()
