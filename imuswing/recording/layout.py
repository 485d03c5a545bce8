"""Names and places of the files of a Motion-BIDS dataset (BIDS specification 1.10, "Motion" and "File entities")."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from itertools import chain, combinations
from pathlib import Path
from typing import Final

from imuswing.errors import RecordingError

MOTION_TABLE: Final = "motion.tsv"
MOTION_SIDECAR: Final = "motion.json"
CHANNELS_TABLE: Final = "channels.tsv"
EVENTS_TABLE: Final = "events.tsv"
ENTITIES: Final[tuple[str, ...]] = ("sub", "ses", "task", "tracksys", "acq", "run")
"""Entities of a motion file in the order in which its name holds them."""

NEEDED_ENTITIES: Final[tuple[str, ...]] = ("sub", "task", "tracksys")


@dataclass(frozen=True, kw_only=True)
class MotionName:
    """The labels in the name of one tracking system's files, without `sub-`, `ses-`, …; None where there is none."""

    sub: str
    task: str
    tracksys: str | None
    ses: str | None = None
    acq: str | None = None
    run: str | None = None

    @property
    def parts(self) -> tuple[str, ...]:
        """`sub-01`, `task-chip`, … in their order."""
        labels = ((entity, getattr(self, entity)) for entity in ENTITIES)
        return tuple(f"{entity}-{label}" for entity, label in labels if label is not None)

    def file(self, suffix: str) -> str:
        """The file name with the suffix, such as `motion.tsv`."""
        return "_".join((*self.parts, suffix))

    def without_tracksys(self) -> MotionName:
        """The name that all tracking systems of a recording share."""
        return replace(self, tracksys=None)


def parse_motion_name(path: Path) -> MotionName:
    """The labels in the name of a `*_motion.tsv`; RecordingError where it is not named as Motion-BIDS asks."""
    *parts, suffix = path.name.split("_")
    if suffix != MOTION_TABLE:
        raise RecordingError(
            path, "is not a motion table", "point to a file that ends in _motion.tsv, a session folder or a dataset"
        )
    labels: dict[str, str] = {}
    for part in parts:
        entity, _, label = part.partition("-")
        if entity not in ENTITIES or not label or entity in labels:
            raise RecordingError(
                path,
                f"has {part!r} in its name, where only one each of {', '.join(ENTITIES)} may stand",
                "name it sub-…_ses-…_task-…_tracksys-…_acq-…_run-…_motion.tsv",
            )
        labels[entity] = label
    missing = [f"{entity}-…" for entity in NEEDED_ENTITIES if entity not in labels]
    if missing:
        raise RecordingError(
            path,
            f"has no {' and no '.join(missing)} in its name",
            "name it sub-…_ses-…_task-…_tracksys-…_motion.tsv",
        )
    return MotionName(**labels)


def beside(motion: Path, suffix: str) -> Path:
    """The file with another suffix, such as `channels.tsv`, beside a motion table."""
    return motion.with_name(motion.name.removesuffix(MOTION_TABLE) + suffix)


def check_is_file(path: Path) -> None:
    """RecordingError unless `path` is a file."""
    if not path.exists():
        raise RecordingError(path, "does not exist", "check the path, or copy the file again if it was moved")
    if not path.is_file():
        raise RecordingError(path, "is not a file", "point to a file that ends in _motion.tsv")


def absolute(path: Path) -> Path:
    """The path from the root of the file system, without `..`; links are not followed."""
    return Path(os.path.abspath(path))


def dataset_root(path: Path, name: MotionName) -> Path:
    """The dataset's folder: the one that holds the `sub-…` folder above a motion file."""
    for parent in absolute(path).parents:
        if parent.name == f"sub-{name.sub}":
            return parent.parent
    raise RecordingError(
        path,
        f"does not stand in a folder sub-{name.sub} of a dataset",
        f"put it at DATASET/sub-{name.sub}/{f'ses-{name.ses}/' if name.ses else ''}motion/",
    )


def session_folder(root: Path, name: MotionName) -> Path:
    """The folder of the participant's session, or of the participant where there are no sessions."""
    folder = root / f"sub-{name.sub}"
    return folder / f"ses-{name.ses}" if name.ses is not None else folder


def scans_path(root: Path, name: MotionName) -> Path:
    """Where the session's `scans.tsv` stands."""
    parts = [part for part in name.parts if part.startswith(("sub-", "ses-"))]
    return session_folder(root, name) / "_".join((*parts, "scans.tsv"))


def motion_files(path: Path) -> dict[str, Path]:
    """The motion tables of all tracking systems of the recording to which `path` belongs, by name of the system."""
    name = parse_motion_name(path)
    check_is_file(path)
    shared = name.without_tracksys()
    files: dict[str, Path] = {}
    for candidate in path.parent.glob(f"sub-{name.sub}_*_tracksys-*_{MOTION_TABLE}"):
        if split_tracksys(candidate.name)[0] == split_tracksys(path.name)[0]:
            other = parse_motion_name(candidate)
            if other.without_tracksys() == shared and other.tracksys is not None:
                files[other.tracksys] = candidate
    return dict(sorted(files.items()))


def split_tracksys(file_name: str) -> tuple[str, str]:
    """A file name without its `_tracksys-…`, and the label that was taken out."""
    found = re.search(r"_tracksys-([^_]*)", file_name)
    if found is None:
        return file_name, ""
    return file_name[: found.start()] + file_name[found.end() :], found.group(1)


def inherited(path: Path, root: Path, suffix: str) -> list[Path]:
    """The files with `suffix` that apply to a motion file, the most general first (BIDS, "The Inheritance Principle").

    A file applies if it stands in a folder from the dataset's down to the motion file's and its name holds no other
    label than the motion file's.
    """
    name = parse_motion_name(path)
    sub, ses = f"sub-{name.sub}", f"ses-{name.ses}"
    subject = os.path.join(root, sub)
    session, fixed = (subject, sub) if name.ses is None else (os.path.join(subject, ses), f"{sub}_{ses}")
    places = {os.fspath(root): "", subject: sub, session: fixed, os.path.dirname(os.path.abspath(path)): fixed}
    free = [part for part in name.parts if not part.startswith(("sub-", "ses-"))]
    chosen = list(chain.from_iterable(combinations(free, count) for count in range(len(free) + 1)))
    # Plain text instead of paths: this runs often, and most of these files are not there.
    candidates = (
        os.path.join(folder, "_".join((*((begin,) if begin else ()), *more, suffix)))
        for folder, begin in places.items()
        for more in chosen
    )
    return [Path(candidate) for candidate in candidates if os.path.isfile(candidate)]
