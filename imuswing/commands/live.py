"""`imuswing live`."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from imuswing.live.hub import Hub
    from imuswing.live.messages import Band, Message
    from imuswing.live.model import Session, Source
    from imuswing.live.page import Served
    from imuswing.recording.model import Recording
    from imuswing.vocabulary import LeadSide

SUMMARY = "Record a lesson and tell each shot's verdict as it happens, from sensors or from a recording played again."
EXAMPLE = "imuswing live --into lessons --participant S001 --session 02 --task chip --replay RECORDING --no-page"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("--into", type=Path, required=True, metavar="DATASET", help="the dataset to record into")
    parser.add_argument("--participant", required=True, metavar="LABEL", help="who is recorded: a pseudonym")
    parser.add_argument("--session", required=True, metavar="LABEL", help="which visit, such as 02")
    parser.add_argument("--task", required=True, metavar="LABEL", help="kind of shot: chip, pitch, full or another")
    parser.add_argument("--replay", type=Path, metavar="RECORDING", help="play a recording as if it were streaming")
    parser.add_argument(
        "--speed", type=float, default=1.0, metavar="X", help="times its own pace; inf: all at once (1)"
    )
    parser.add_argument(
        "--lsl",
        action="store_true",
        help="take the sensors' Lab Streaming Layer streams; it opens ports to the network, see docs/live.md",
    )
    parser.add_argument("--no-page", action="store_true", help="no page, one line a shot here only")
    parser.add_argument("--port", type=int, default=0, metavar="N", help="of the page; 0: any that is free (0)")
    parser.add_argument(
        "--phone", action="store_true", help="let another device on this network see the page, by a one-time token"
    )
    parser.add_argument("--language", choices=("en", "de"), default="en", help="of the page (en)")
    parser.add_argument("--finish", action="store_true", help="only make an interrupted recording whole")


def run(args: argparse.Namespace) -> int:
    """Record until the source ends, the coach finishes or Ctrl-C."""
    from imuswing.recording.dataset import check_label

    for what in ("participant", "session", "task"):
        label = getattr(args, what).removeprefix({"participant": "sub-", "session": "ses-", "task": "task-"}[what])
        check_label(what, label)
        setattr(args, what, label)
    with _ended_as_by_ctrl_c():
        try:
            return _finish(args) if args.finish else _recorded(args)
        except KeyboardInterrupt:
            print("stopped; what was recorded is kept: this command goes on with it, --finish ends it", file=sys.stderr)
            return INTERRUPTED


INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it."""


@contextmanager
def _ended_as_by_ctrl_c() -> Iterator[None]:
    """A terminal that is closed, or a computer that shuts down, ends the recording and makes it whole."""
    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), signal.default_int_handler) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def _recorded(args: argparse.Namespace) -> int:
    from imuswing.errors import SettingsError
    from imuswing.live.hub import Hub

    if not 0 <= args.port <= LAST_PORT:
        raise SettingsError(f"--port is {args.port}; it must be from 0 (any that is free) to {LAST_PORT}")
    if (args.replay is None) == (not args.lsl):
        raise SettingsError("say where samples come from: --lsl for sensors, or --replay RECORDING")
    hub = Hub()
    source, session = _replay(args) if args.replay is not None else _sensors(args)
    return _record(args, session, source, hub)


LAST_PORT = 65535


def _finish(args: argparse.Namespace) -> int:
    from imuswing.errors import SettingsError
    from imuswing.live.journal import Journal, journal_folder
    from imuswing.live.model import Session
    from imuswing.live.session import finish_journal

    labels = {"participant": args.participant, "session": args.session, "task": args.task}
    named = Session(lead_side="left", **labels)
    journal = Journal.resume(args.into, named)
    if journal is None:
        raise SettingsError(f"{journal_folder(args.into, named)} holds no unfinished recording; nothing is to be done")
    print(f"written: {finish_journal(journal, args.into).path}")
    return 0


def _replay(args: argparse.Namespace) -> tuple[Source, Session]:
    from imuswing.live.model import Session
    from imuswing.live.replay import Replay
    from imuswing.recording.find import find_recordings
    from imuswing.recording.read import read

    recording = read(find_recordings(args.replay)[0])
    source = Replay(recording, speed=args.speed)
    lead_side = _lead_side(args, recording)
    session = Session(
        participant=args.participant,
        session=args.session,
        task=args.task,
        lead_side=lead_side,
        simulated=recording.simulated,
    )
    return source, session


def _sensors(args: argparse.Namespace) -> tuple[Source, Session]:
    from imuswing.live.lsl import LabStreams, not_there
    from imuswing.live.model import Session
    from imuswing.recording.dataset import dataset_folder
    from imuswing.recording.participants import read_lead_side

    # Only who has agreed to it is recorded: `imuswing new` asks.
    lead_side = read_lead_side(dataset_folder(args.into), args.participant)
    labels = {"participant": args.participant, "session": args.session, "task": args.task}
    streams = LabStreams()
    if lacking := not_there(streams.heads):
        print(lacking, flush=True)
    return streams, Session(lead_side=lead_side, **labels)


def _lead_side(args: argparse.Namespace, recording: Recording) -> LeadSide:
    """The participant's; one who is new takes it from the recording that is played, and so does a new dataset."""
    from imuswing.errors import SettingsError
    from imuswing.recording.dataset import DESCRIPTION, add_participant, start_dataset
    from imuswing.recording.participants import PARTICIPANTS, read_lead_side
    from imuswing.recording.tables import read_table

    if not (args.into / DESCRIPTION).is_file():
        about = "Recordings that were played again, as if they were streaming."
        start_dataset(args.into, name=args.into.resolve().name, description=about, simulated=recording.simulated)
    table = args.into / PARTICIPANTS
    rows = read_table(table, needed=("participant_id",), missing_do="") if table.is_file() else []
    if not any(row["participant_id"] == f"sub-{args.participant}" for row in rows):
        add_participant(args.into, participant=args.participant, lead_side=recording.lead_side)
    side = read_lead_side(args.into, args.participant)
    if side != recording.lead_side:
        raise SettingsError(
            f"sub-{args.participant} leads with the {side} side, the recording's golfer with the other; "
            "name another participant"
        )
    return side


def _record(args: argparse.Namespace, session: Session, source: Source, hub: Hub) -> int:
    from imuswing.live.session import Live

    bands, intents = _plan(args)
    # The page first: where its parts are missing nothing must have been begun.
    with _page(args, hub):
        live = Live(args.into, session, source, hub=hub, bands=bands, intents=intents, say=_say)
        if live.resumed:
            print("an interrupted recording of this participant, session and task goes on", flush=True)
        finished = live.run()
    print(f"written: {finished.path} and {finished.shown}")
    print(f"next: imuswing analyze {finished.path} --out FOLDER")
    return 0


def _plan(args: argparse.Namespace) -> tuple[dict[str, Band], tuple[str, ...]]:
    """The bands and words of the goals agreed with this participant for this task."""
    from imuswing.plan.files import plan_path, read_plan

    path = plan_path(args.into, args.participant)
    goals = read_plan(path).goals if path.exists() else ()
    here = [goal for goal in goals if goal.task in (None, args.task)]
    bands: dict[str, Band] = {goal.measure: (goal.low, goal.high) for goal in here}
    return bands, tuple(dict.fromkeys(goal.words for goal in here if goal.words))


def _page(args: argparse.Namespace, hub: Hub) -> AbstractContextManager[object]:
    """The page while it is served, its addresses printed; nothing with --no-page."""
    if args.no_page:
        return nullcontext()
    from imuswing.live.page import serve

    return _told(serve(hub, port=args.port, phone=args.phone, language=args.language))


@contextmanager
def _told(page: AbstractContextManager[Served]) -> Iterator[object]:
    with page as served:
        print(f"open {served.url} in a browser on this computer", flush=True)
        if served.phone_url is not None:
            print(f"on the phone: {served.phone_url}\n{served.warning}", flush=True)
        yield served


def _say(message: Message) -> None:
    """One line a shot, and what must be known at once."""
    from imuswing.live.lines import line

    text = line(message)
    if text is not None:
        print(text, flush=True)
