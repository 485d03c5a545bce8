"""The state of a live recording: one value, from which with the next arrival the next one is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from imuswing.live.buffer import Tail
from imuswing.live.learn import Known
from imuswing.live.messages import Band, Block, Feedback, Shot
from imuswing.live.model import Session
from imuswing.live.shots import Past
from imuswing.live.steady import Steady
from imuswing.recording.model import Event
from imuswing.routine import Routine


@dataclass(frozen=True, kw_only=True)
class Pending:
    """A candidate that was looked at once and is looked at again when all of it has been seen.

    back: its return to the ball, due: when to look again, s.  number: of its row, None where it was not taken for one.
    """

    back: float
    due: float
    number: int | None


@dataclass(frozen=True, kw_only=True)
class State:
    """All that a live recording rests on; times in s on the common clock.

    began, arrived: of the first and the newest arrival, by this computer's clock.  tails: newest rows by system.
    clocks: each system against this computer's clock.  known: what was learnt.
    earlier: an earlier recording's routine, if there is one.  events: the coach's and the routine's.
    past: swings, the oldest first.  pending: see there.  shots: by number, the newest.  number: of the last swing.
    block: the one that runs, with block_note a remark on it; in_block: shots in it.
    looked: when the arm came back in the newest candidates that were looked at.  watched: until when they were watched
    for.
    steps_read: calibration events that the alignments rest on; notes_read: shot notes that were heard.
    doing: the step that runs, since doing_since.
    relearn_since: when a swing had been seen whole that alignments and clocks were not learnt anew with; None if none.
    next_open, next_keep_up, next_levels, next_sign: when next.  lost: sensors that lose most samples.
    at_limit: by tracked point, when it was last told that its gyroscope was at its limit.  now: the time.
    """

    session: Session
    tails: Mapping[str, Tail]
    clocks: Mapping[str, Steady]
    began: float | None = None
    arrived: float = 0.0
    known: Known = field(default_factory=Known)
    earlier: Routine | None = None
    events: tuple[Event, ...] = ()
    past: tuple[Past, ...] = ()
    pending: tuple[Pending, ...] = ()
    shots: Mapping[int, Shot] = field(default_factory=lambda: MappingProxyType({}))
    number: int = 0
    block: Block | None = None
    block_note: str | None = None
    in_block: int = 0
    feedback: Feedback = field(default_factory=lambda: Feedback(mode="every"))
    bands: Mapping[str, Band] = field(default_factory=lambda: MappingProxyType({}))
    looked: tuple[float, ...] = ()
    watched: float = 0.0
    steps_read: int = 0
    notes_read: int = 0
    next_open: float = 20.0
    next_keep_up: float = 0.0
    next_levels: float = 0.0
    now: float = 0.0
    doing: str | None = None
    doing_since: float = 0.0
    relearn_since: float | None = None
    next_sign: float = 0.0
    lost: frozenset[str] = frozenset()
    at_limit: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
