"""When a verdict is shown: the coach chooses how often, after what is known of learning.

After every shot it makes practice better and retention worse (Schmidt 1989); a summary, a band (Smith, Taylor & Withers
1997, from memory) or ever less (Winstein & Schmidt 1990, from memory) leave the learner to feel the shot; none at all
is the test.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from imuswing.live.messages import Band, Estimate, Feedback, Shot, Summary
from imuswing.vocabulary import KIND_SHOT

TURNING_FROM = "turning"
"""The verdict that counts as inside where no band was agreed."""


def in_bands(measures: Mapping[str, Estimate], bands: Mapping[str, Band]) -> dict[str, bool]:
    """By measure with a band and a value, whether it lies in it; the ends belong to it."""
    found = {}
    for name, (low, high) in bands.items():
        value = measures[name].value if name in measures else None
        if value is not None:
            found[name] = (low is None or value >= low) and (high is None or value <= high)
    return found


def is_shown(feedback: Feedback, *, count: int, verdict: str | None, inside: Mapping[str, bool]) -> bool:
    """Whether the verdict of a block's shot number `count` (1, 2, …) is shown.

    inside: by measure, whether it lies in its band; without an agreed band for the mode's measure the verdict `turning`
    counts as inside.
    """
    if feedback.mode == "every":
        return True
    if feedback.mode == "outside_band":
        return not inside.get(feedback.measure, verdict in (TURNING_FROM, None))
    if feedback.mode == "faded":
        return _faded(count, feedback.every)
    return False


def _faded(count: int, every: int) -> bool:
    """The first `every` shots all, then every second of as many, then every third, and so on."""
    stage, place = divmod(count - 1, every)
    return place % (stage + 1) == 0


def is_summed_up(feedback: Feedback, count: int) -> bool:
    """Whether after a block's shot number `count` a summary is due."""
    return feedback.mode == "summary" and count % feedback.every == 0


def summary(shots: Sequence[Shot]) -> Summary:
    """The given shots together; practice swings do not count."""
    struck = [shot for shot in shots if shot.kind == KIND_SHOT]
    verdicts = [shot.verdict for shot in struck if shot.verdict is not None]
    names = {name for shot in struck for name in shot.measures}
    bands = {name for shot in struck for name in shot.in_band}
    return Summary(
        numbers=tuple(shot.number for shot in struck),
        counts={verdict: verdicts.count(verdict) for verdict in dict.fromkeys(verdicts)},
        measures={name: _mean([shot.measures[name] for shot in struck if name in shot.measures]) for name in names},
        in_band={name: sum(shot.in_band.get(name, False) for shot in struck) for name in bands},
    )


def _mean(estimates: Sequence[Estimate]) -> Estimate:
    """Mean and its standard error from the spread; without a spread, the one estimate's own."""
    values = np.array([estimate.value for estimate in estimates if estimate.value is not None])
    if len(values) == 0:
        return Estimate(value=None)
    if len(values) == 1:
        return Estimate(value=float(values[0]), se=estimates[0].se)
    return Estimate(value=float(values.mean()), se=float(values.std(ddof=1) / np.sqrt(len(values))))
