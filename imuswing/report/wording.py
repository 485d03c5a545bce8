"""Numbers as a coach reads them: rounded as the dictionary says, direction in words, ± the standard error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import isclose
from typing import Final

from imuswing.measures.dictionary import BY_NAME, Measure
from imuswing.measures.rates import CONTINUITY_LIMITS
from imuswing.report.plan_view import GoalView
from imuswing.report.shapes import Limits
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView
from imuswing.sensors.checks import decimals_apart
from imuswing.vocabulary import GRIP_POINTS, MAY_HAVE_SLIPPED, slipped_point

ALMOST_SURE: Final = 0.95
"""Chance from which a stall, or its absence, is told as almost without doubt (common practice, no source)."""
LIKELY: Final = 0.75
"""Chance from which it is told as probable (common practice, no source)."""

_MEANINGS: Final = (
    ("wrist_flexion", "flexion"),
    ("wrist_ulnar", "deviation"),
    ("shoulder_tilt_rate", "tiltrate"),
    ("shoulder_tilt", "tilt"),
    ("chest_lean", "lean"),
    ("chest_turn_rate", "rate"),
    ("pelvis_turn_rate", "rate"),
    ("chest_turn", "turn"),
    ("pelvis_turn", "turn"),
    ("shaft_lean", "shaft"),
    ("arm_height", "height"),
)
"""What the sign of a measure means, by the beginning of its name; the first that fits."""


def measure_text(values: Mapping[str, float | None], name: str, texts: Texts, *, se: bool = True) -> str:
    """A measure in words, such as `12° extended ± 2`."""
    measure, value = BY_NAME[name], values.get(name)
    if value is None:
        return texts("value.none")
    text = signed_text(measure, value, texts)
    error = values.get(measure.se_name) if measure.has_se else None
    if not se or error is None:
        return text
    return texts("value.se", text=text, se=error_text(measure, error, texts))


def signed_text(measure: Measure, value: float, texts: Texts) -> str:
    """A value with its unit; its sign becomes a direction in words."""
    meaning = meaning_of(measure)
    size = _with_unit(measure, abs(value) if meaning else value, texts)
    if meaning is None:
        return size
    zero = f"value.zero_{meaning}"
    if zero in texts.entries and float(f"{value:.{measure.decimals}f}") == 0.0:
        return texts(zero)
    return texts(f"value.{'negative' if value < 0 else 'positive'}_{meaning}", value=size)


def error_text(measure: Measure, error: float, texts: Texts) -> str:
    """A standard error; one that would round to nothing is told as less than the smallest step."""
    if float(f"{error:.{measure.decimals}f}") > 0.0:
        return texts.number(error, measure.decimals)
    return texts("value.se_small", smallest=texts.number(10.0**-measure.decimals, measure.decimals))


def table_text(measure: Measure, value: float | None, texts: Texts) -> str:
    """A table cell: a direction in words where the sign has one, else the bare number; "" where null."""
    if value is None:
        return ""
    if meaning_of(measure) is not None:
        return signed_text(measure, value, texts)
    return texts.number(value, _decimals(measure, value))


def meaning_of(measure: Measure) -> str | None:
    """What the sign of a measure tells, as the catalogue names it; None for plain sizes."""
    return next((meaning for start, meaning in _MEANINGS if measure.name.startswith(start)), None)


def certainty(swing: SwingView, texts: Texts) -> str | None:
    """How sure the verdict about a stall is; None without a probability."""
    chance = swing.values.get("chest_stall_probability")
    if chance is None:
        return None
    return texts(f"card.{_certainty_key(chance)}", chance=f"{100 * chance:.0f}")


def is_close_call(swing: SwingView) -> bool:
    """Whether the measurement leaves open if this is a stall."""
    chance = swing.values.get("chest_stall_probability")
    return chance is not None and 1.0 - LIKELY < chance < LIKELY


def verdict_text(verdict: str | None, texts: Texts) -> str:
    """A verdict in the page's words."""
    return texts(f"verdict.{verdict or 'unjudged'}")


def flag_text(flag: str, texts: Texts) -> str:
    """A flag in words: its own entry, or what it is about and the words for its ending."""
    for ending in ("too_uncertain", "samples_unusable", "samples_bridged", "left_out", "turns_backwards"):
        if f"flag.{flag}" not in texts.entries and flag.endswith(f"_{ending}"):
            about = flag.removesuffix(f"_{ending}")
            measure = BY_NAME.get(f"{about}_deg") or BY_NAME.get(f"{about}_impact_dps")
            what = texts.named("point", about) if measure is None else texts.label(measure)
            return texts(f"flag_ending.{ending}", what=what)
    if point := slipped_point(flag):
        ending = flag.removeprefix(f"{point}_")
        why = "_in_grip" if ending == MAY_HAVE_SLIPPED and point in GRIP_POINTS else ""
        return texts(f"slip.{ending}{why}", what=texts.named("point", point))
    return texts.named("flag", flag)


def chest_sentence(swing: SwingView, texts: Texts) -> str:
    """What the chest did, from the table's own numbers."""
    values = swing.values
    slowest, continuity = values.get("chest_turn_rate_min_dps"), values.get("chest_continuity")
    peak = measure_text(values, "chest_turn_rate_peak_dps", texts)
    if swing.verdict is None or values.get("chest_turn_rate_peak_dps") is None or slowest is None:
        return texts("card.unknown")
    if continuity is None:
        return texts("card.hardly", peak=peak)
    if slowest < 0:
        return texts("card.back", peak=peak, min=measure_text({**values, _MIN: -slowest}, _MIN, texts))
    key = {"turning": "kept", "slowing": "fell", "stalled": "stopped" if continuity < _NOTHING_LEFT else "fell"}
    share = _share(continuity, texts)
    return texts(f"card.{key[swing.verdict]}", peak=peak, min=measure_text(values, _MIN, texts), share=share)


def recording_name(recording: RecordingView, texts: Texts) -> str:
    """A recording's labels as a reader names it: pseudonym, visit, task and what else tells it apart."""
    labels = recording.labels
    session, acq, run = (labels[name] for name in ("session", "acq", "run"))
    parts = [
        labels["participant"],
        session and texts("page.session", session=session),
        labels["task"],
        acq and texts("page.acq", acq=acq),
        run and texts("page.run", run=run),
    ]
    return " · ".join(part for part in parts if part)


_MIN: Final = "chest_turn_rate_min_dps"
_NOTHING_LEFT: Final = 0.15
"""Continuity under which the words say that almost nothing was left (common practice, no source)."""


def _certainty_key(chance: float) -> str:
    if chance >= ALMOST_SURE:
        return "sure_stall"
    if chance >= LIKELY:
        return "likely_stall"
    if chance > 1.0 - LIKELY:
        return "open_stall"
    return "unlikely_stall" if chance > 1.0 - ALMOST_SURE else "no_stall"


def _with_unit(measure: Measure, value: float, texts: Texts) -> str:
    return texts.quantity(texts.number(value, _decimals(measure, value)), measure.unit)


def _decimals(measure: Measure, value: float) -> int:
    """The measure's own, but more where a continuity beside a limit would be rounded to it: 0.699 is not 0.70."""
    limits = CONTINUITY_LIMITS if measure.name == "chest_continuity" else ()
    return decimals_apart(value, *limits, least=measure.decimals)


def _share(value: float, texts: Texts, *, decimals: int = 0) -> str:
    """A continuity in per cent, told from the verdict's limits like any."""
    per_cent, *limits = (round(100.0 * number, 9) for number in (value, *CONTINUITY_LIMITS))
    return texts("card.share", value=texts.number(per_cent, decimals_apart(per_cent, *limits, least=decimals)))


def _exact(measure: Measure, value: float) -> Measure:
    """The measure with as many decimals as a value has that somebody set, which is not to be rounded."""
    enough = (d for d in range(measure.decimals, measure.decimals + 4) if isclose(round(value, d), value, abs_tol=1e-9))
    return replace(measure, decimals=next(enough, measure.decimals + 4))


def plain_text(measure: Measure, value: float, texts: Texts) -> str:
    """A value in the words of the student's page: continuity as a share, directions without terms of the trade."""
    if measure.name == "chest_continuity":
        return _share(value, texts, decimals=measure.decimals - BY_NAME[measure.name].decimals)
    meaning = meaning_of(measure)
    size = _with_unit(measure, abs(value) if meaning else value, texts)
    side = "zero" if float(f"{value:.{measure.decimals}f}") == 0.0 else "negative" if value < 0 else "positive"
    key = f"plain_value.{side}_{meaning}"
    return texts(key, value=size) if key in texts.entries else signed_text(measure, value, texts)


def limit_shares(limits: Limits, texts: Texts) -> dict[str, str]:
    """The limits of the verdicts in per cent of the chest's fastest turn, by their names in the texts."""
    known = {"turning": limits.turning, "stalled": limits.stalled}
    continuity = BY_NAME["chest_continuity"]
    return {name: plain_text(_exact(continuity, value), value, texts) for name, value in known.items()}


def se_text(values: Mapping[str, float | None], name: str, texts: Texts) -> str:
    """Half the width, with its unit, that holds 95 of 100 true values (1.96 standard errors); "" where not known."""
    measure = BY_NAME[name]
    error = values.get(measure.se_name) if measure.has_se else None
    return "" if error is None else texts("student.within", value=_with_unit(measure, 1.96 * error, texts))


def goal_text(goal: GoalView, texts: Texts, *, plainly: bool = True) -> str:
    """A goal in a sentence: the measure, in the student's words or as the coach knows it, and its band."""
    measure = BY_NAME[goal.measure]
    what = texts.plainly(measure) if plainly else texts.label(measure)
    ends = {
        name: plain_text(_exact(measure, end), end, texts)
        for name, end in (("low", goal.low), ("high", goal.high))
        if end is not None
    }
    key = "between" if len(ends) == 2 else "over" if "low" in ends else "under"
    return texts(f"goal.{key}", what=what, **ends)
