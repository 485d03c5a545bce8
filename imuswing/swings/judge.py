"""All swings of a session judged together: which movements are swings, which of them struck a ball, and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray, Event
from imuswing.swings.events import ArmCurves, EventSettings, return_to_address
from imuswing.swings.evidence import EvidenceSettings, swing_log_odds, with_likeness
from imuswing.swings.find import Candidate
from imuswing.swings.impact import Impact, ImpactSettings, place_impacts
from imuswing.swings.kind import KindSettings, ground_first, match_notes, shot_log_odds
from imuswing.swings.onset import OnsetCurve, OnsetSettings, onset_curves
from imuswing.swings.pace import PaceSettings, clues
from imuswing.swings.surprise import ShockWindow, SurpriseSettings, surprises
from imuswing.vocabulary import LEAD_FOREARM

LEAST_SHOTS = 3
"""Clear shots that tell where a session's impacts lie (common practice, no source)."""

SAME_RETURN_S = 0.1
"""Segments of one arm come back within so much of each other (common practice, no source)."""

FOREARM_LAG_S = 0.010
"""Impact after the forearm's return to its address direction, s: about what 4° take at 7 rad/s (an assumption)."""


@dataclass(frozen=True, kw_only=True)
class JudgeSettings:
    """Settings of the steps that look at all swings of a session together."""

    surprise: SurpriseSettings = field(default_factory=SurpriseSettings)
    onset: OnsetSettings = field(default_factory=OnsetSettings)
    pace: PaceSettings = field(default_factory=PaceSettings)
    impact: ImpactSettings = field(default_factory=ImpactSettings)
    kind: KindSettings = field(default_factory=KindSettings)
    evidence: EvidenceSettings = field(default_factory=EvidenceSettings)


@dataclass(frozen=True, kw_only=True)
class Sight:
    """A candidate with what is seen of it at full rate.

    arm: curves of the leading segment.  windows: each sensor's raw rows around the end of the downswing.
    signatures: by tracked point, what its sensor saw of the movement (`evidence.signature`).
    bend, turn: the chest's forward bend at the start, and its turn away from the target until the top, rad.
    turn_down: its turn towards the target from there to the arm's return, rad; NaN where these are not known.
    others: by tracked point, curves of segments that lead in other swings.
    """

    candidate: Candidate
    arm: ArmCurves
    windows: Sequence[ShockWindow]
    signatures: Mapping[str, FloatArray]
    bend: float = np.nan
    turn: float = np.nan
    turn_down: float = np.nan
    others: Mapping[str, ArmCurves] = field(default_factory=dict)

    def arm_of(self, lead: str) -> ArmCurves | None:
        """Curves of a segment; None where it was not followed."""
        return self.arm if lead == self.candidate.lead else self.others.get(lead)


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What is thought of a candidate.

    swing_odds, shot_odds: natural log odds that it is a swing, and that a ball was struck.  back: the arm's return to
    its address direction, s.  impact: of the ball, None where no sensor tells.  lag: how much later than usual the
    session's balls were struck after that return, s; NaN where fewer than three shots tell.
    """

    swing_odds: float
    shot_odds: float
    back: float
    impact: Impact | None
    flags: tuple[str, ...]
    lag: float = np.nan

    @property
    def struck(self) -> bool:
        """Whether it is taken for a shot."""
        return self.shot_odds > 0.0


def judge(
    sights: Sequence[Sight],
    notes: Sequence[Event],
    *,
    events: EventSettings,
    settings: JudgeSettings,
    noted_until: float = np.inf,
) -> list[Judged]:
    """Judge every candidate of a recording, in time order; notes: the coach's `shot` events.

    noted_until: s; of a recording that is still running, up to when its coach may have noted anything.
    """
    backs = [return_to_address(sight.arm, sight.candidate) for sight in sights]
    spans = [(sight.candidate.top, back) for sight, back in zip(sights, backs, strict=True)]
    errors = surprises([sight.windows for sight in sights], spans, settings=settings.surprise)
    curves = onset_curves(errors, backs, settings=settings.onset)
    sizes = [curve.sizes if curve is not None else {} for curve in curves]
    alone = [
        swing_log_odds(
            sight.candidate,
            bend=sight.bend,
            turn=sight.turn,
            turn_down=sight.turn_down,
            sizes=size,
            settings=settings.evidence,
        )
        for sight, size in zip(sights, sizes, strict=True)
    ]
    signatures = [sight.signatures for sight in sights]
    swing_odds = with_likeness(alone, signatures, settings=settings.evidence)
    swings = [k for k, odds in enumerate(swing_odds) if odds > settings.evidence.accept]
    times = np.array([backs[k] for k in swings])
    shot_odds = np.zeros(len(sights))
    shot_odds[swings] = shot_log_odds(
        [sizes[k] for k in swings],
        times,
        [note.onset for note in notes],
        settings=settings.kind,
        noted_until=noted_until,
    )
    outcomes: list[str | None] = [None] * len(sights)
    onsets = [note.onset for note in notes]
    matched = match_notes(times, onsets, likely=shot_odds[swings], settings=settings.kind)
    for k, note in zip(swings, matched, strict=True):
        outcomes[k] = notes[note].outcome if note >= 0 else None
    chance = _chance(shot_odds) * np.isin(np.arange(len(sights)), swings)
    impacts, lags = _impacts(
        sights, curves, backs, chance, ground_first(outcomes, settings=settings.kind), events, settings
    )
    return [
        Judged(
            swing_odds=float(swing_odds[k]),
            shot_odds=float(shot_odds[k]),
            back=backs[k],
            impact=impacts[k],
            flags=_flags(sights[k], float(shot_odds[k]), impacts[k], settings),
            lag=lags[k],
        )
        for k in range(len(sights))
    ]


def _impacts(
    sights: Sequence[Sight],
    curves: Sequence[OnsetCurve | None],
    backs: Sequence[float],
    chance: FloatArray,
    ground_noted: BoolArray,
    events: EventSettings,
    settings: JudgeSettings,
) -> tuple[list[Impact | None], list[float]]:
    """Of each swing (K) the impact and `Judged.lag`.

    Where impacts lie after the return of a segment that leads in some swings only, the others tell as well.
    """
    impacts: list[Impact | None] = [None] * len(sights)
    lags = [np.nan] * len(sights)
    for lead in dict.fromkeys(sight.candidate.lead for sight in sights):
        arms = {k: arm for k, sight in enumerate(sights) if (arm := sight.arm_of(lead)) is not None}
        returns = {k: backs[k] for k in arms if sights[k].candidate.lead == lead}
        own = set(returns)
        for k in arms.keys() - own:
            # A hand that bends to and fro by itself comes back at any time.
            at = return_to_address(arms[k], sights[k].candidate)
            if abs(at - backs[k]) < SAME_RETURN_S:
                returns[k] = at
        those = sorted(returns)
        back = [returns[k] for k in those]
        placed = place_impacts(
            [curves[k] for k in those],
            back,
            np.array([np.interp(at, arms[k].time, arms[k].speed) for k, at in zip(those, back, strict=True)]),
            clues([sights[k].windows for k in those], back, settings=settings.pace),
            chance[those],
            ground_noted[those],
            lead=lead,
            settings=settings.impact,
        )
        lag = _lag(placed, back, chance[those], settings)
        for k, impact in zip(those, placed, strict=True):
            if k in own:
                impacts[k], lags[k] = on_common_clock(impact, sights[k].windows), lag
    return impacts, lags


def on_common_clock(impact: Impact | None, windows: Sequence[ShockWindow]) -> Impact | None:
    """An impact as the leading sensor's clock has it, with what that may be off by against the others in its error: the
    chest's rates are read at the same moment."""
    if impact is None:
        return None
    apart = max((window.clock_se for window in windows), default=0.0)
    return replace(impact, se=float(np.hypot(impact.se, apart)))


def _lag(
    impacts: Sequence[Impact | None], backs: Sequence[float], chance: FloatArray, settings: JudgeSettings
) -> float:
    """Median of the shots' impacts after the leading segment's return, less what is usual for a forearm, s."""
    found = [
        impact.time - back
        for impact, back, likely in zip(impacts, backs, chance, strict=True)
        if impact is not None and not impact.unclear and likely > 0.5
    ]
    return float(np.median(found)) - FOREARM_LAG_S if len(found) >= LEAST_SHOTS else np.nan


def _chance(odds: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0))))


def _flags(sight: Sight, odds: float, impact: Impact | None, settings: JudgeSettings) -> tuple[str, ...]:
    flags = ["kind_uncertain"] if abs(odds) < settings.kind.uncertain else []
    if odds > 0.0 and (impact is None or impact.unclear):
        flags.append("impact_uncertain")
    if (lead := sight.candidate.lead) != LEAD_FOREARM:
        flags.append(f"events_from_{lead.removeprefix('lead_')}")
    return tuple(flags)
