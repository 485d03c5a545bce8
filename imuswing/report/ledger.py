"""The parts of the page that list: all swings, how good the recording is, words, cautions."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from imuswing.measures.dictionary import MEASURES, Measure, Unit
from imuswing.report.markup import Child, Html, tag
from imuswing.report.pictures import verdict_mark
from imuswing.report.said import said
from imuswing.report.shapes import Limits
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView
from imuswing.report.wording import error_text, flag_text, limit_shares, meaning_of, table_text, verdict_text

MAIN_COLUMNS: Final = (
    "chest_continuity",
    "chest_turn_rate_peak_dps",
    "chest_turn_rate_min_dps",
    "wrist_flexion_address_deg",
    "wrist_flexion_top_deg",
    "wrist_flexion_impact_deg",
    "backswing_arc_deg",
    "arm_height_top_deg",
    "tempo_ratio",
)
"""Measures that the table shows before "every measure" is asked for."""

_TWO_SHEETS: Final = tag(
    "svg",
    tag("path", d="M2 2h8v3M2 2v8h3M6 6h8v8h-8z", fill="none", stroke="currentColor", stroke_width="1.6"),
    class_="mark",
    viewBox="0 0 16 16",
    aria_hidden="true",
)


def swing_table(
    recordings: Sequence[RecordingView], names: Sequence[str], texts: Texts, *, beside: bool = False
) -> Html:
    """All swings of all recordings, sortable by every column; measures that no swing has are left out.

    beside: each row also has a button that lays its swing beside the picked one.
    """
    swings = [swing for recording in recordings for swing in recording.swings]
    if not swings:
        return tag("p", texts("table.empty"), class_="absent")
    measures = [m for m in MEASURES if any(swing.values.get(m.name) is not None for swing in swings)]
    several = len(recordings) > 1
    context = [name for name in ("block", "outcome", "flags") if any(getattr(swing, name) for swing in swings)]
    heads = ["swing", "verdict", *(["recording"] if several else []), "kind"]
    cells = [_head(texts(f"table.{name}"), None, texts) for name in heads]
    cells += [_head(texts.label(measure), measure, texts) for measure in measures]
    cells += [_head(texts(f"table.{name}"), None, texts) for name in context]
    rows = [
        _row(swing, recording, name if several else None, measures, context, texts, beside=beside)
        for recording, name in zip(recordings, names, strict=True)
        for swing in recording.swings
    ]
    table = tag(
        "table",
        tag("caption", texts("table.caption"), class_="unseen"),
        tag("thead", tag("tr", cells)),
        tag("tbody", rows),
        id="swings",
    )
    switch = tag("label", tag("input", type="checkbox", id="all-columns"), " ", texts("table.all_columns"))
    return tag(
        "div",
        tag("p", texts("table.read"), " ", texts("card.plus_minus"), class_="read"),
        tag("p", switch, class_="switch scripted"),
        tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=texts("table.scroll")),
        tag("p", class_="unseen", id="sorted", aria_live="polite"),
    )


def _head(text: str, measure: Measure | None, texts: Texts) -> Html:
    plain = measure is None or measure.unit in ("1", "P") or meaning_of(measure) is not None
    unit = "" if measure is None or plain else f", {texts.unit(measure.unit)}"
    return tag("th", tag("button", f"{text}{unit}", type="button", class_="sort"), scope="col", class_=_rank(measure))


def _rank(measure: Measure | None) -> str | None:
    return "extra" if measure is not None and measure.name not in MAIN_COLUMNS else None


def _row(
    swing: SwingView,
    recording: RecordingView,
    name: str | None,
    measures: Sequence[Measure],
    context: Sequence[str],
    texts: Texts,
    *,
    beside: bool,
) -> Html:
    pick = tag("button", swing.number, type="button", class_="pick", data_pick=swing.key)
    other = texts("coach.lay_beside", swing=swing.number)
    lay = tag("button", _TWO_SHEETS, type="button", class_="lay", data_lay=swing.key, aria_label=other, title=other)
    cells: list[Child] = [tag("th", pick, lay if beside else None, scope="row", data_sort=swing.number)]
    said = [verdict_mark(swing.verdict), tag("span", verdict_text(swing.verdict, texts))]
    order = {"turning": 2, "slowing": 1, "stalled": 0}.get(swing.verdict or "", -1)
    cells.append(tag("td", tag("span", said, class_=f"said {swing.verdict or 'unjudged'}"), data_sort=order))
    if name is not None:
        cells.append(tag("td", name))
    cells.append(tag("td", texts.named("kind", swing.kind)))
    cells += [_cell(swing, measure, texts) for measure in measures]
    for column in context:
        value = getattr(swing, column)
        cells.append(tag("td", ", ".join(flag_text(flag, texts) for flag in value) if column == "flags" else value))
    return tag("tr", cells, data_row=swing.key, data_recording=recording.key)


def _cell(swing: SwingView, measure: Measure, texts: Texts) -> Html:
    value = swing.values.get(measure.name)
    error = swing.values.get(measure.se_name) if measure.has_se and value is not None else None
    shown = None if error is None else tag("small", f" ±\u00a0{error_text(measure, error, texts)}")
    sort = None if value is None else f"{value:.6g}"
    style = " ".join(filter(None, ("num", _rank(measure))))
    return tag("td", table_text(measure, value, texts), shown, class_=style, data_sort=sort)


def warning_count(quality: Mapping[str, Any]) -> int:
    """How many problems (not pieces of advice) the quality record tells."""
    return sum(str(warning.get("level")) == "problem" for warning in _warnings(quality))


def _warnings(quality: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Warnings of the whole record and of its recordings."""
    found = list(quality.get("warnings") or ())
    for record in quality.get("recordings") or ():
        found += record.get("warnings") or ()
    return [warning for warning in found if isinstance(warning, Mapping)]


def quality_section(
    quality: Mapping[str, Any], recordings: Sequence[RecordingView], names: Sequence[str], texts: Texts
) -> Html:
    """What was worn, what is wrong with it and what to do, in words; tables of sensors and steps below."""
    if not quality.get("recordings") and not _warnings(quality):
        return tag("p", texts("quality.none"), class_="absent")
    warnings = [_warning(warning, texts) for warning in _warnings(quality)]
    parts: list[Child] = [tag("ul", warnings, class_="warnings") if warnings else tag("p", texts("quality.good"))]
    for recording, name in zip(recordings, names, strict=True):
        body = _recording_quality(recording, texts)
        parts.append(tag("details", tag("summary", name), body, open=len(recordings) == 1))
    parts.append(_settings(quality.get("settings"), texts))
    return tag("div", parts)


def _settings(settings: Any, texts: Texts) -> Html | None:
    if not settings:
        return None
    text = json.dumps(settings, indent=1, ensure_ascii=False, default=str)
    return tag("details", tag("summary", texts("quality.settings")), tag("pre", text))


def _warning(warning: Mapping[str, Any], texts: Texts) -> Html:
    level = "problem" if str(warning.get("level")) == "problem" else "advice"
    do = warning.get("do")
    told = tag("span", texts("quality.do"), " ", _as_written(str(do), texts), class_="do") if do else None
    return tag(
        "li",
        tag("b", texts(f"quality.{level}")),
        ": ",
        _as_written(str(warning.get("text", "")), texts),
        " ",
        told,
        class_=level,
    )


def _as_written(text: str, texts: Texts) -> Child:
    """A sentence of the analysis in the page's language; one that the catalogue does not know stays English."""
    known = said(text, texts) if text else ""
    return tag("span", text, lang="en") if known is None else known


def _recording_quality(recording: RecordingView, texts: Texts) -> Child:
    record, described = recording.quality, recording.described
    worn = [texts.named("point", point) for point in recording.worn or ()]
    sentences = [texts("quality.worn", points=", ".join(worn)) if worn else texts("quality.worn_none")]
    if described.get("lead_side"):
        sentences.append(texts("quality.lead_side", side=texts.named("side", str(described["lead_side"]))))
    parts: list[Child] = [tag("p", " ".join(sentences))]
    if described.get("file"):
        parts.append(tag("p", texts("quality.file", file=str(described["file"])), class_="quiet small"))
    sensors = record.get("sensors") or {}
    if sensors:
        heads = ("sensor", "rate", "lost", "clipped", "gap", "bias", "clock")
        rows = [[texts.named("point", str(point)), *_sensor_cells(sensor, texts)] for point, sensor in sensors.items()]
        parts += [tag("h3", texts("quality.sensors")), _table(heads, rows, texts)]
    calibration = record.get("calibration") or {}
    if calibration.get("source"):
        parts.append(tag("p", texts("quality.calibration_from", source=_sources(calibration["source"], texts))))
    steps = calibration.get("steps") or {}
    if steps:
        rows = [[texts.named("step", str(step)), *_step_cells(found, texts)] for step, found in steps.items()]
        parts += [
            tag("h3", texts("quality.calibration")),
            _table(("step", "found_head", "residual", "said"), rows, texts),
        ]
    parts.append(_settings(record.get("settings"), texts))
    return parts


def _sensor_cells(sensor: Mapping[str, Any], texts: Texts) -> list[Child]:
    bias = sensor.get("gyro_bias_dps")
    clock = sensor.get("clock") or {}
    samples, lost, clipped = (sensor.get(f"{name}samples") for name in ("", "lost_", "clipped_"))
    return [
        _plain(sensor.get("rate_hz"), 0, texts),
        _share(lost, samples, texts),
        _share(clipped, samples, texts),
        _with_unit(sensor.get("longest_gap_s"), 2, "s", texts),
        texts.quantity(" ".join(_plain(value, 2, texts) for value in bias), "°/s") if bias else "–",
        _clock(clock, texts),
    ]


def _clock(clock: Mapping[str, Any], texts: Texts) -> str:
    offset, source = clock.get("offset_s"), clock.get("source")
    if offset is None:
        return _sources(source, texts) if source else "–"
    if not offset and not clock.get("drift_ppm"):
        return texts("quality.clock_first")
    drift = _plain(clock.get("drift_ppm"), 0, texts)
    named = _sources(source, texts) if source else "–"
    return texts("quality.clock_own", offset=_plain(offset, 3, texts), drift=drift, source=named)


def _sources(source: Any, texts: Texts) -> str:
    """What something was found from, such as `motion and shocks and taps`, in the page's words."""
    return " + ".join(texts.named("source", part) for part in str(source).split(" and "))


def _step_cells(step: Mapping[str, Any], texts: Texts) -> list[Child]:
    text = str(step.get("text") or "")
    how = "missing" if not step.get("found") else "marked" if step.get("marked") else "found"
    return [texts(f"quality.{how}"), _with_unit(step.get("residual_deg"), 1, "°", texts), _as_written(text, texts)]


def _table(heads: Sequence[str], rows: Sequence[Sequence[Child]], texts: Texts) -> Html:
    head = tag("tr", [tag("th", texts(f"quality.{name}"), scope="col") for name in heads])
    body = [tag("tr", tag("th", row[0], scope="row"), [tag("td", cell) for cell in row[1:]]) for row in rows]
    table = tag("table", tag("thead", head), tag("tbody", body), class_="plain wide")
    return tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=texts(f"quality.{heads[0]}"))


def _plain(value: Any, decimals: int, texts: Texts) -> str:
    return "–" if value is None else texts.number(float(value), decimals)


def _with_unit(value: Any, decimals: int, unit: Unit, texts: Texts) -> str:
    return "–" if value is None else texts.quantity(texts.number(float(value), decimals), unit)


def _share(part: Any, whole: Any, texts: Texts) -> str:
    if part is None:
        return "–"
    if not whole or not part:
        return f"{int(part)}"
    return texts("quality.share", count=int(part), share=texts.number(100 * part / whole, 2))


def words_section(limits: Limits, texts: Texts) -> Html:
    """Trade words, signs and the definition of every measure."""
    verdicts = texts(
        "words.verdicts_text",
        before=texts.number(limits.before_s, 2),
        after=texts.number(limits.after_s, 2),
        turning=texts.number(limits.turning, 1),
        stalled=texts.number(limits.stalled, 1),
    )
    names = ("stall", "lead", "moments", "p3")
    pairs = [(texts(f"words.{name}"), texts(f"words.{name}_text")) for name in names]
    pairs.insert(1, (texts("words.verdicts"), verdicts))
    listed = [tag("div", tag("dt", name), tag("dd", text)) for name, text in pairs]
    measures = [tag("div", tag("dt", texts.label(m)), tag("dd", _meaning(m, texts))) for m in MEASURES]
    more = tag("details", tag("summary", texts("words.measures")), tag("dl", measures, class_="words"))
    return tag("div", tag("dl", listed, class_="words"), more)


def _meaning(measure: Measure, texts: Texts) -> str:
    definition = texts.definition(measure)
    sign = texts.sign(measure)
    return f"{definition} ({sign})" if sign else definition


def cautions_section(limits: Limits, texts: Texts) -> Html:
    """What a reader must know before acting on the page."""
    names = ("device", "pain", "warm", "space", "teacher", "optical", "limits")
    return tag("ul", [tag("li", texts(f"cautions.{name}", **limit_shares(limits, texts))) for name in names])
