"""One step of the live computation: what arrived goes in, the next state and what to tell come out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from imuswing.live.buffer import Tail
from imuswing.live.guide import watch_over
from imuswing.live.learn import all_found, learn, recalibrated, recording_of, steps_marked
from imuswing.live.messages import Message, Undone
from imuswing.live.model import Session, SystemHead
from imuswing.live.settings import LiveSettings
from imuswing.live.shots import SAME_SWING_S, Looked, Past, Seen, carry_headings, look, mean_up, noted_by, realigned
from imuswing.live.state import Pending, State
from imuswing.live.steady import Steady
from imuswing.live.tell import told_shot, told_steps
from imuswing.live.watch import newest_candidate
from imuswing.recording.model import Event, SensorStream
from imuswing.rounds import groups_of
from imuswing.sensors.clocks import ClockLine
from imuswing.swings.find import Candidate
from imuswing.swings.kind import ground_first
from imuswing.swings.lead import LEADERS, leading_axis
from imuswing.vocabulary import KIND_SHOT, LEAD_HAND, SHOT

STEP_MARGIN_S = 2.5
"""A calibration step is read so long after its end: marks may be late, and what follows it is looked at, too."""
OPENINGS_S = 30.0
"""Without marks the routine is looked for this often."""


def begin(session: Session, heads: Iterable[SystemHead]) -> State:
    """The state before anything has arrived."""
    tails = {head.name: Tail(head=head) for head in heads}
    return State(session=session, tails=tails, clocks=dict.fromkeys(tails, Steady()))


def step(state: State, settings: LiveSettings) -> tuple[State, list[Message]]:
    """Look at what is due now; `take` comes before it."""
    messages: list[Message] = []
    if _routine_is_due(state):
        state, told = _read_routine(state, settings, only_if_more=not steps_marked(state.events))
        messages += told
    candidate = _candidate(state, settings)
    state = replace(state, watched=state.now)
    if candidate is not None:
        if state.known.routine is None:
            state, told = _read_routine(state, settings)
            messages += told
        state, told = _first_look(state, candidate, settings)
        messages += told
    state = _with_noted(state, settings)
    for pending in state.pending:
        if state.now >= pending.due and pending in state.pending:
            state, told = _settle(state, pending, settings)
            messages += told
    if _may_relearn(state, settings):
        state, told = _relearnt(state, settings)
        messages += told
    state, told = watch_over(_kept_up(state, settings), settings)
    return state, messages + told


def _routine_is_due(state: State) -> bool:
    """A step has ended and was not read yet; or nobody marks any and it is time to look for them.

    Once swings are told, looking would keep them waiting: then it is done between them (`_relearnt`).
    """
    steps = steps_marked(state.events)
    if len(steps) > state.steps_read:
        return state.now >= max(event.end for event in steps) + STEP_MARGIN_S
    return not steps and state.now >= state.next_open and state.number == 0


def _read_routine(state: State, settings: LiveSettings, *, only_if_more: bool = False) -> tuple[State, list[Message]]:
    before = state.known.routine
    known = learn(
        state.session,
        state.tails,
        state.known,
        events=state.events,
        now=state.now,
        earlier=state.earlier,
        settings=settings,
        opening=True,
        only_if_more=only_if_more,
    )
    state = replace(state, known=known, next_open=state.now + OPENINGS_S)
    if known.routine is before:
        return state, []
    past = tuple(_before_routine(swing, state.events) for swing in state.past)
    state, messages = _without_steps(replace(state, past=past, steps_read=len(steps_marked(state.events))))
    return state, [*messages, *told_steps(state)]


def _before_routine(swing: Past, events: Sequence[Event]) -> Past:
    """A swing before a routine was read: its wrist rests on other axes; and where the sensors were put on anew since
    then, as a routine that is done again says, it tells nothing of how they sit."""
    groups = groups_of(steps_marked(events))
    anew = len(groups) > 1 and swing.sight.candidate.back < groups[-1][0].onset
    return replace(swing, wrist=None, ups={}, turns={}) if anew else replace(swing, wrist=None)


def _lead(state: State) -> tuple[SensorStream, ClockLine] | None:
    """The newest seconds of the sensor that leads, of those that are alive, and its clock."""
    by_point = {s.tracked_point: name for name, tail in state.tails.items() for s in tail.head.sensors}
    for point in LEADERS:
        name = by_point.get(point)
        if name is None or state.clocks[name].silent or name not in state.known.clocks:
            continue
        tail = state.tails[name]
        if tail.last is None:
            continue
        clock = state.known.clocks[name]
        # Where a system that comes late is waited for, what has come of this one goes beyond the time that it is.
        now = (state.now - clock.offset) / (1.0 + clock.drift)
        rows = tail.since(min(now, tail.last) - WATCH_S, now)
        if not len(rows):
            continue
        return tail.head.streams(rows)[point], clock
    return None


WATCH_S = 7.0
"""Seconds of the leading sensor in which a movement is looked for: the longest backswing, downswing and address."""


def _candidate(state: State, settings: LiveSettings) -> Candidate | None:
    """A movement with the shape of a swing that has not been looked at, once enough of it has been seen."""
    lead = _lead(state)
    if lead is None:
        return None
    stream, clock = lead
    point = stream.tracked_point
    axis = leading_axis(point, stream.acc, state.known.calibration.alignments.get(point))
    bias = state.known.bias.get(point, np.zeros(3))
    unwatched = state.now - state.watched
    found = newest_candidate(stream, bias, axis, clock, unwatched_s=unwatched, settings=settings.analysis.find)
    if found is None or state.now < found.back + settings.look_s:
        return None
    if state.doing is not None and found.top >= state.doing_since:
        return None  # Of a step of the routine, as offline.
    return None if any(abs(found.back - back) < SAME_SWING_S for back in state.looked) else found


def _window_look(state: State, settings: LiveSettings, back: float) -> Looked:
    """Look at the candidate whose arm came back at about `back`, common time."""
    since = state.now - settings.window_s
    window = recording_of(state.session, state.tails, state.known, since=since, events=state.events)
    if window is None:
        return Looked(headings=state.known.headings)
    near = (back - SAME_SWING_S, back + SAME_SWING_S)
    return look(window, state.known, _others(state, back), near=near, settings=settings)


def _others(state: State, back: float) -> tuple[Past, ...]:
    """The swings before but for the one whose arm came back at about `back`."""
    return tuple(one for one in state.past if abs(one.sight.candidate.back - back) > SAME_SWING_S)


def _first_look(state: State, candidate: Candidate, settings: LiveSettings) -> tuple[State, list[Message]]:
    """The verdict as soon as it can be had; where the window does not confirm the watch yet, the second look may."""
    found = _near(_window_look(state, settings, candidate.back), candidate.back)
    number: int | None = None
    messages: list[Message] = []
    if found is not None and found.row is not None:
        number = state.number + 1
        state, messages = told_shot(replace(state, number=number), found, number, revised=False)
    back = candidate.back
    due = back + settings.analysis.find.through_s + settings.settle_s
    pending = (*state.pending, Pending(back=back, due=due, number=number))
    return replace(state, pending=pending, looked=(*state.looked[-LOOKED:], back)), messages


LOOKED = 20
"""So many candidates are remembered as looked at."""


def _near(found: Looked, back: float) -> Seen | None:
    """Of what a look found, the candidate whose arm came back nearest to a time."""
    return min(found.seen or (), key=lambda one: abs(one.candidate.back - back), default=None)


def _with_noted(state: State, settings: LiveSettings) -> State:
    """A swing is looked at once more that is noted as a shot now and was taken for a practice swing, or that met the
    ground first as the note says: the ball came later then."""
    notes = [event for event in state.events if event.trial_type == SHOT]
    if len(notes) == state.notes_read:
        return state
    pending = state.pending
    for note in notes[state.notes_read :]:
        before = [n for n, shot in state.shots.items() if 0.0 <= note.onset - shot.impact_s <= NOTE_REACH_S]
        ground = ground_first([note.outcome], settings=settings.analysis.judge.kind)[0]
        if before and (ground or state.shots[max(before)].kind != KIND_SHOT):
            back = state.shots[max(before)].impact_s
            pending = (*pending, Pending(back=back, due=state.now, number=max(before)))
    return replace(state, pending=pending, notes_read=len(notes))


NOTE_REACH_S = 8.0
"""A note belongs to a swing so long before it: as offline, and as far back as the window reaches."""


def _settle(state: State, pending: Pending, settings: LiveSettings) -> tuple[State, list[Message]]:
    """The whole swing, for the judgement of later ones; what changed by it is told."""
    state = replace(state, pending=tuple(p for p in state.pending if p is not pending))
    messages: list[Message] = []
    found = _window_look(state, settings, pending.back)
    state = replace(state, known=replace(state.known, headings=found.headings), next_keep_up=_next(state, settings))
    seen = _near(found, pending.back)
    if pending.number is not None and found.seen is not None and (seen is None or seen.row is None):
        state, messages = _taken_back(state, pending.number)
    if seen is None:
        return state, messages
    state = replace(state, past=(*_others(state, pending.back), seen.past)[-settings.past :])
    if seen.row is not None:
        number = pending.number if pending.number is not None else state.number + 1
        state = replace(state, number=max(number, state.number))
        state, messages = told_shot(state, seen, number, revised=pending.number is not None)
        state = replace(state, pending=_waiting(state, seen, number, settings))
    return replace(state, relearn_since=state.now if state.relearn_since is None else state.relearn_since), messages


def _taken_back(state: State, number: int) -> tuple[State, list[Message]]:
    """Without a swing that was told and is none."""
    if number not in state.shots:
        return state, []
    shots = {other: shot for other, shot in state.shots.items() if other != number}
    pending = tuple(one for one in state.pending if one.number != number)
    counted = state.shots[number].kind == KIND_SHOT and state.in_block > 0
    return replace(state, shots=shots, pending=pending, in_block=state.in_block - counted), [Undone(number=number)]


def _without_steps(state: State) -> tuple[State, list[Message]]:
    """Without the swings that were movements of the routine's steps, as offline; marks come when a step has ended."""
    spans = state.known.calibration.spans

    def inside(time: float) -> bool:
        return any(start <= time <= end for start, end in spans)

    messages: list[Message] = []
    for number in [number for number, shot in state.shots.items() if inside(shot.impact_s)]:
        state, told = _taken_back(state, number)
        messages += told
    past = tuple(one for one in state.past if not inside(one.sight.candidate.top))
    return replace(state, past=past), messages


def _waiting(state: State, seen: Seen, number: int, settings: LiveSettings) -> tuple[Pending, ...]:
    """What is still to be looked at: a swing that is no shot so far once more, when nobody can note it any longer."""
    others = tuple(one for one in state.pending if one.number != number)
    due = noted_by(seen.candidate.back, settings) + NOTED_MARGIN_S
    if seen.row is None or seen.row["kind"] == KIND_SHOT or state.now >= due:
        return others
    return (*others, Pending(back=seen.candidate.back, due=due, number=number))


NOTED_MARGIN_S = 0.1
"""Two looks place the arm's return nearer to each other than this."""


def _may_relearn(state: State, settings: LiveSettings) -> bool:
    """Something was seen whole since the last time, and no swing would be kept waiting: none is under way or to be
    looked at. A lesson of which that is never true for long must not stay with its first alignments either."""
    if state.relearn_since is None:
        return False
    if state.now - state.relearn_since > LONGEST_DEFERRED_S:
        return True
    lead = _lead(state)
    if lead is None or any(one.due <= state.now + LEISURE_S for one in state.pending):
        return False
    newest = lead[0].time > lead[0].time[-1] - CALM_S
    turning = np.nan_to_num(lead[0].gyr[newest])
    return not float(np.max(np.einsum("nc,nc->n", turning, turning))) >= settings.analysis.find.through_speed**2


def _relearnt(state: State, settings: LiveSettings) -> tuple[State, list[Message]]:
    """After a swing there is time: alignments with its address, clocks that have drifted, and what the routine left
    open: steps that were not found yet, sensors that could not be aligned."""
    state = replace(state, relearn_since=None)
    messages: list[Message] = []
    held = max(tail.held_s for tail in state.tails.values())
    due = state.now - state.known.at > settings.relearn_share * held
    by_earlier = state.earlier is not None and not steps_marked(state.events)
    worn = sum(len(tail.head.sensors) for tail in state.tails.values())
    whole = all_found(state.known.routine) and len(state.known.calibration.alignments) >= worn
    if due and not by_earlier and not whole:
        state, messages = _read_routine(state, settings, only_if_more=True)
        due = False
    known = state.known
    if due:
        known = learn(
            state.session,
            state.tails,
            known,
            events=state.events,
            now=state.now,
            earlier=state.earlier,
            settings=settings,
            opening=False,
        )
    fitted = recalibrated(known, mean_up(state.past), settings)
    past = realigned(state.past, known.calibration, fitted.calibration)
    return replace(state, known=fitted, past=past), messages


LEISURE_S = 1.0
"""Learning takes less (three sensors at 200 Hz: 0.6 s)."""
CALM_S = 0.5
"""So long the arm has not moved as fast as in a swing: one that sets out now comes to the ball after learning ends."""
LONGEST_DEFERRED_S = 20.0
"""Learning waits no longer than this for a calm moment (common practice, no source)."""


def _next(state: State, settings: LiveSettings) -> float:
    return state.now + settings.keep_up_s


def _kept_up(state: State, settings: LiveSettings) -> State:
    """Headings are carried on between swings, so that the wrist's two sensors stay tied."""
    if state.now < state.next_keep_up or LEAD_HAND not in state.known.headings:
        return state
    since = state.now - settings.window_s
    window = recording_of(state.session, state.tails, state.known, since=since)
    headings = state.known.headings if window is None else carry_headings(window, state.known, settings)
    return replace(state, known=replace(state.known, headings=headings), next_keep_up=_next(state, settings))
