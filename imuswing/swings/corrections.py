"""What a person says against the analysis: a swing that is none, a kind, an impact, a step that nobody did.

A correction is a row of the events file with the trial_type `correction`. It stands beside the recording, as the other
things that people noted do, and programs that do not know it leave it out. Its onset is the moment it speaks of, its
note one of these:

    no swing          the movement is no swing: it gets no row
    shot, practice    a ball was struck, or none was
    impact            the ball was struck at the onset
    no stand, no bow, no table, no wrist_bend, no forearm_roll    the step that was found there is none
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from imuswing.recording.model import Event
from imuswing.swings.find import Candidate
from imuswing.swings.impact import Impact
from imuswing.swings.judge import Judged
from imuswing.vocabulary import CALIBRATION_STEPS, CORRECTION, KIND_PRACTICE, KIND_SHOT

NO_SWING: Final = "no swing"
AT_IMPACT: Final = "impact"
ON_SWINGS: Final = (NO_SWING, KIND_SHOT, KIND_PRACTICE, AT_IMPACT)
KIND_FLAG: Final = "kind_by_hand"
IMPACT_FLAG: Final = "impact_by_hand"

SURE: Final = 50.0
"""Log odds of what a person says: beyond anything that sensors tell."""
IMPACT_SE_S: Final = 0.010
"""Standard error of an impact set by hand: an eye on a curve or a video of 60 pictures a second (an assumption)."""
STEP_MARGIN_S: Final = 1.0
"""A step that is found again may begin or end so much elsewhere (common practice, no source)."""


def correction(onset: float, note: str) -> Event:
    """A correction as an event."""
    return Event(onset=onset, duration=0.0, trial_type=CORRECTION, note=note)


def denial(step: str) -> str:
    """The note by which a step that was found is denied."""
    return f"no {step}"


def apply_corrections(
    candidates: Sequence[Candidate], judged: Sequence[Judged], corrections: Sequence[Event]
) -> tuple[list[Judged], list[Event]]:
    """What is thought of the candidates (K,) once people have been heard, and the corrections that fit no candidate.

    Each goes to the candidate whose span holds its onset, of several to the one that returns to the ball nearest to
    it. Of corrections that contradict each other the later in the file counts.
    """
    heard, lost = list(judged), []
    for event in corrections:
        if event.note in DENIALS:
            continue
        k = _meant(candidates, event)
        if k is None or event.note not in ON_SWINGS:
            lost.append(event)
        else:
            heard[k] = _heard(heard[k], event)
    return heard, lost


DENIALS: Final = tuple(denial(step) for step in CALIBRATION_STEPS)


def without_denied(steps: Sequence[Event], corrections: Sequence[Event]) -> tuple[Event, ...]:
    """The steps found in the data that nobody denies."""
    return tuple(step for step in steps if not any(denies(event, step) for event in corrections))


def denies(event: Event, step: Event) -> bool:
    """Whether a correction denies a step that was found."""
    return (
        event.note == denial(step.trial_type) and step.onset - STEP_MARGIN_S <= event.onset <= step.end + STEP_MARGIN_S
    )


def lost_warnings(lost: Sequence[Event]) -> list[dict[str, str]]:
    """For the quality record: corrections that fit no movement."""
    return [
        {
            "level": "advice",
            "text": f"The correction '{event.note}' at {event.onset:.3f} s fits no movement with the shape of a swing.",
            "do": "Look at it with imuswing mark; take it back, or correct its time.",
        }
        for event in lost
    ]


def _meant(candidates: Sequence[Candidate], event: Event) -> int | None:
    holding = [
        k
        for k, candidate in enumerate(candidates)
        if (candidate.top if event.note == AT_IMPACT else candidate.start) < event.onset <= candidate.end
    ]
    return min(holding, key=lambda k: abs(candidates[k].back - event.onset), default=None)


def _heard(thought: Judged, event: Event) -> Judged:
    if event.note == NO_SWING:
        return replace(thought, swing_odds=-SURE)
    if event.note == AT_IMPACT:
        struck = Impact(time=event.onset, se=IMPACT_SE_S, unclear=False)
        return replace(
            thought,
            swing_odds=SURE,
            shot_odds=SURE,
            impact=struck,
            flags=_flags(thought, IMPACT_FLAG, "kind", "impact"),
        )
    if event.note == KIND_PRACTICE:
        flags = _flags(thought, KIND_FLAG, "kind", "impact")
        return replace(thought, swing_odds=SURE, shot_odds=-SURE, flags=flags)
    flags = _flags(thought, KIND_FLAG, "kind")
    if thought.impact is None or thought.impact.unclear:
        flags = tuple(dict.fromkeys((*flags, "impact_uncertain")))
    return replace(thought, swing_odds=SURE, shot_odds=SURE, flags=flags)


def _flags(thought: Judged, flag: str, *settled: str) -> tuple[str, ...]:
    """The flags without the doubts that a person settled, and with what tells so."""
    doubts = {f"{what}_uncertain" for what in settled}
    return tuple(dict.fromkeys((*(old for old in thought.flags if old not in doubts), flag)))
