"""All sensors on one clock: that of the first tracking system."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from imuswing.recording.model import FloatArray, Recording
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_chain import CHAIN, joints_between, travel_bias
from imuswing.sensors.clock_joint import joint_fit
from imuswing.sensors.clock_lines import Cue, Line, Solution, between, inverse, solve, weakened
from imuswing.sensors.clock_rough import HINT_REACH_S, Rough, rough_lines
from imuswing.sensors.clock_shocks import DRIFT_SD, TAPS, find_knocks, knock_cues
from imuswing.vocabulary import TAP

REFERENCE = "reference"
UNKNOWN = "none"
HINT_ONLY = "start times in the files"

UNKNOWN_SE_S = 60.0
HINT_SE_S = 0.5
"""Standard error where clocks could not be aligned, s: without and with a hint."""

LEAST_SE_S = 0.0002
"""No alignment is trusted to better than this, s."""

TAP_BEFORE_S, TAP_AFTER_S = 1.0, 1.5
"""A tap's onset in the events file is as good as a person's eye: so much around it belongs to it."""


@dataclass(frozen=True, kw_only=True)
class ClockLine:
    """common time = offset + (1 + drift) · own time, s.

    se: standard error of a time, root mean square over the recording, s.  drift_se: of the drift.
    source: `reference`, the cues in words, or `none`.
    """

    offset: float
    drift: float
    se: float
    drift_se: float
    source: str

    def __call__(self, own: FloatArray) -> FloatArray:
        """Common times (N,) of own times (N,)."""
        return np.asarray(self.offset + (1.0 + self.drift) * own)


def align(sensors: Mapping[str, Clean], recording: Recording) -> dict[str, ClockLine]:
    """By tracking system, its clock on the first system's; sensors: by tracked point.

    A first guess comes from when the sensors are lively, the rest from knocks that all feel and from the joints.
    """
    systems: dict[str, list[Clean]] = {}
    for sensor in sensors.values():
        systems.setdefault(sensor.stream.tracking_system, []).append(sensor)
    first, *others = sorted(systems)
    if first != recording.tracking_systems[0]:
        return _without_reference(systems, recording)
    lines = {first: ClockLine(offset=0.0, drift=0.0, se=0.0, drift_se=0.0, source=REFERENCE)}
    if not others:
        return lines
    rough, cues = _linked(systems, first, recording)
    known = {name: found.line for name, found in rough.items()}
    reference = Line(offset=0.0, drift=0.0, at=0.0)
    reach = {first: 0.0, **{name: found.reach_s for name, found in rough.items()}}
    solution = solve(cues, reference=first, rough=known, drift_sd=DRIFT_SD)
    taps = np.array([(e.onset - TAP_BEFORE_S, e.end + TAP_AFTER_S) for e in recording.of_type(TAP)]).reshape(-1, 2)
    cues += _knock_cues(systems, {first: reference, **solution.lines}, reach, solution, taps)
    solution = solve(cues, reference=first, rough=known, drift_sd=DRIFT_SD)
    tied = _tied(first, cues)
    for name in others:
        apart = _unknown(recording.start_hints.get(name))
        if name in known and solution.names[name]:
            told = _told(name, systems[name][0], solution)
            # Clocks tied to each other but not to the first one stay together.
            lines[name] = told if name in tied else replace(told, se=apart.se, source=apart.source)
        else:
            lines[name] = apart
    return lines


def _tied(first: str, cues: list[Cue]) -> set[str]:
    """Systems that cues tie to the first one, directly or through others."""
    tied, more = {first}, {first}
    while more:
        pairs = [{cue.first, cue.second} for cue in cues]
        more = set().union(*(pair for pair in pairs if pair & tied)) - tied
        tied |= more
    return tied


def _without_reference(systems: Mapping[str, list[Clean]], recording: Recording) -> dict[str, ClockLine]:
    """The first system's sensors are all dead: its clock, and with it the events, can only be told from the hints."""
    return {name: _unknown(recording.start_hints.get(name)) for name in systems}


def _nearest(one: list[Clean], other: list[Clean]) -> tuple[Clean, Clean]:
    """The two sensors of two systems with the fewest joints between them, the farther out on the arm if several."""
    pairs = [(a, b) for a in one for b in other]
    return min(
        pairs,
        key=lambda pair: (
            joints_between(pair[0].stream.tracked_point, pair[1].stream.tracked_point),
            -CHAIN.index(pair[0].stream.tracked_point) - CHAIN.index(pair[1].stream.tracked_point),
        ),
    )


def _tree(systems: Mapping[str, list[Clean]], first: str) -> list[tuple[str, str]]:
    """Pairs of systems that tie all to the first one, each by the fewest joints."""
    tied, pairs = [first], []
    while len(tied) < len(systems):
        loose = [name for name in sorted(systems) if name not in tied]

        def joints(pair: tuple[str, str]) -> int:
            a, b = _nearest(systems[pair[0]], systems[pair[1]])
            return joints_between(a.stream.tracked_point, b.stream.tracked_point)

        best = min(((a, b) for a in tied for b in loose), key=joints)
        pairs.append(best)
        tied.append(best[1])
    return pairs


def _linked(systems: Mapping[str, list[Clean]], first: str, recording: Recording) -> tuple[dict[str, Rough], list[Cue]]:
    """First lines to the reference's clock, along the tree, and what the joints tell; systems that match nothing are
    missing."""
    hints = {first: 0.0, **recording.start_hints}
    found: dict[str, Rough] = {}
    cues: list[Cue] = []
    for a, b in _tree(systems, first):
        if a != first and a not in found:
            continue
        hint = hints[b] - hints[a] if a in hints and b in hints else None
        link, cue = _link(*_nearest(systems[a], systems[b]), (a, b), hint)
        if link is None:
            continue
        if cue is not None:
            cues.append(cue)
        found[b] = link if a == first else _chained(found[a], link)
    return found, cues


def _link(first: Clean, second: Clean, names: tuple[str, str], hint: float | None) -> tuple[Rough | None, Cue | None]:
    """The first guess that fits the joint best; if none does, a sure one or the hint."""
    guesses = rough_lines(first, second, hint=hint)
    fits = [
        (fit.depth + START_FAVOUR * (guess.reach_s >= HINT_REACH_S), guess, fit.cue)
        for guess in guesses
        if (fit := joint_fit(first, second, names, guess.line, reach_s=guess.reach_s)) is not None
    ]
    if fits:
        _, guess, cue = max(fits, key=lambda fit: fit[0])
        # From here on the cue is the better line: a guess among several may be off by its whole reach.
        return replace(guess, line=replace(cue.line, drift=guess.line.drift), reach_s=MOVED_REACH_S), cue
    if hint is not None:
        return guesses[0 if guesses[0].sure else -1], None
    return (guesses[0] if guesses[0].sure else None), None


def _chained(outer: Rough, inner: Rough) -> Rough:
    """The reference's clock told by a clock that is told by one in between."""
    at = inner.line.at
    through = float(outer.line(inner.line(np.array([at])))[0])
    drift = (1.0 + outer.line.drift) * (1.0 + inner.line.drift) - 1.0
    return Rough(
        line=Line(offset=through - at, drift=drift, at=at),
        sure=outer.sure and inner.sure,
        reach_s=max(outer.reach_s, inner.reach_s),
    )


KNOCK_REACH_S = 0.04
REACH_SES = 4.0
"""Shocks are looked for so far from a line, or so many of its standard errors, whichever is more."""

START_FAVOUR = 0.1
"""Where movements repeat, the guess from the start times is preferred to one that fits hardly better (log misfit)."""

MOVED_REACH_S = 0.1
"""A guess that the joint has confirmed is off by less than this."""

AGREES = 3.0
"""Shocks that differ from what motion says by more than so many standard errors are some other thing."""


def _knock_cues(
    systems: Mapping[str, list[Clean]],
    lines: Mapping[str, Line],
    reach: Mapping[str, float],
    solution: Solution,
    taps: FloatArray,
) -> list[Cue]:
    """What knocks tell, between all systems that have a line; solution: what motion has told of the lines."""
    cues: list[Cue] = []
    names = list(lines)
    knocks = {sensor.stream.tracked_point: find_knocks(sensor) for name in names for sensor in systems[name]}
    for k, a in enumerate(names):
        for b in names[k + 1 :]:
            one, other = (sensor.stream.tracked_point for sensor in _nearest(systems[a], systems[b]))
            line = between(lines[a], lines[b])
            likely = solution.gap_se(a, b)
            found = knock_cues(
                knocks[one],
                knocks[other],
                (a, b),
                line,
                reach_s=min(max(KNOCK_REACH_S, REACH_SES * likely), max(reach[a], reach[b])),
                bias_s=travel_bias(one, other),
                taps=inverse(lines[a], taps),
            )
            found = [cue for cue in found if cue.name == TAPS or _agrees(cue, line, likely)]
            cues.extend(found)
    # Each system's onsets stand in as many pairs as there are other systems.
    return [weakened(cue, 2.0 / len(names)) for cue in cues]


def _agrees(cue: Cue, line: Line, se: float) -> bool:
    at = np.array([cue.line.at])
    return bool(abs(cue.line(at) - line(at))[0] <= AGREES * np.hypot(cue.offset_se, se))


def _told(name: str, sensor: Clean, solution: Solution) -> ClockLine:
    line, covariance = solution.lines[name], solution.covariances[name]
    away = sensor.time[[0, -1]] - line.at
    spread = float(np.mean(np.linspace(away[0], away[1], 50) ** 2))
    drift_of_mean = float(np.mean(away))
    variance = covariance[0, 0] + 2.0 * covariance[0, 1] * drift_of_mean + covariance[1, 1] * spread
    return ClockLine(
        offset=line.offset - line.drift * line.at,
        drift=line.drift,
        se=float(np.sqrt(max(variance, LEAST_SE_S**2))),
        drift_se=float(np.sqrt(covariance[1, 1])),
        source=" and ".join(solution.names[name]),
    )


def _unknown(hint: float | None) -> ClockLine:
    return ClockLine(
        offset=0.0 if hint is None else hint,
        drift=0.0,
        se=UNKNOWN_SE_S if hint is None else HINT_SE_S,
        drift_se=DRIFT_SD,
        source=UNKNOWN if hint is None else HINT_ONLY,
    )
