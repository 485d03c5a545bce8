"""The parts of the lesson's page about the swings: through the ball, lead wrist, backswing."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np

from imuswing.measures.dictionary import BY_NAME, MEASURES
from imuswing.report.answer import headline, short_answer, tally
from imuswing.report.markup import Child, Html, tag
from imuswing.report.pictures import LARGE_SIZE, arm_arc, arm_picture, hill_picture, verdict_mark
from imuswing.report.shapes import CHEST_RATE, SHOWN_S, Limits, hill_of
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView
from imuswing.report.wording import certainty, chest_sentence, flag_text, measure_text, verdict_text
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

NUMBER_TIMES_S = (-0.2, -0.15, -0.1, -0.05, 0.0, 0.05, 0.1, 0.15, 0.2)
"""Times at which the picked curve is told in numbers: the tick marks of the picture and the middles between them."""

_IN_SENTENCE = ("chest_turn_rate_peak_dps", "chest_turn_rate_min_dps", "chest_continuity", "chest_stall_probability")
_IN_WRIST_TABLE = tuple(measure.name for measure in MEASURES if measure.group == "wrist")


def picked_first(recording: RecordingView) -> SwingView | None:
    """The swing shown before anyone picks one: the shot that kept least of its turn, else the last swing."""
    judged = [shot for shot in recording.shots if shot.values.get("chest_continuity") is not None]
    if judged:
        return min(judged, key=lambda shot: shot.values["chest_continuity"] or 0.0)
    return (recording.shots or recording.swings or (None,))[-1]


def chest_section(recording: RecordingView, limits: Limits, texts: Texts) -> Html:
    """Small hills to pick from, the plot's place with a still picture in it, the picked swing's numbers."""
    picked = picked_first(recording)
    if picked is None:
        return tag("p", texts("answer.none"))
    if not any(hill_of(swing, limits) for swing in recording.swings):
        missing = recording.worn is not None and CHEST not in recording.worn
        body: Child = tag("p", texts("chest.no_sensor" if missing else "chest.no_curves"), class_="absent")
    else:
        body = tag("p", texts("chest.read"), class_="read")
    if any("events_from_chest" in swing.flags for swing in recording.swings):
        body = [body, tag("p", texts("chest.events_from_chest"), class_="read")]
    plot = _chest_plot_place(recording, picked, limits, texts)
    return tag(
        "div",
        body,
        tag(
            "div",
            plot and tag("div", plot, class_="plotted"),
            _tiles(recording, picked, limits, texts),
            tag(
                "div",
                [_card(swing, swing is picked, texts) for swing in recording.swings],
                class_="cards",
                aria_live="polite",
            ),
            class_="beside chest",
        ),
    )


def _tiles(recording: RecordingView, picked: SwingView, limits: Limits, texts: Texts) -> Html:
    groups: list[Child] = []
    for block, shots in groupby(recording.shots, key=lambda shot: shot.block):
        members = list(shots)
        count = tally(members)
        detail = texts("chest.block_count", turned=count.turning, n=count.judged) if count.judged else None
        heading = tag("span", block or texts("chest.no_block"), class_="block")
        groups.append(
            tag("p", heading, [" ", tag("span", detail, class_="quiet")] if detail else None, class_="blockline")
        )
        groups.append(_tile_row(recording, members, picked, limits, texts))
    if recording.practice:
        groups.append(tag("p", tag("span", texts("chest.practice"), class_="block"), class_="blockline"))
        groups.append(_tile_row(recording, recording.practice, picked, limits, texts))
    return tag("fieldset", tag("legend", texts("chest.pick")), groups, class_="tiles")


def _tile_row(
    recording: RecordingView, swings: Sequence[SwingView], picked: SwingView, limits: Limits, texts: Texts
) -> Html:
    return tag("div", [_tile(recording, swing, swing is picked, limits, texts) for swing in swings], class_="tilerow")


def _tile(recording: RecordingView, swing: SwingView, checked: bool, limits: Limits, texts: Texts) -> Html:
    hill = hill_of(swing, limits)
    words = verdict_text(swing.verdict, texts)
    spoken = texts("chest.tile", swing=swing.number, kind=texts.named("kind", swing.kind), verdict=words)
    # Without a chest nothing is judged, and nothing need say so.
    judged = hill is not None or any(each.verdict is not None for each in recording.swings)
    return tag(
        "label",
        tag(
            "input",
            type="radio",
            name=f"pick-{recording.key}",
            value=swing.key,
            checked=checked,
            aria_label=spoken,
        ),
        hill_picture(hill, swing.verdict, limits) if hill else None,
        tag(
            "span",
            tag("b", swing.number),
            [verdict_mark(swing.verdict), tag("span", texts(f"tile.{swing.verdict or 'unjudged'}"))]
            if judged
            else None,
            class_=f"said {swing.verdict or 'unjudged'}",
            aria_hidden="true",
        ),
        class_="tile" if swing.is_shot else "tile practice",
    )


def _chest_plot_place(recording: RecordingView, picked: SwingView, limits: Limits, texts: Texts) -> Child:
    hill = hill_of(picked, limits)
    if not any(hill_of(swing, limits) for swing in recording.swings):
        return None
    answer = headline(tally(recording.swings), [recording], texts)
    start, end = (texts.number(abs(time), 1) for time in SHOWN_S)
    alt = texts("chest.alt", start=start, end=end, answer=answer)
    still = hill_picture(hill, picked.verdict, limits, size=LARGE_SIZE) if hill else None
    practice = tag(
        "label",
        tag("input", type="checkbox", data_practice=recording.key),
        " ",
        texts("chest.show_practice"),
        class_="switch",
    )
    return [
        tag("p", texts("chest.axis_rate"), class_="axis"),
        _plot_place(f"{recording.key}-chest", texts("chest.plot"), alt, still),
        tag("p", texts("chest.axis_time"), class_="axis under"),
        tag(
            "div",
            practice if recording.practice else None,
            tag("button", texts("chest.save"), type="button", data_save=f"{recording.key}-chest", class_="scripted"),
            class_="tools",
        ),
        tag("p", texts("chest.keys"), class_="quiet small"),
    ]


def _plot_place(key: str, title: str, alt: str, still: Child = None) -> Html:
    return tag(
        "div",
        tag("div", still, class_="canvas", data_plot=key),
        class_="plotbox",
        tabindex=0,
        role="img",
        aria_label=f"{title}. {alt}",
    )


def _card(swing: SwingView, shown: bool, texts: Texts) -> Html:
    title = texts("card.shot" if swing.is_shot else "card.practice", swing=swing.number)
    sure = certainty(swing, texts)
    noted = [
        (texts(f"card.{name}"), value) for name in ("block", "intent", "outcome") if (value := getattr(swing, name))
    ]
    return tag(
        "article",
        tag("h3", title),
        tag(
            "p",
            verdict_mark(swing.verdict),
            tag("span", verdict_text(swing.verdict, texts)),
            class_=f"verdict {swing.verdict or 'unjudged'}",
        ),
        tag("p", chest_sentence(swing, texts), class_="told"),
        tag("p", sure) if sure else None,
        _pairs(noted) if noted else None,
        _flag_list(swing, texts),
        _more_numbers(swing, texts),
        _curve_numbers(swing, texts),
        tag("p", texts("card.plus_minus"), class_="quiet small"),
        class_="card",
        data_for=swing.key,
        hidden=not shown,
    )


def _flag_list(swing: SwingView, texts: Texts) -> Child:
    if not swing.flags:
        return None
    flags = [tag("li", flag_text(flag, texts)) for flag in swing.flags]
    return [tag("p", texts("card.flags"), class_="small"), tag("ul", flags, class_="small")]


def _more_numbers(swing: SwingView, texts: Texts) -> Child:
    """All numbers that the swing has and that no sentence or table beside a plot tells."""
    rows: list[Child] = []
    for group, measures in groupby(MEASURES, key=lambda measure: measure.group):
        pairs = [
            (texts.label(measure), measure_text(swing.values, measure.name, texts))
            for measure in measures
            if swing.values.get(measure.name) is not None and measure.name not in _IN_SENTENCE
        ]
        if pairs:
            rows += [tag("h4", texts(f"group.{group}")), _pairs(pairs)]
    return tag("details", tag("summary", texts("card.more")), rows) if rows else None


def _curve_numbers(swing: SwingView, texts: Texts) -> Child:
    curve = swing.curve_of(CHEST_RATE)
    if curve is None:
        return None
    rates = np.interp(NUMBER_TIMES_S, *curve, left=np.nan, right=np.nan)
    cells = [
        tag(
            "tr",
            tag("th", texts.quantity(texts.number(time, 2, sign=True), "s"), scope="row"),
            tag("td", _rate(rate, texts)),
        )
        for time, rate in zip(NUMBER_TIMES_S, rates, strict=True)
    ]
    head = tag(
        "tr", tag("th", texts("chest.number_time"), scope="col"), tag("th", texts("chest.number_rate"), scope="col")
    )
    table = tag("table", tag("thead", head), tag("tbody", cells), class_="plain")
    return tag("details", tag("summary", texts("chest.numbers")), table)


def _rate(rate: float, texts: Texts) -> str:
    return texts.quantity(texts.number(rate), "°/s") if np.isfinite(rate) else texts("value.none")


def _pairs(pairs: Sequence[tuple[str, str]]) -> Html:
    return tag("dl", [tag("div", tag("dt", name), tag("dd", value)) for name, value in pairs])


def wrist_section(recording: RecordingView, texts: Texts) -> Html:
    """The wrist's plot and, beside it, address, top and impact in words for the picked swing."""
    picked = picked_first(recording)
    absent = _wrist_absent(recording, texts)
    if absent or picked is None:
        return tag("p", absent or texts("answer.none"), class_="absent")
    has_curves = any(swing.curve_of("wrist_flexion_deg") for swing in recording.swings)
    plot = _plot_place(f"{recording.key}-wrist", texts("wrist.plot"), texts("wrist.alt"))
    return tag(
        "div",
        tag("p", texts("wrist.read"), class_="read"),
        tag(
            "div",
            tag(
                "div",
                [plot, tag("p", texts("chest.axis_time"), class_="axis under")] if has_curves else None,
                tag("p", texts("wrist.bars" if has_curves else "wrist.no_curves"), class_="quiet small"),
                class_="plotted",
            ),
            tag("div", [_wrist_card(swing, swing is picked, texts) for swing in recording.swings], class_="cards"),
            class_="beside",
        ),
    )


def _wrist_absent(recording: RecordingView, texts: Texts) -> str | None:
    needed = (LEAD_FOREARM, LEAD_HAND)
    missing = [point for point in needed if recording.worn is not None and point not in recording.worn]
    if len(missing) == len(needed):
        return texts("wrist.no_sensors")
    if missing:
        return texts("wrist.no_sensor", missing=texts.named("point", missing[0]))
    return None if any(recording.has(name) for name in _IN_WRIST_TABLE) else texts("wrist.no_values")


def _wrist_card(swing: SwingView, shown: bool, texts: Texts) -> Html:
    rows = []
    for moment in ("address", "top", "impact"):
        cells = [measure_text(swing.values, f"wrist_{angle}_{moment}_deg", texts) for angle in ("flexion", "ulnar")]
        rows.append(tag("tr", tag("th", texts(f"wrist.{moment}"), scope="row"), [tag("td", cell) for cell in cells]))
    heads = (texts("wrist.moment"), texts("wrist.flexion"), texts("wrist.deviation"))
    head = tag("tr", [tag("th", name, scope="col") for name in heads])
    return tag(
        "article",
        tag("h3", texts("chest.swing", swing=swing.number)),
        tag("table", tag("thead", head), tag("tbody", rows), class_="plain"),
        tag("p", texts("card.plus_minus"), class_="quiet small"),
        class_="card",
        data_for=swing.key,
        hidden=not shown,
    )


_BACKSWING = tuple(measure.name for measure in MEASURES if measure.group == "backswing")


def backswing_section(recording: RecordingView, texts: Texts) -> Html:
    """The arm's arc as a drawing, every shot a tick, and the picked swing's numbers beside it."""
    picked = picked_first(recording)
    if picked is None:
        return tag("p", texts("answer.none"), class_="absent")
    if recording.worn is not None and LEAD_FOREARM not in recording.worn:
        return tag("p", texts("backswing.no_sensor"), class_="absent")
    if not any(recording.has(name) for name in _BACKSWING):
        return tag("p", texts("backswing.no_values"), class_="absent")
    drawn = any(arm_arc(swing) for swing in recording.swings)
    return tag(
        "div",
        tag("p", texts("backswing.read"), class_="read") if drawn else None,
        tag(
            "div",
            tag("div", _arm_drawing(recording, picked, texts) if drawn else None, class_="plotted"),
            tag("div", [_arm_card(swing, swing is picked, texts) for swing in recording.swings], class_="cards"),
            class_="beside",
        ),
    )


def _arm_drawing(recording: RecordingView, picked: SwingView, texts: Texts) -> Child:
    alt = texts("backswing.alt", text=_spans(recording, texts) or texts("value.none"))
    lead_side = str(recording.described.get("lead_side") or "left")
    picture = arm_picture(recording.swings, picked=picked.key, lead_side=lead_side, texts=texts, alt=alt)
    return [picture, tag("p", texts("backswing.caption"), " ", _spans(recording, texts), class_="quiet small")]


def _arm_card(swing: SwingView, shown: bool, texts: Texts) -> Html:
    pairs = [
        (texts.label(BY_NAME[name]), measure_text(swing.values, name, texts))
        for name in _BACKSWING
        if swing.values.get(name) is not None
    ]
    return tag(
        "article",
        tag("h3", texts("chest.swing", swing=swing.number)),
        _pairs(pairs) if pairs else tag("p", texts("value.none")),
        tag("p", texts("card.plus_minus"), class_="quiet small"),
        class_="card",
        data_for=swing.key,
        hidden=not shown,
    )


def _spans(recording: RecordingView, texts: Texts) -> str:
    """From where to where the shots' arcs and heights went; empty for fewer than two."""
    sentences = []
    for key, name in (("arc", "backswing_arc_deg"), ("height", "arm_height_top_deg")):
        known = [shot.values for shot in recording.shots if shot.values.get(name) is not None]
        known.sort(key=lambda values: values[name] or 0.0)
        if len(known) > 1:
            low, high = (measure_text(values, name, texts, se=False) for values in (known[0], known[-1]))
            sentences.append(texts(f"backswing.span_{key}", n=len(known), low=low, high=high))
    return " ".join(sentences)


def answer_rows(recordings: Sequence[RecordingView], names: Sequence[str], texts: Texts) -> Html:
    """Recording by recording, in so many of so many shots."""
    rows = [
        tag("tr", tag("th", name, scope="row"), tag("td", short_answer(tally(recording.swings), texts) or "–"))
        for recording, name in zip(recordings, names, strict=True)
    ]
    head = tag("tr", [tag("th", text, scope="col") for text in (texts("answer.recording"), texts("answer.kept"))])
    return tag("table", tag("thead", head), tag("tbody", rows), class_="plain byrecording")
