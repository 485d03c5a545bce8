"""The researcher's page: what a dataset holds, how it is spread, how it repeats, how good it is; no swing by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from imuswing.compare.describe import FlagCount, TaskCount, distributions, flag_counts, task_counts
from imuswing.compare.reliability import reliability
from imuswing.report.dataset_quality import DatasetQuality, dataset_quality
from imuswing.report.document import document, section
from imuswing.report.ledger import cautions_section
from imuswing.report.load import Dataset
from imuswing.report.markup import Child, Html, tag
from imuswing.report.researcher_parts import (
    distribution_tables,
    plain_table,
    quality_parts,
    reliability_table,
    task_name,
)
from imuswing.report.said import said
from imuswing.report.shapes import limits_from
from imuswing.report.texts import ENGLISH, Texts
from imuswing.report.wording import flag_text

MOST_FLAGS = 60
"""Rows of the table of flags; the page must not grow with the dataset."""


def render_researcher(dataset: Dataset, *, blocks: Sequence[str] = (), texts: Texts = ENGLISH) -> str:
    """The page of a whole dataset as HTML text; its size does not grow with the number of swings.

    blocks: the reliability is told from shots of these only; from all where empty.
    """
    counts = task_counts(dataset.swings)
    quality = dataset_quality(dataset.quality["recordings"], told=lambda text: said(text, texts) or text)
    spread = distributions(dataset.swings)
    repeating = reliability(dataset.swings, blocks=blocks)
    body = [
        tag("a", texts("page.skip"), href="#answer", class_="skip"),
        _header(dataset, counts, quality, texts),
        tag(
            "main",
            section("there", texts("researcher.there"), _there(counts, texts)),
            section("spread", texts("researcher.spread"), distribution_tables(spread, texts)),
            section("repeats", texts("researcher.repeats"), reliability_table(repeating, blocks, texts)),
            section("quality", texts("researcher.quality"), quality_parts(quality, dataset.failures, texts)),
            section("flags", texts("researcher.flags"), _flags(flag_counts(dataset.swings), dataset, texts)),
            section("method", texts("researcher.method"), _method(dataset.quality, texts)),
            section("cautions", texts("cautions.title"), cautions_section(limits_from(dataset.quality), texts)),
        ),
        tag("footer", tag("p", texts("researcher.privacy"), class_="small")),
    ]
    styles = ("page.css", "researcher.css")
    return document(body, title=texts("researcher.title"), texts=texts, styles=styles)


def _header(dataset: Dataset, counts: Sequence[TaskCount], quality: DatasetQuality, texts: Texts) -> Html:
    swings = dataset.swings
    shots = sum(count.shots for count in counts)
    recordings = max(quality.recordings, sum(count.recordings for count in counts))
    answer = texts(
        "researcher.answer",
        shots=texts.count("researcher.shots", shots),
        people=texts.count("researcher.people", int(swings["participant"].nunique())),
        recordings=texts.count("researcher.recordings", recordings),
    )
    said = [texts.count("researcher.practice", len(swings) - shots)] if len(swings) > shots else []
    if dataset.failures:
        said.append(texts.count("researcher.failed", len(dataset.failures)))
    simulated = quality.simulated
    key = "page.simulated" if simulated == quality.recordings else "researcher.partly_simulated"
    return tag(
        "header",
        tag("p", texts("researcher.kicker"), class_="kicker"),
        tag("p", texts(key), class_="simulated") if simulated else None,
        tag("h1", answer, id="answer", tabindex=-1),
        tag("p", " ".join(said), class_="rest") if said else None,
    )


def _there(counts: Sequence[TaskCount], texts: Texts) -> list[Child]:
    rows: list[Sequence[Child]] = []
    for count in counts:
        judged = sum(count.verdicts.values())
        told = [
            f"{number} ({_percent(number, judged, texts)})" if judged else "–" for number in count.verdicts.values()
        ]
        rows.append([task_name(count.task, texts), count.students, count.visits, count.recordings, count.swings,
                     count.shots, *told])  # fmt: skip
    heads = [texts(f"researcher.{name}") for name in ("task", "students", "visits", "files", "swings", "struck")]
    heads += [texts(f"tile.{verdict}") for verdict in ("turning", "slowing", "stalled")]
    table = plain_table(texts("researcher.there"), heads, rows)
    return [tag("p", texts("researcher.there_read"), class_="read"), table]


def _flags(flags: Sequence[FlagCount], dataset: Dataset, texts: Texts) -> list[Child]:
    if not flags:
        return [tag("p", texts("researcher.no_flags"))]
    rows: list[Sequence[Child]] = [
        [flag_text(one.flag, texts), tag("code", one.flag), one.swings,
         _percent(one.swings, len(dataset.swings), texts), one.students]
        for one in flags[:MOST_FLAGS]
    ]  # fmt: skip
    heads = [texts(f"researcher.{name}") for name in ("flag", "column", "swings", "share", "students")]
    more = len(flags) - MOST_FLAGS
    return [
        tag("p", texts("researcher.flags_read"), class_="read"),
        plain_table(texts("researcher.flags"), heads, rows),
        tag("p", texts.count("researcher.more_rows", more), class_="quiet small") if more > 0 else None,
    ]


def _percent(part: int, whole: int, texts: Texts) -> str:
    return texts("researcher.percent", value=texts.number(100.0 * part / whole, 0)) if whole else "–"


def _method(quality: Mapping[str, Any], texts: Texts) -> list[Child]:
    names = ("typical_error", "detectable", "icc", "shift", "few", "files")
    version = quality.get("imuswing")
    return [
        tag("ul", [tag("li", texts(f"researcher.method_{name}")) for name in names]),
        tag("p", texts("page.made_with", version=version), class_="quiet small") if version else None,
    ]
