"""An import that is killed leaves the old state, the new one, or one that says that it is unfinished."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from import_for_tests import WHO, bring_in, three_files

from imuswing.errors import RecordingError
from imuswing.recording import write
from imuswing.recording.read import read_all

VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")
KILLED = """
import os, sys
from imuswing.cli import main
left = int(sys.argv[1])
rename = os.replace
def replace(*paths):
    global left
    if left == 0:
        os._exit(9)  # as if killed: nothing is cleaned up
    left -= 1
    rename(*paths)
os.replace = replace
sys.exit(main(sys.argv[2:]))
"""


def run(files: list[Path], root: Path, after: int, *more: str) -> int:
    """Import in a process of its own that dies at the rename number `after`."""
    arguments = ["import", *map(str, files), "--into", str(root), *WHO, *more]
    return subprocess.run(
        [sys.executable, "-c", KILLED, str(after), *arguments], capture_output=True, timeout=120, check=False
    ).returncode


def state(root: Path) -> dict[str, bytes]:
    """The visible files of recordings."""
    found = [path for path in root.rglob("*_motion*") if path.is_file() and not path.name.startswith(".")]
    return {str(path.relative_to(root)): path.read_bytes() for path in found}


def sensors_of(root: Path) -> list[str]:
    """Sensors of all recordings, `unfinished` where reading says so."""
    if not list(root.rglob("sub-*_motion.tsv")):
        return []
    try:
        return [point for recording in read_all(root) for point in recording.sensors]
    except RecordingError as error:
        return ["unfinished" if "is missing, though scans.tsv names it" in str(error) else str(error)]


@pytest.fixture
def short(tmp_path: Path) -> list[Path]:
    """Three files of 20 seconds."""
    files = three_files(tmp_path)
    for file in files:
        file.write_text("".join(file.read_text().splitlines(keepends=True)[:2001]))
    return files


def test_an_import_that_is_killed_leaves_nothing_half_imported(short: list[Path], tmp_path: Path) -> None:
    whole = ["chest", "lead_forearm", "lead_hand"]
    seen = []
    for after in range(40):
        root = tmp_path / f"lessons{after}"
        status = run(short, root, after)
        found = sensors_of(root)
        assert found in ([], ["unfinished"], whole)
        seen.append(found)
        if status == 0:
            break
        # The same again puts it right.
        assert bring_in(short, root, *(["--overwrite"] if found else [])) == 0
        assert sensors_of(root) == whole
    assert status == 0
    assert [] in seen
    assert ["unfinished"] in seen


def test_a_full_disk_leaves_no_part_of_a_recording(
    short: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The disk is full at every file in turn, as on a tmpfs of some kB; what was there, or a dataset without the
    recording, stays, and the same import goes through once there is room."""
    write_text, write_columns = Path.write_text, write.write_columns
    room = 0

    def limited(writer: Callable[..., Any]) -> Callable[..., Any]:
        def limited_writer(*args: Any, **options: Any) -> Any:
            nonlocal room
            if room == 0:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            room -= 1
            return writer(*args, **options)

        return limited_writer

    for count in range(40):
        root, room = tmp_path / f"lessons{count}", count
        with monkeypatch.context() as patch:
            patch.setattr(Path, "write_text", limited(write_text))
            patch.setattr(write, "write_columns", limited(write_columns))
            status = bring_in(short, root)
        if status == 0:
            break
        told = capsys.readouterr().err.splitlines()[-1]
        assert told == f"{root}: no space is left on the disk; make room and start again."
        left = sorted(path.name for path in root.rglob("*"))
        assert set(left) <= {"README.md", "dataset_description.json", "participants.tsv", "participants.json"}
        assert bring_in(short, root) == 0
    assert status == 0
    assert count > 12


def test_overwriting_that_is_killed_never_mixes_old_and_new(short: list[Path], tmp_path: Path) -> None:
    """The new recording is shorter, with a sensor less; at every step what can be read is the old or the new one."""
    newer = [tmp_path / "new" / file.name for file in short[:2]]
    (tmp_path / "new").mkdir()
    for old, new in zip(short, newer, strict=False):
        new.write_text("".join(old.read_text().splitlines(keepends=True)[:1501]))
    for after in range(40):
        root = tmp_path / f"lessons{after}"
        assert bring_in(short, root) == 0
        before = state(root)
        status = run(newer, root, after, "--overwrite")
        found = sensors_of(root)
        assert found in ([], ["unfinished"], ["chest", "lead_forearm", "lead_hand"], ["chest", "lead_forearm"])
        if len(found) == 3:
            assert state(root) == before
        elif len(found) == 2:
            assert {len(s.time) for r in read_all(root) for s in r.sensors.values()} == {1500}
        else:
            # What was there can be had back by hand.
            assert list(root.rglob(".*_motion.tsv.*.old"))
        if status == 0:
            break
    assert status == 0
    assert sensors_of(root) == ["chest", "lead_forearm"]
    assert not list(root.rglob(".*"))


def test_what_a_killed_import_leaves_can_be_validated(short: list[Path], tmp_path: Path) -> None:
    """Killed while the first files are renamed: once the import is repeated the official validator has no error."""
    if not VALIDATOR.exists():
        pytest.skip("bids-validator-deno is not installed (pip install .[test])")
    root = tmp_path / "lessons"
    assert run(short, root, 8) == 9
    assert bring_in(short, root, "--overwrite") == 0
    command = [VALIDATOR, root, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    issues = json.loads(result.stdout)["issues"]["issues"]
    assert [issue["code"] for issue in issues if issue["severity"] == "error"] == []
