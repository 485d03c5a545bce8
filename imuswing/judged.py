"""Which of the rough swings are swings: followed, judged against each other, and put right by what a person said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from imuswing.body.alignment import Alignment
from imuswing.body.calibrate import Calibration
from imuswing.cutting import Cut, Oriented, follow_swings, with_leaders
from imuswing.recording.model import Event, Recording
from imuswing.settings import Settings
from imuswing.swings.corrections import apply_corrections
from imuswing.swings.find import Candidate
from imuswing.swings.judge import Judged, judge
from imuswing.vocabulary import CORRECTION, SHOT


@dataclass(frozen=True, kw_only=True)
class JudgedSwings:
    """The swings of a recording, in time order.

    alignments: those of the calibration, and makeshift ones of sensors that lead without one.
    cuts, judged: each swing followed, and what is thought of it.  lost: corrections that fit nothing.
    """

    alignments: Mapping[str, Alignment]
    cuts: Sequence[Cut]
    judged: Sequence[Judged]
    lost: Sequence[Event]

    @property
    def candidates(self) -> list[Candidate]:
        """Where each swing is, roughly."""
        return [cut.sight.candidate for cut in self.cuts]


def judged_swings(
    recording: Recording,
    oriented: Oriented,
    calibration: Calibration,
    candidates: Sequence[Candidate],
    settings: Settings,
) -> JudgedSwings:
    """Those of the candidates that are swings."""
    alignments = with_leaders(calibration.alignments, oriented, candidates)
    cuts = follow_swings(recording, oriented, candidates, alignments, settings, judging=True)
    judged = judge(
        [cut.sight for cut in cuts], recording.of_type(SHOT), events=settings.events, settings=settings.judge
    )
    judged, lost = apply_corrections([cut.sight.candidate for cut in cuts], judged, recording.of_type(CORRECTION))
    swings = [k for k, verdict in enumerate(judged) if verdict.swing_odds > settings.judge.evidence.accept]
    return JudgedSwings(
        alignments=alignments, cuts=[cuts[k] for k in swings], judged=[judged[k] for k in swings], lost=lost
    )
