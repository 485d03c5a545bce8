"""Tables and small pictures of the researcher's page."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Final

from imuswing.compare.describe import PERCENTILES, Distribution
from imuswing.compare.reliability import MeasureRepeats, Repeats
from imuswing.measures.dictionary import BY_NAME, Measure
from imuswing.report.dataset_quality import DatasetQuality, SensorQuality, Spread
from imuswing.report.load import Failed
from imuswing.report.markup import Child, Html, tag
from imuswing.report.texts import Texts

HILL: Final = (180, 36)
LINE: Final = (120, 18)
MOST_ROWS: Final = 20
"""Rows of a list of recordings: the page must not grow with the dataset."""
MOST_SAID: Final = 40
MOST_TASKS: Final = 12
"""Kinds of shot told of each measure, those with most shots."""


def plain_table(name: str, heads: Sequence[Child], rows: Sequence[Sequence[Child]]) -> Html:
    """A table whose first cells are headings, in a frame that scrolls sideways."""
    head = tag("tr", [tag("th", text, scope="col") for text in heads])
    body = [tag("tr", tag("th", row[0], scope="row"), [tag("td", cell) for cell in row[1:]]) for row in rows]
    table = tag("table", tag("thead", head), tag("tbody", body), class_="plain wide")
    return tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=name)


def task_name(task: str | None, texts: Texts) -> str:
    """A kind of shot as the page names it."""
    return task or texts("researcher.no_task")


def distribution_tables(found: Sequence[Distribution], texts: Texts) -> list[Child]:
    """A table for each group of measures: a row a measure and kind of shot, with its picture and its numbers."""
    if not found:
        return [tag("p", texts("researcher.nothing_measured"), class_="absent")]
    heads = [
        texts(f"researcher.{name}") for name in ("measure", "task", "picture", "measured", "students", "mean", "sd")
    ]
    heads += [texts("researcher.sd_between"), *(texts("researcher.percent", value=f"{p:.0f}") for p in PERCENTILES)]
    parts: list[Child] = [tag("p", texts("researcher.spread_read"), class_="read")]
    for group, members in groupby(found, key=lambda one: BY_NAME[one.measure].group):
        rows: list[Sequence[Child]] = []
        for name, tasks in groupby(members, key=lambda one: one.measure):
            for place, one in enumerate(list(tasks)[:MOST_TASKS]):
                rows.append(_distribution_row(BY_NAME[name], one, texts, first=place == 0))
        title = texts(f"group.{group}")
        table = plain_table(f"{texts('researcher.spread')}: {title}", heads, rows)
        parts.append(tag("details", tag("summary", title), table, open=group == "chest"))
    return parts


def _distribution_row(measure: Measure, one: Distribution, texts: Texts, *, first: bool) -> list[Child]:
    name = _with_unit(measure, texts)
    known = texts("answer.of", turned=one.measured, n=one.shots)
    return [
        name if first else tag("span", name, class_="unseen"),
        task_name(one.task, texts),
        _hill(measure, one, texts),
        known,
        one.students,
        *(_number(measure, value, texts) for value in (one.mean, one.sd, one.sd_between, *one.percentiles)),
    ]


def _with_unit(measure: Measure, texts: Texts) -> str:
    unit = texts.unit(measure.unit)
    return f"{texts.label(measure)}, {unit}" if unit else texts.label(measure)


def _number(measure: Measure, value: float | None, texts: Texts, *, sign: bool = False) -> str:
    """One decimal more than a single swing is told with: these are means and spreads of many."""
    return "–" if value is None else texts.number(value, measure.decimals + 1, sign=sign)


def _hill(measure: Measure, one: Distribution, texts: Texts) -> Html:
    """The shots' distribution; the same scale for all kinds of shot, a line at the median."""
    width, height = HILL
    most = max(int(one.bins.max()), 1)
    step = width / len(one.bins)
    bars = "".join(
        f"M{k * step:.1f} {height}v{-(height - 2) * count / most:.1f}h{step:.1f}V{height}z"
        for k, count in enumerate(one.bins)
        if count
    )
    middle = one.percentiles[2]
    x = width * min(max((middle - one.low) / (one.high - one.low), 0.0), 1.0)
    low, high = (_number(measure, value, texts) for value in (one.percentiles[0], one.percentiles[-1]))
    alt = texts("researcher.hill_alt", low=low, high=high, middle=_number(measure, middle, texts))
    return tag(
        "svg",
        tag("title", alt),
        tag("path", d=bars, class_="bars"),
        tag("path", d=f"M0 {height}H{width}", class_="floor"),
        tag("path", d=f"M{x:.1f} 0V{height}", class_="middle"),
        class_="spreadhill",
        role="img",
        viewBox=f"0 0 {width} {height}",
    )


def reliability_table(found: Sequence[MeasureRepeats], blocks: Sequence[str], texts: Texts) -> list[Child]:
    """How measures repeat from visit to visit, a table a kind of shot; where it cannot be told, the reason."""
    told = texts("researcher.repeats_blocks", blocks=", ".join(blocks)) if blocks else texts("researcher.repeats_all")
    parts: list[Child] = [tag("p", texts("researcher.repeats_read"), " ", told, class_="read")]
    names = ("measure", "students", "visits", "shots_a_visit", "shot_sd", "measured_se", "typical_error", "detectable")
    heads = [*(texts(f"researcher.{name}") for name in names), texts("researcher.icc"), texts("researcher.icc_picture")]
    heads.append(texts("researcher.shift"))
    ordered = sorted(found, key=lambda one: one.task or "\uffff")
    for task, members in groupby(ordered, key=lambda one: one.task):
        rows = list(members)
        parts.append(tag("h3", task_name(task, texts)))
        if all(one.repeats is None for one in rows):
            parts.append(tag("p", texts("researcher.no_repeats"), class_="absent"))
        cells = [_repeats_row(one, texts) for one in rows]
        parts.append(plain_table(f"{texts('researcher.repeats')}: {task_name(task, texts)}", heads, cells))
    return parts if found else [*parts, tag("p", texts("researcher.nothing_measured"), class_="absent")]


def _repeats_row(one: MeasureRepeats, texts: Texts) -> list[Child]:
    measure, repeats = BY_NAME[one.measure], one.repeats
    shots = "–" if one.shots_a_visit is None else texts.number(one.shots_a_visit, 1)
    cells: list[Child] = [_with_unit(measure, texts)]
    cells += [repeats.students, repeats.visits] if repeats else ["–", "–"]
    cells += [shots, _number(measure, one.shot_sd, texts), _number(measure, one.measured_se, texts)]
    if repeats is None:
        return [*cells, "–", "–", "–", "–", "–"]
    return [
        *cells,
        _interval(measure, repeats.typical_error, repeats.typical_error_interval, texts),
        _number(measure, repeats.detectable, texts),
        texts("researcher.interval", value=texts.number(repeats.icc, 2),
              low=texts.number(repeats.icc_interval[0], 2), high=texts.number(repeats.icc_interval[1], 2)),
        _icc_line(repeats, texts),
        _interval(measure, repeats.shift, repeats.shift_interval, texts, sign=True),
    ]  # fmt: skip


def _interval(
    measure: Measure, value: float, interval: tuple[float, float], texts: Texts, *, sign: bool = False
) -> str:
    low, high = (_number(measure, end, texts, sign=sign) for end in interval)
    return texts("researcher.interval", value=_number(measure, value, texts, sign=sign), low=low, high=high)


def _icc_line(repeats: Repeats, texts: Texts) -> Html:
    """The coefficient and its interval on a line from 0 to 1."""
    width, height = LINE

    def x(value: float) -> float:
        return 4 + (width - 8) * min(max(value, 0.0), 1.0)

    low, high = repeats.icc_interval
    alt = texts("researcher.icc_alt", value=texts.number(repeats.icc, 2), low=texts.number(low, 2),
                high=texts.number(high, 2))  # fmt: skip
    return tag(
        "svg",
        tag("title", alt),
        tag("path", d=f"M4 {height / 2}H{width - 4}M4 3V{height - 3}M{width - 4} 3V{height - 3}", class_="floor"),
        tag("path", d=f"M{x(low):.1f} {height / 2}H{x(high):.1f}", class_="reach"),
        tag("circle", cx=f"{x(repeats.icc):.1f}", cy=height / 2, r=4, class_="dot"),
        class_="iccline",
        role="img",
        viewBox=f"0 0 {width} {height}",
    )


def quality_parts(quality: DatasetQuality, failures: Sequence[Failed], texts: Texts) -> list[Child]:
    """The dataset's quality, first what stands in the way of its numbers."""
    parts: list[Child] = [*_failed(failures, texts)]
    if not quality.recordings:
        return [*parts, tag("p", texts("quality.none"), class_="absent")]
    parts += [*_said(quality, texts), *_troubled(quality, texts)]
    worn = [[", ".join(texts.named("point", point) for point in points) or "–", *_share(count, quality, texts)]
            for points, count in quality.worn[:MOST_ROWS]]  # fmt: skip
    heads = [texts("researcher.worn"), texts("researcher.files"), texts("researcher.share")]
    parts += [tag("h3", texts("researcher.worn")), plain_table(texts("researcher.worn"), heads, worn)]
    sensors = [_sensor_row(sensor, texts) for sensor in quality.sensors]
    heads = [texts(f"quality.{name}") for name in ("sensor", "rate", "lost", "clipped", "gap")]
    heads = [heads[0], texts("researcher.files"), *heads[1:], texts("researcher.clock_se")]
    if sensors:
        parts += [tag("h3", texts("quality.sensors")), tag("p", texts("researcher.spread_of"), class_="read"),
                  plain_table(texts("quality.sensors"), heads, sensors)]  # fmt: skip
    return [*parts, *_calibration(quality, texts)]


def _share(count: int, quality: DatasetQuality, texts: Texts) -> list[Child]:
    return [count, texts("researcher.percent", value=texts.number(100.0 * count / quality.recordings, 0))]


def _failed(failures: Sequence[Failed], texts: Texts) -> list[Child]:
    if not failures:
        return []
    listed = [tag("li", tag("code", one.recording), ": ", tag("span", one.reason, lang="en"))
              for one in failures[:MOST_ROWS]]  # fmt: skip
    more = len(failures) - MOST_ROWS
    return [
        tag("h3", texts("researcher.failures")),
        tag("ul", listed, class_="long"),
        tag("p", texts.count("researcher.more_rows", more), class_="quiet small") if more > 0 else None,
    ]


def _said(quality: DatasetQuality, texts: Texts) -> list[Child]:
    if not quality.said:
        return [tag("p", texts("researcher.nothing_said"))]
    heads = [texts(f"researcher.{name}") for name in ("said", "level", "files", "share")]
    rows = [[one.text, texts(f"quality.{one.level}"), *_share(one.recordings, quality, texts)]
            for one in quality.said[:MOST_SAID]]  # fmt: skip
    more = len(quality.said) - MOST_SAID
    return [
        tag("h3", texts("researcher.warnings")),
        tag("p", texts("researcher.said_read"), class_="read"),
        plain_table(texts("researcher.warnings"), heads, rows),
        tag("p", texts.count("researcher.more_rows", more), class_="quiet small") if more > 0 else None,
    ]


def _troubled(quality: DatasetQuality, texts: Texts) -> list[Child]:
    if not quality.troubled:
        return []
    named = [(str(one.labels.get("file") or "–"), one.problems) for one in quality.troubled[:MOST_ROWS]]
    listed = [tag("li", tag("code", file), ": ", texts.count("researcher.problems", count)) for file, count in named]
    more = len(quality.troubled) - MOST_ROWS
    return [
        tag("details", tag("summary", texts.count("researcher.troubled", len(quality.troubled))),
            tag("ul", listed, class_="long"),
            tag("p", texts.count("researcher.more_rows", more), class_="quiet small") if more > 0 else None),
    ]  # fmt: skip


def _sensor_row(sensor: SensorQuality, texts: Texts) -> list[Child]:
    rate = "–"
    if sensor.rates is not None:
        least, median, most = (texts.number(value, 0) for value in sensor.rates)
        rate = median if least == most else texts("researcher.interval", value=median, low=least, high=most)
    return [
        texts.named("point", sensor.point),
        sensor.recordings,
        rate,
        _spread(sensor.lost, 2, texts),
        _spread(sensor.clipped, 2, texts),
        _spread(sensor.gap_s, 2, texts),
        _spread(sensor.clock_se_ms, 1, texts),
    ]


def _spread(spread: Spread | None, decimals: int, texts: Texts) -> str:
    if spread is None:
        return "–"
    return " / ".join(texts.number(value, decimals) for value in (spread.median, spread.high, spread.most))


def _calibration(quality: DatasetQuality, texts: Texts) -> list[Child]:
    sources = [[texts.named("source", source), *_share(count, quality, texts)] for source, count in quality.sources]
    heads = [texts("researcher.source"), texts("researcher.files"), texts("researcher.share")]
    parts: list[Child] = [
        tag("h3", texts("quality.calibration")),
        plain_table(texts("researcher.source"), heads, sources),
    ]
    if quality.steps:
        rows = [[texts.named("step", step.step), texts("answer.of", turned=step.found, n=step.recordings),
                 _spread(step.residual_deg, 1, texts)] for step in quality.steps]  # fmt: skip
        heads = [texts("quality.step"), texts("researcher.found"), texts("researcher.residual")]
        parts.append(plain_table(texts("quality.calibration"), heads, rows))
    return parts
