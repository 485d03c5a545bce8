"""`imuswing import`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

SUMMARY = "Bring recordings of other formats into a dataset: delimited text, XDF, Parquet, NPZ, MATLAB."
EXAMPLE = (
    "imuswing import chest.csv forearm.csv hand.csv --into lessons --participant S001 --session 01 --task chip "
    "--lead-side left --yes"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add = parser.add_argument
    add("files", type=Path, nargs="+", metavar="FILES", help="one file a sensor, or one with all of them")
    add("--into", type=Path, required=True, metavar="DATASET", help="the dataset; started where there is none")
    add("--participant", required=True, metavar="LABEL", help="pseudonym, letters and digits")
    add("--session", required=True, metavar="LABEL", help="the visit, such as 01")
    add("--task", required=True, metavar="LABEL", help="kind of shot: chip, pitch, full, calibration or another")
    add("--acq", metavar="LABEL", help="a label more, where it is needed")
    add("--run", dest="number", metavar="N", help="number of the recording, where there are several of a task")
    add("--lead-side", choices=("left", "right"), help="for a new participant: the side nearer the target")
    add("--map", type=Path, metavar="FILE", help="what the columns mean (TOML), instead of guessing")
    add("--save-map", type=Path, metavar="FILE", help="write the guessed map there, to be changed, and import nothing")
    add("--rate", type=float, metavar="HZ", help="samples a second, where no time column tells")
    add("--sensors", metavar="POINTS", help="where each sensor sat, in the order of files and columns: chest,lead_hand")
    add("--events", type=Path, metavar="FILE", help="times and labels of steps, blocks and shots")
    add("--yes", action="store_true", help="take the guess without asking; doubts are printed all the same")
    add("--overwrite", action="store_true", help="replace a recording that is there under the same labels")


def run(args: argparse.Namespace) -> int:
    """Guess, show, ask, write."""
    from imuswing.formats.bring_in import Labels, find_maps, lead_side_of, make_recording, read_tables, write_import
    from imuswing.formats.mapping import map_text
    from imuswing.recording.tables import write_files

    side = lead_side_of(args.into, args.participant, args.lead_side)
    labels = Labels(participant=args.participant, session=args.session, task=args.task, acq=args.acq, run=args.number)
    _check(args)
    tables = read_tables(args.files)
    sensors = [point.strip() for point in args.sensors.split(",")] if args.sensors else []
    guess = find_maps(tables, map_path=args.map, rate=args.rate, sensors=sensors, lead_side=side)
    recording, assembled, doubts = make_recording(tables, guess.maps, labels=labels, lead_side=side, events=args.events)
    doubts = (*guess.doubts, *doubts)
    if args.map is None:
        print(map_text(guess.maps))
    for doubt in doubts:
        print(f"doubtful: {doubt}", file=sys.stderr)
    if args.save_map is not None:
        write_files({args.save_map: map_text(guess.maps, doubts=doubts)})
        print(f"written: {args.save_map}; change it where it is wrong, and import with --map {args.save_map}")
        return 0
    if args.map is None and not args.yes and not _agreed():
        print(
            "nothing was written; take the guess with --yes, or save the map (--save-map FILE), change it "
            "and give it with --map",
            file=sys.stderr,
        )
        return 2
    written = write_import(recording, assembled, guess.maps, dataset=args.into, doubts=doubts, overwrite=args.overwrite)
    for note in assembled.notes:
        print(f"done: {note}")
    for stream in recording.sensors.values():
        print(f"{stream.tracked_point}: {len(stream.time)} samples, {stream.rate:g} Hz, {stream.duration_s:.1f} s")
    print(f"written: {', '.join(str(path) for path in written.paths)}; the map: {written.map_path}")
    return 0


def _check(args: argparse.Namespace) -> None:
    """SettingsError for options that cannot be; before anything is read."""
    import math

    from imuswing.errors import SettingsError, require_one_of
    from imuswing.recording.dataset import check_label
    from imuswing.vocabulary import TRACKED_POINTS

    given = {"session": args.session, "task": args.task, "acq": args.acq, "run": args.number}
    for what, label in given.items():
        if label is not None:
            check_label(what, label)
    if args.number is not None and not args.number.isdecimal():
        raise SettingsError(f"--run is {args.number!r}; it must be a number")
    if args.rate is not None and not (math.isfinite(args.rate) and args.rate > 0):
        raise SettingsError(f"--rate is {args.rate:g}; it must be a positive number of Hz")
    for point in args.sensors.split(",") if args.sensors else ():
        require_one_of("--sensors", point.strip(), TRACKED_POINTS)


def _agreed() -> bool:
    if not sys.stdin.isatty():
        return False
    return input("Is that right? [y/N] ").strip().lower() in ("y", "yes", "j", "ja")
