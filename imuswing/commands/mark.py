"""`imuswing mark`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from imuswing.marking.edits import Edit
    from imuswing.marking.lines import Line
    from imuswing.recording.model import Recording

SUMMARY = "Show what is marked or found in a recording (steps, blocks, shots); add, correct or delete it."
EXAMPLE = "imuswing mark lessons/sub-S001/ses-01 --step bow@12.5-22.5 --outcome 7=thin --delete 9"

EDITS = (
    ("step", "NAME@START-END", "mark a step of the routine, such as bow@12.5-22.5 or bow@12.5+10"),
    (
        "block",
        "NAME@START-END",
        "mark a block, such as baseline@1:00-3:00 or, with its intention, drill@60-180=turn on",
    ),
    ("shot", "TIME", "note a shot, such as 123.4 or, with its outcome, 123.4=thin"),
    ("tap", "TIME", "mark a knock of all sensors"),
    ("impact", "TIME", "a ball was struck here, where no shot was found"),
    ("delete", "N", "delete line N; a swing or step that was found is not found again"),
    ("undo", "N", "take back what was set by hand on line N"),
    ("keep", "N", "mark the step that was found on line N"),
    ("move", "N=TIME", "correct the time of line N: a start, START-END, or a swing's impact"),
    ("outcome", "N=TEXT", "what became of the shot on line N (nothing after = clears it)"),
    ("kind", "N=KIND", "the swing on line N is a shot or practice"),
    ("intent", "N=TEXT", "what the block or shot on line N aims at"),
    ("rename", "N=NAME", "another name for the block on line N"),
    ("note", "N=TEXT", "a note on line N"),
)
"""Each word with what stands behind it and what it does."""
HELP = "\n".join(f"  {verb} {shape:<16}{text}" for verb, shape, text in EDITS)
HELP += "\nInstead of N, @TIME means the swing whose impact is there (rename, intent: the block)."


class AddEdit(argparse.Action):
    """Collects the edits of all options in the order of the command line."""

    def __call__(
        self, parser: Any, namespace: argparse.Namespace, values: Any, option_string: str | None = None
    ) -> None:
        """Append (verb, text)."""
        assert option_string is not None
        namespace.edits = [*namespace.edits, (option_string.removeprefix("--"), values)]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="a *_motion.tsv; of a folder with several, all are shown"
    )
    parser.add_argument("--list", action="store_true", help="only show, also at a terminal")
    parser.add_argument(
        "--apply", type=Path, metavar="FILE", help="make the corrections that were saved from the coach's page"
    )
    for verb, shape, text in EDITS:
        parser.add_argument(f"--{verb}", action=AddEdit, dest="edits", default=[], metavar=shape, help=text)


def run(args: argparse.Namespace) -> int:
    """Show the list; change it by the options, or by what is typed at a terminal."""
    from imuswing.errors import SettingsError
    from imuswing.marking.edits import Edit
    from imuswing.recording.read import find_recordings

    paths = find_recordings(args.recording)
    if args.apply is not None:
        if args.edits:
            raise SettingsError("--apply stands by itself; write further changes into its file or call mark once more")
        return _apply(args.apply, paths)
    edits = [Edit(verb=verb, text=text) for verb, text in args.edits]
    if edits and len(paths) > 1:
        raise SettingsError(f"{args.recording} holds {len(paths)} recordings; name one, such as {paths[0]}")
    for path in paths:
        recording = _read(path)
        listed, reason = _listed(recording)
        if edits:
            _save(recording, listed, edits)
            continue
        _show(path, listed, reason)
        if len(paths) == 1 and not args.list and _asks():
            _session(recording, listed)
    return 0


def _apply(sheet: Path, paths: Sequence[Path]) -> int:
    """Make the edits of a file; none is written before all of them are found sound."""
    from imuswing.errors import SettingsError
    from imuswing.marking.edits import edited
    from imuswing.marking.sheet import read_sheet, recordings_meant

    sound = []
    for path, edits in recordings_meant(sheet, read_sheet(sheet), paths).items():
        recording = _read(path)
        listed, _ = _listed(recording)
        try:
            edited(recording, listed, edits)
        except SettingsError as error:
            raise SettingsError(f"{sheet}, about {path.name}: {error}") from error
        sound.append((recording, listed, edits))
    for recording, listed, edits in sound:
        _save(recording, listed, edits)
    return 0


def _asks() -> bool:
    """Whether somebody sits at a terminal who can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _read(path: Path) -> Recording:
    """A recording as the analysis takes it: a mark that stands twice is one, and so it is written."""
    from imuswing.recording.read import read
    from imuswing.swings.event_doubts import marked_once

    recording = read(path)
    return recording.with_events(marked_once(recording.events)[0])


def _listed(recording: Recording) -> tuple[tuple[Line, ...], str | None]:
    from imuswing.marking.lines import lines, look

    seen = look(recording)
    return lines(recording, seen), seen.reason


def _show(path: Path, listed: Sequence[Line], reason: str | None) -> None:
    from imuswing.marking.lines import table

    print(path.name)
    print("\n".join(table(listed)) if listed else "nothing is marked, and nothing was found")
    if reason:
        print(f"swings were not looked for: {reason}")


def _save(recording: Recording, listed: Sequence[Line], edits: Sequence[Edit]) -> None:
    """Write the events and show the list anew, since measures and numbers follow from it."""
    from imuswing.marking.edits import edited
    from imuswing.marking.outcomes import doubtful_outcomes
    from imuswing.recording.read import read
    from imuswing.recording.write import write_events

    assert recording.source is not None
    events = edited(recording, listed, edits)
    if events == read(recording.source).events:
        print("nothing changes")
        return
    written = write_events(recording.with_events(events))
    again, reason = _listed(read(recording.source))
    _show(recording.source, again, reason)
    for sentence in doubtful_outcomes(recording.events, events):
        print(sentence)
    print(f"written: {written}; analyze the recording again to have the measures follow")


def _session(recording: Recording, listed: Sequence[Line]) -> None:
    """Edits typed one a line, with the numbers of the list above; nothing is written before `save`."""
    from imuswing.errors import SettingsError
    from imuswing.marking.edits import Edit, edited

    print("Type a change, such as 'delete 3' or 'outcome 5=thin'; 'help' lists all, 'save' writes, 'quit' does not.")
    edits: list[Edit] = []
    while True:
        try:
            typed = input("mark> ").strip()
        except EOFError:
            typed = "quit"
        verb, _, text = typed.partition(" ")
        if verb == "save":
            _save(recording, listed, edits)
            return
        if verb == "quit":
            print(f"{len(edits)} changes left out" if edits else "nothing changed")
            return
        if verb == "help":
            print(HELP)
        elif verb:
            try:
                edited(recording, listed, [*edits, Edit(verb=verb, text=text)])
            except SettingsError as error:
                print(error)
            else:
                edits.append(Edit(verb=verb, text=text))
                print(f"{len(edits)} to save")
