"""Damaged, mixed and endless files: one sentence that names the file and what to do, and nothing written."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from import_for_tests import bring_in, three_files

from imuswing.errors import RecordingError
from imuswing.formats import text
from imuswing.formats.text import read_text_table

HEADER = "time,acc_x,acc_y,acc_z,gyr_x,gyr_y,gyr_z"
ROWS = [f"{k / 100:.2f},{k % 7},0.5,9.81,0.1,{-k % 5}.25,0.3" for k in range(400)]


def damaged(change: str) -> str | bytes:
    """A good file of 400 rows with one thing wrong."""
    rows = list(ROWS)
    if change == "cut off":
        return "\n".join([HEADER, *rows])[:-9]
    if change == "mixed separators":
        rows[200:] = [row.replace(",", ";") for row in rows[200:]]
    if change == "repeated header":
        rows.insert(200, HEADER)
    if change == "numbers in text":
        rows[200] = rows[200].replace("9.81", "9.81 m/s2")
    if change == "too few cells":
        rows[200] = "2.00,1,2"
    if change == "NUL bytes late":
        rows[300] = "\0" * 20
    if change == "NUL bytes early":
        rows[3] = "\0" * 20
    if change == "infinite":
        rows[200] = rows[200].replace("9.81", "1e999")
    if change == "not text":
        return bytes(np.random.default_rng(0).integers(0, 256, 5000, dtype=np.uint8))
    if change == "empty":
        return ""
    if change == "no numbers":
        return "\n".join(f"dear diary, day {k}" for k in range(50))
    return "\n".join([HEADER, *rows]) + "\n"


SAYS = {
    "cut off": r"ends in the middle of line 401, so it was cut off; copy it again",
    "mixed separators": r"separated by comma above line 202 and by semicolon there; export it again",
    "repeated header": r"repeats its header in line 202, so it holds two recordings; cut it there",
    "numbers in text": r"line 202 holds '9.81 m/s2' where 'acc_z' needs a number; correct that cell",
    "too few cells": r"line 202 has 3 cells instead of 7; export it again",
    "NUL bytes late": r"holds NUL bytes \(line 302\)",
    "NUL bytes early": r"holds NUL bytes \(line 5\)",
    "infinite": r"infinite",
    "not text": r"NUL bytes|no row of numbers",
    "empty": r"is empty; export it",
    "no numbers": r"no row of numbers in its first 50 lines; export it as delimited text",
}


@pytest.mark.parametrize("change", SAYS)
def test_damaged_text_is_refused_with_the_line_and_what_to_do(change: str, tmp_path: Path) -> None:
    file, content = tmp_path / "chest.csv", damaged(change)
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(RecordingError, match=SAYS[change]) as caught:
        read_text_table(file)
    message = str(caught.value)
    assert message.startswith(str(file))
    assert message.count("\n") == 0
    assert message.endswith(".")


def test_the_good_file_is_read(tmp_path: Path) -> None:
    """Guards the damaged ones: without the damage all is well."""
    file = tmp_path / "chest.csv"
    file.write_text(str(damaged("nothing")))
    table = read_text_table(file)
    assert list(table.columns) == HEADER.split(",")
    np.testing.assert_array_equal(table.columns["time"], np.arange(400) / 100)


@pytest.mark.parametrize("change", ["nothing", "lost cells", "old line ends", "trailing separator"])
def test_habits_that_harm_nothing_are_read(change: str, tmp_path: Path) -> None:
    rows = list(ROWS)
    if change == "lost cells":
        rows[7] = rows[7].replace("9.81", "")
        rows[8] = rows[8].replace("9.81", "NaN")
    end = "\r" if change == "old line ends" else "\n"
    more = "," if change == "trailing separator" else ""
    file = tmp_path / "chest.csv"
    file.write_bytes((end.join(f"{row}{more}" for row in [HEADER, *rows]) + end).encode())
    table = read_text_table(file)
    assert table.count == 400
    lost = np.isnan(table.columns["acc_z"])
    assert np.flatnonzero(lost).tolist() == ([7, 8] if change == "lost cells" else [])


def imported(folder: Path, change: str) -> tuple[int, Path]:
    """Exit status of an import of three files, the hand's with rows of another order or time; and the dataset."""
    files = three_files(folder)
    lines = files[2].read_text().splitlines()
    if change == "out of order":
        lines[5000], lines[5001] = lines[5001], lines[5000]
    if change == "two recordings":
        lines += lines[1:3000]
    if change == "no time":
        lines[5000] = lines[5000][lines[5000].index(",") :]
    files[2].write_text("\n".join(lines) + "\n")
    return bring_in(files, folder / "lessons"), folder / "lessons"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("out of order", "has rows out of order: time runs backwards in line 5002; sort it by time"),
        ("two recordings", "starts its time anew in line 14167, so it holds two recordings; cut it there"),
        ("no time", "has no time in line 5001"),
    ],
)
def test_nothing_is_half_imported(change: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The first two files are good, the third is not."""
    status, dataset = imported(tmp_path, change)
    message = capsys.readouterr().err.strip().splitlines()[-1]
    assert status == 1
    assert says in message
    assert "hand.csv" in message
    assert not dataset.exists()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"PK\x03\x04" + bytes(200), "is a spreadsheet or a packed folder; save it as CSV there"),
        (b"\x1f\x8b\x08" + bytes(200), r"is packed \(gzip\); unpack it first"),
        (b"1,2,3 " * 50_000, "has no end of line in its first 65536 bytes"),
        (b"1,2,3,4,5,6\n" * 20_000 + b"7" * 9_000_000, "has no end in line 20001, so it is damaged"),
    ],
)
def test_files_that_are_no_tables(content: bytes, says: str, tmp_path: Path) -> None:
    file = tmp_path / "chest.csv"
    file.write_bytes(content)
    with pytest.raises(RecordingError, match=says):
        read_text_table(file)


@pytest.mark.parametrize("kind", ["npz", "mat"])
def test_a_small_file_that_holds_far_too_much_is_refused(kind: str, tmp_path: Path) -> None:
    """60 million zeros, packed into some hundred kilobytes."""
    import scipy.io

    from imuswing.formats.bring_in import read_tables

    file = tmp_path / f"chest.{kind}"
    zeros = np.zeros((20_000_000, 3), dtype=np.int8 if kind == "mat" else np.float64)
    if kind == "npz":
        np.savez_compressed(file, chest_acc=zeros)
    else:
        scipy.io.savemat(file, {"chest_acc": zeros}, do_compression=True)
    assert file.stat().st_size < 2_000_000
    with pytest.raises(RecordingError, match="far more than a lesson; cut it into lessons"):
        read_tables([file])


def test_a_file_far_too_large_is_refused_early(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "MOST_VALUES", 1000)
    file = tmp_path / "chest.csv"
    file.write_text("\n".join([HEADER, *ROWS]) + "\n")
    with pytest.raises(RecordingError, match="holds more than 1000 numbers, far more than a lesson; cut it"):
        read_text_table(file)


def test_memory_stays_bounded_where_a_file_is_endless(tmp_path: Path) -> None:
    """25 MB of which 3 MB may be kept: reading ends there, in the 250 MB that Python with its libraries needs."""
    if not Path("/proc/self/status").exists():
        pytest.skip("this system does not tell the peak of a process' memory in /proc")
    file = tmp_path / "chest.csv"
    block = ("\n".join(ROWS) + "\n").encode()
    with file.open("wb") as out:
        out.write((HEADER + "\n").encode())
        for _ in range(2000):  # 800,000 rows, about 25 MB
            out.write(block)
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from imuswing.formats import text\n"
        "text.MOST_VALUES = 500_000\n"
        "try:\n    text.read_text_table(Path(sys.argv[1]))\n"
        "except Exception as error:\n    print(error)\n"
        "status = Path('/proc/self/status').read_text()\n"
        "print(status.split('VmHWM:')[1].split()[0])\n"
    )
    run = subprocess.run([sys.executable, "-c", code, file], capture_output=True, text=True, check=True, timeout=120)
    message, peak = run.stdout.strip().splitlines()
    assert "holds more than 500000 numbers" in message
    assert int(peak) / 1024 < 250.0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--rate", "-5"], "--rate is -5; it must be a positive number"),
        (["--sensors", "nose"], "'chest'"),
        (["--sensors", "chest"], "--sensors names 1, but the files hold 3 sensors"),
        (["--run", "two"], "it must be a number"),
        (["--map", "missing.toml"], "cannot be read"),
    ],
)
def test_wrong_options_are_refused(
    options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bring_in(three_files(tmp_path), tmp_path / "lessons", *options) in (1, 2)
    assert says in capsys.readouterr().err
    assert not (tmp_path / "lessons").exists()
