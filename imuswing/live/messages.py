"""What engine and page say to each other: plain frozen values, one JSON object each with its `type`.

Engine to page: `Hello` first, then the others as things happen; whoever connects later is sent `Hello` and the latest
state again. Page to engine: commands; each that changes something is answered by the message that shows the change
(`Block`, `Outcome`, …) or by a `Problem`. Times are s on the recording's common clock (from the first sample of the
first tracking system), angles degrees, rates degrees a second. What is not known is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from types import MappingProxyType
from typing import Any, Final, Literal, get_args

from imuswing.errors import SettingsError, require_one_of
from imuswing.vocabulary import CALIBRATION_STEPS

StepState = Literal["next", "doing", "good", "redo", "skipped"]
"""`next`: to be done; `doing`: started, `sign` and `share` say how it goes; `good`, `redo`: its verdict; `skipped`."""

Sign = Literal["waiting", "too_fast", "moving", "still", "turning", "enough"]
"""What the sensors see of a step: nothing yet; moving where stillness is needed (`moving`) or too fast; stillness; the
slow repeated movement; all that is needed."""

SensorState = Literal["waiting", "ok", "lost", "silent"]
"""`waiting`: no sample yet; `ok`; `lost`: samples are missing just now; `silent`: nothing comes any more."""

NoticeKind = Literal[
    "never_came",
    "dropped_out",
    "came_back",
    "clock_changed",
    "at_limit",
    "samples_lost",
    "left_out",
    "turns_backwards",
]

FeedbackMode = Literal["every", "outside_band", "faded", "summary", "none"]
"""When a verdict is shown: after every shot; only outside the band; less and less often; as a summary every few shots;
not at all (a test block)."""

Band = tuple[float | None, float | None]
"""Low and high end, None where it is open; the ends belong to it."""


@dataclass(frozen=True, kw_only=True)
class Hello:
    """Whose recording this is. worn: tracked points.  bands: agreed bands by measure (`backswing_arc_deg`, …).

    outcomes, blocks, intents: words that the page offers; the coach may use others.  replay_speed: None where it is no
    replay.  resumed: an interrupted recording goes on.  calibrated: where the sensors' axes come from, in words; None
    where they are not known.
    """

    participant: str
    session: str
    task: str
    lead_side: str
    worn: tuple[str, ...]
    bands: Mapping[str, Band] = field(default_factory=lambda: MappingProxyType({}))
    outcomes: tuple[str, ...] = ("pure", "thin", "fat", "toe", "heel")
    blocks: tuple[str, ...] = ("baseline", "drill", "transfer")
    intents: tuple[str, ...] = ()
    replay_speed: float | None = None
    resumed: bool = False
    calibrated: str | None = None
    simulated: bool = False


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of the calibration routine as it stands now.

    step: one of the vocabulary's calibration steps.  sign: what the sensors see.  share: how much of it is done, 0 to
    1.  seconds: still so far, s.  repetitions: half-movements so far, of `needed`.  off_deg: misfit to the other steps
    once it was read, degrees.  reason: why it should be done again, a key: `not_still`, `too_few`, `does_not_fit`,
    `not_seen`; None otherwise.
    """

    step: str
    state: StepState
    sign: Sign = "waiting"
    share: float = 0.0
    seconds: float | None = None
    repetitions: int | None = None
    needed: int | None = None
    off_deg: float | None = None
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class Routine:
    """All steps in order with how each stands, and where the axes in use come from (in words; None: nowhere yet)."""

    steps: tuple[Step, ...]
    calibrated: str | None = None


@dataclass(frozen=True, kw_only=True)
class Level:
    """One sensor just now. turning_dps: largest turn rate of the newest stretch.  trace_dps: turn rates since the
    message before, evenly spaced, the newest last.  lost_share: of the last seconds' samples.  silent_s: how long.
    """

    point: str
    state: SensorState
    turning_dps: float | None = None
    trace_dps: tuple[float, ...] = ()
    rate_hz: float | None = None
    lost_share: float = 0.0
    silent_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Levels:
    """All sensors just now, some times a second. time: s on the common clock."""

    time: float
    sensors: tuple[Level, ...]


@dataclass(frozen=True, kw_only=True)
class Notice:
    """Something happened to a sensor: said at once. text: one sentence in English; the page may word `kind` itself."""

    point: str
    kind: NoticeKind
    time: float
    text: str
    seconds: float | None = None


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A measure of a shot with its standard error."""

    value: float | None
    se: float | None = None


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A swing that was just seen, or seen better (`revised`: same number, all values anew; kind may have changed).

    kind: `shot` or `practice`.  verdict: `turning`, `slowing`, `stalled`, None where the chest cannot be told.
    stall_probability: 0 to 1.  measures: by column of the results (`chest_continuity`, `backswing_arc_deg`,
    `wrist_flexion_impact_deg`, …).  curves: by column of the curves (`time_s`, 0 at impact; `chest_turn_rate_dps`,
    `wrist_flexion_deg`, `arm_height_deg`, …), all of one length.
    in_band: by measure with an agreed band, whether it lies in it.
    shown: whether the feedback mode wants the verdict shown now; the page shows what it always shows otherwise, and
    keeps the verdict for the list.  sound: whether one may sound (a new shot that is shown).
    shown_after_s: from impact to this message, as at speed 1.
    """

    number: int
    impact_s: float
    kind: str
    verdict: str | None
    stall_probability: float | None
    measures: Mapping[str, Estimate]
    curves: Mapping[str, Sequence[float | None]]
    in_band: Mapping[str, bool] = field(default_factory=lambda: MappingProxyType({}))
    block: str | None = None
    intent: str | None = None
    flags: tuple[str, ...] = ()
    shown: bool = True
    sound: bool = True
    revised: bool = False
    shown_after_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Summary:
    """The last shots together, when the feedback mode asks for it.

    counts: how many of each verdict.  measures: means and standard errors of the mean by column.
    """

    numbers: tuple[int, ...]
    counts: Mapping[str, int]
    measures: Mapping[str, Estimate]
    in_band: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, kw_only=True)
class Block:
    """The block that runs from `since` on; name None: no block runs."""

    name: str | None
    intent: str | None
    since: float


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """A shot's outcome was noted; None: taken back."""

    number: int
    outcome: str | None


@dataclass(frozen=True, kw_only=True)
class Undone:
    """A swing was taken out: the coach says so, and the recording does; or the whole of it showed that it is none."""

    number: int


@dataclass(frozen=True, kw_only=True)
class Noted:
    """A note was written down."""

    time: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Feedback:
    """The feedback mode in force. every: shots a summary, or to begin with in `faded`.  measure: whose band counts."""

    mode: FeedbackMode
    every: int = 5
    measure: str = "chest_continuity"


@dataclass(frozen=True, kw_only=True)
class Problem:
    """What could not be done, or endangers the recording, and what to do. lasts: a danger lasts, or (False) is over."""

    text: str
    lasts: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Ended:
    """The recording is whole. path: its first motion table.  shots: how many were seen."""

    path: str
    shots: int


Message = (
    Hello
    | Routine
    | Step
    | Levels
    | Notice
    | Shot
    | Summary
    | Block
    | Outcome
    | Undone
    | Noted
    | Feedback
    | Problem
    | Ended
)


@dataclass(frozen=True, kw_only=True)
class StepCommand:
    """About a step of the routine: `start` it, `end` it (and have it judged), `skip` it, `redo` it (its marks go)."""

    action: Literal["start", "end", "skip", "redo"]
    step: str

    def __post_init__(self) -> None:
        require_one_of("action", self.action, ("start", "end", "skip", "redo"))
        require_one_of("step", self.step, CALIBRATION_STEPS)


@dataclass(frozen=True, kw_only=True)
class BlockCommand:
    """Start a block (the one before ends), or with name None end it."""

    name: str | None
    intent: str | None = None


@dataclass(frozen=True, kw_only=True)
class OutcomeCommand:
    """Note a shot's outcome; number None: of the last shot; outcome None: take it back."""

    outcome: str | None
    number: int | None = None


@dataclass(frozen=True, kw_only=True)
class UndoCommand:
    """Take out a swing; number None: the last one."""

    number: int | None = None


@dataclass(frozen=True, kw_only=True)
class NoteCommand:
    """Write down a remark, at this moment."""

    text: str


@dataclass(frozen=True, kw_only=True)
class FeedbackCommand:
    """Choose the feedback mode."""

    mode: FeedbackMode
    every: int = 5
    measure: str = "chest_continuity"

    def __post_init__(self) -> None:
        require_one_of("mode", self.mode, get_args(FeedbackMode))
        if not 1 <= self.every <= 100:
            raise SettingsError(f"every is {self.every!r}; it must be from 1 to 100")


@dataclass(frozen=True, kw_only=True)
class FinishCommand:
    """End the recording and make it whole."""


Command = StepCommand | BlockCommand | OutcomeCommand | UndoCommand | NoteCommand | FeedbackCommand | FinishCommand

COMMANDS: Final[Mapping[str, type[Any]]] = MappingProxyType(
    {
        "step": StepCommand,
        "block": BlockCommand,
        "outcome": OutcomeCommand,
        "undo": UndoCommand,
        "note": NoteCommand,
        "feedback": FeedbackCommand,
        "finish": FinishCommand,
    }
)
"""By their `type` in JSON what a page may send."""

LONGEST_TEXT: Final = 500
"""Characters of a text from the page; longer ones are refused."""


def type_name(message: Message) -> str:
    """The `type` of a message in JSON: the class's name in lower case."""
    return type(message).__name__.lower()


def to_json(message: Message) -> str:
    """A message as one line of JSON; what is not finite becomes null."""
    return json.dumps({"type": type_name(message), **_plain(message)}, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    """A value made of what JSON knows."""
    if hasattr(value, "__dataclass_fields__"):
        return {entry.name: _plain(getattr(value, entry.name)) for entry in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str) or value is None or isinstance(value, bool | int):
        return value
    return [_plain(item) for item in value]


def read_command(text: str) -> Command:
    """A command from the page; SettingsError that says what is wrong, with the legal values, for anything else."""
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        raise SettingsError(f"the command is no JSON ({error.msg})") from error
    if not isinstance(content, dict):
        raise SettingsError("the command is no JSON object")
    kind = content.pop("type", None)
    require_one_of("type", kind, COMMANDS)
    made = COMMANDS[kind]
    known = {entry.name: entry for entry in fields(made)}
    unknown = sorted(set(content) - set(known))
    missing = [name for name, entry in known.items() if entry.default is MISSING and name not in content]
    if unknown or missing:
        told = [f"has no {', '.join(missing)}"] * bool(missing) + [f"has {', '.join(unknown)}"] * bool(unknown)
        raise SettingsError(f"the command {kind} {' and '.join(told)}; it has the fields {', '.join(known) or 'none'}")
    for name, item in content.items():
        _check_kind(kind, name, item)
    command: Command = made(**content)
    return command


def _check_kind(command: str, name: str, item: object) -> None:
    """Numbers where numbers stand (`number`, `every`), else text or null, none of it too long."""
    if name in ("number", "every"):
        whole = isinstance(item, int) and not isinstance(item, bool)
        if not whole and not (item is None and name == "number"):
            raise SettingsError(f"{name} of the command {command} is {item!r}; it must be a whole number")
    elif item is not None and not isinstance(item, str):
        raise SettingsError(f"{name} of the command {command} is {item!r}; it must be text")
    elif isinstance(item, str) and len(item) > LONGEST_TEXT:
        raise SettingsError(f"{name} of the command {command} is longer than {LONGEST_TEXT} characters")
