"""The page's answer in words: in how many shots did the chest keep turning through the ball."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView
from imuswing.report.wording import is_close_call
from imuswing.vocabulary import CHEST


@dataclass(frozen=True, kw_only=True)
class Tally:
    """How many shots fell to each verdict, how many could not be judged or are too close to call."""

    turning: int
    slowing: int
    stalled: int
    unjudged: int
    close: int
    practice: int

    @property
    def judged(self) -> int:
        """Shots with a verdict."""
        return self.turning + self.slowing + self.stalled


def tally(swings: Sequence[SwingView]) -> Tally:
    """Count verdicts over shots; practice swings are only counted as such."""
    shots = [swing for swing in swings if swing.is_shot]
    verdicts = [shot.verdict for shot in shots]
    return Tally(
        turning=verdicts.count("turning"),
        slowing=verdicts.count("slowing"),
        stalled=verdicts.count("stalled"),
        unjudged=verdicts.count(None),
        close=sum(shot.verdict is not None and is_close_call(shot) for shot in shots),
        practice=len(swings) - len(shots),
    )


def headline(count: Tally, recordings: Sequence[RecordingView], texts: Texts) -> str:
    """The answer in one sentence."""
    people = len({recording.labels["participant"] for recording in recordings})
    if people > 1 and count.judged:
        return texts("answer.people", people=people, turned=count.turning, n=count.judged)
    if count.judged == 0:
        if count.unjudged == 0:
            return texts("answer.none")
        return texts("answer.no_chest" if _chest_missing(recordings) else "answer.not_judged")
    if count.judged == 1:
        verdict = "turning" if count.turning else "slowing" if count.slowing else "stalled"
        return texts(f"answer.single_{verdict}")
    if count.turning == count.judged:
        return texts("answer.all", n=count.judged)
    if count.turning == 0:
        return texts("answer.never", n=count.judged)
    return texts.count("answer.turned", count.judged, turned=count.turning)


def particulars(count: Tally, texts: Texts) -> list[str]:
    """The sentences that belong under the headline."""
    sentences = []
    if count.judged == 0 and count.unjudged == 0:
        sentences.append(texts("answer.none_do"))
    if count.judged > 1 and count.turning < count.judged:
        sentences.append(_rest(count, texts))
    if count.unjudged and count.judged:
        sentences.append(texts.count("answer.unjudged", count.unjudged))
    if count.close:
        sentences.append(texts.count("answer.close", count.close))
    if count.practice:
        sentences.append(texts.count("answer.practice", count.practice))
    return sentences


def short_answer(count: Tally, texts: Texts) -> str:
    """`6 of 9`; empty without a judged shot."""
    return texts("answer.of", turned=count.turning, n=count.judged) if count.judged else ""


def _rest(count: Tally, texts: Texts) -> str:
    if count.slowing and count.stalled:
        first = texts("answer.rest_slowing", n=count.slowing)
        return texts("answer.rest_joint", first=first, second=texts("answer.rest_stalled", n=count.stalled))
    if count.slowing:
        return texts("answer.rest_end", first=texts("answer.rest_slowing", n=count.slowing))
    return texts("answer.rest_end", first=texts("answer.rest_stalled_first", n=count.stalled))


def _chest_missing(recordings: Sequence[RecordingView]) -> bool:
    worn = [recording.worn for recording in recordings]
    return bool(worn) and all(points is not None and CHEST not in points for points in worn)
