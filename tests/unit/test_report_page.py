"""The page as text: self-contained, escaped, of bounded size, and never short of a sentence."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from html_for_tests import read
from plotly.offline import get_plotlyjs_version
from tables_for_tests import MIX, lesson_tables, several

import imuswing
from imuswing.report.ledger import _step_cells
from imuswing.report.lesson_page import render_lesson
from imuswing.report.markup import tag
from imuswing.report.texts import load_texts
from imuswing.simulate import simulate_recording

TWENTY = [*MIX, *MIX]
HOSTILE = "</script><img src=x onerror=alert(1)>\"'&{n}"
CASES = {
    "mix": lambda: lesson_tables(),
    "no shots": lambda: lesson_tables(verdicts=(), practice=2),
    "nothing": lambda: lesson_tables(verdicts=(), practice=0),
    "one swing": lambda: lesson_tables(verdicts=["slowing"], practice=0),
    "sixty": lambda: lesson_tables(verdicts=(MIX * 7)[:57], practice=3),
    "chest only": lambda: lesson_tables(worn=("chest",)),
    "no chest": lambda: lesson_tables(worn=("lead_forearm", "lead_hand")),
    "forearm only": lambda: lesson_tables(worn=("lead_forearm",)),
    "two golfers": lambda: several(lesson_tables(), lesson_tables(participant="P02", lead_side="right", seed=8)),
    "no blocks": lambda: lesson_tables(blocks=False),
}


@pytest.mark.parametrize("case", CASES)
def test_every_case_gives_a_well_formed_page_with_unique_ids(case: str) -> None:
    page = read(render_lesson(*CASES[case]()))
    assert page.wrong == []
    assert page.open == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert "nan" not in " ".join(page.text).lower().split()
    assert "None" not in " ".join(page.text).split()


@pytest.mark.parametrize(
    ("case", "sentence"),
    [
        ("mix", "The chest kept turning through the ball in 5 of 9 shots."),
        ("nothing", "No shot was found in this recording."),
        ("no shots", "No shot was found in this recording."),
        ("no chest", "No chest sensor was worn, so whether the chest kept turning is not known."),
        ("forearm only", "lead hand was not worn, so there is nothing to show here."),
        ("chest only", "The wrist needs a sensor on the lead forearm and one on the lead hand; neither was worn"),
        ("chest only", "The backswing needs a sensor on the lead forearm; none was worn"),
        ("two golfers", "in 10 of 18 shots by 2 golfers"),
    ],
)
def test_what_was_not_worn_or_not_found_is_said_in_a_sentence(case: str, sentence: str) -> None:
    assert sentence in " ".join(read(render_lesson(*CASES[case]())).text)


def test_the_answer_comes_before_any_script() -> None:
    html = render_lesson(*lesson_tables())
    assert html.index("<h1") < html.index("<script")
    assert html.index('class="hill"') < html.index("<script")


def test_nothing_points_outside_the_file() -> None:
    page = read(render_lesson(*lesson_tables()))
    links = [
        (name, attributes[name])
        for name, attributes in (
            (n, a) for _, a in page.elements for n in ("src", "href", "action", "srcset") if n in a
        )
    ]
    assert links
    assert all(str(value).startswith("#") for _, value in links)


def test_the_policy_allows_the_pages_own_two_scripts_and_nothing_else() -> None:
    html = render_lesson(*lesson_tables())
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', html)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.replace("&#x27;", "'").split(";"))
    assert rules["default-src"] == rules["connect-src"] == rules["form-action"] == rules["base-uri"] == "'none'"
    packed = re.search(r'id="plotly-packed">([^<]+)<', html)
    assert packed is not None
    own = html[html.rindex("<script>") + len("<script>") : html.rindex("</script>")]
    # Content Security Policy Level 3, section 6.7: base64 of the SHA-256 of the script's text.
    sources = [own.encode(), gzip.decompress(base64.b64decode(packed[1]))]
    expected = [f"'sha256-{base64.b64encode(hashlib.sha256(source).digest()).decode()}'" for source in sources]
    assert rules["script-src"].split() == expected


def test_text_from_tables_and_record_cannot_become_markup() -> None:
    swings, curves, quality = lesson_tables()
    for column in ("block", "intent", "outcome", "participant", "task"):
        swings[column] = HOSTILE
    curves["participant"], curves["task"] = HOSTILE, HOSTILE
    swings["flags"] = [[HOSTILE]] * len(swings)
    hostile: Any = json.loads(json.dumps(quality).replace("chest", "chest<b>").replace("Still", "<script>Still"))
    hostile["recordings"][0]["recording"] |= {"participant": HOSTILE, "task": HOSTILE, "file": HOSTILE}
    hostile["warnings"] = [{"level": "problem", "text": HOSTILE, "do": HOSTILE}]
    hostile["imuswing"] = HOSTILE
    page = read(render_lesson(swings, curves, hostile))
    assert page.wrong == []
    assert not any(name in ("img", "b<b") or "onerror" in attributes for name, attributes in page.elements)
    assert sum(name == "script" for name, _ in page.elements) == 3
    assert HOSTILE in "".join(page.text)


def test_twenty_swings_stay_under_the_size_limit() -> None:
    html = render_lesson(*lesson_tables(verdicts=TWENTY, practice=2))
    # 1.5 MB for 20 swings is the limit that the page was ordered with.
    assert len(html.encode()) < 1_500_000


def test_the_pages_data_is_strict_json_without_open_brackets() -> None:
    swings, curves, quality = lesson_tables()
    curves.loc[curves.swing == 1, "chest_turn_rate_dps"] = np.nan
    html = render_lesson(swings, curves, quality)
    found = re.search(r'id="page-data">(.*?)</script>', html, flags=re.DOTALL)
    assert found is not None
    assert "<" not in found[1]
    data = json.loads(found[1], parse_constant=lambda name: pytest.fail(f"{name} in the data"))
    assert set(data) == {"plots", "picked", "palette", "texts"}


def test_the_page_tells_that_data_are_simulated() -> None:
    swings, curves, quality = lesson_tables()
    assert "Simulated data" in render_lesson(swings, curves, quality)
    quality["recordings"][0]["recording"]["simulated"] = False
    assert "Simulated data" not in render_lesson(swings, curves, quality)


def test_warnings_of_a_recording_are_told_as_those_of_the_whole() -> None:
    swings, curves, quality = lesson_tables()
    quality["recordings"][0]["warnings"] = [{"level": "problem", "text": "The strap slipped.", "do": "Tighten it."}]
    text = " ".join(read(render_lesson(swings, curves, quality)).text)
    assert "The strap slipped." in text
    assert "2 things about these recordings need your attention" in text


def test_a_quality_record_of_any_emptiness_is_tolerated() -> None:
    swings, curves, quality = lesson_tables()
    bare = {"recordings": [{"recording": quality["recordings"][0]["recording"], "sensors": {"chest": {}}}]}
    for record in ({}, {"recordings": []}, {"recordings": [{}]}, bare):
        assert "5 of 9 shots" in render_lesson(swings, curves, record)


def test_cautions_are_told() -> None:
    text = " ".join(read(render_lesson(*lesson_tables())).text)
    for words in ("not a medical device", "doctor or a physiotherapist", "Warm up", "clear of a swinging club"):
        assert words in text
    for words in ("licensed teacher", "No optical validation of lead-wrist", "common practice, no source"):
        assert words in text


def test_the_carried_library_is_the_one_that_plotly_py_carries_with_its_licence() -> None:
    html = render_lesson(*lesson_tables())
    packed = re.search(r'id="plotly-packed">([^<]+)<', html)
    assert packed is not None
    head = gzip.decompress(base64.b64decode(packed[1]))[:300].decode()
    # plotly.py names the version of plotly.js that its own figures are checked against.
    assert f"v{get_plotlyjs_version()}" in head
    assert "Permission is hereby granted, free of charge" in html


def test_everything_that_the_page_needs_is_packaged() -> None:
    root = Path(imuswing.__file__).parent
    settings = tomllib.loads((root.parent / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = settings["tool"]["setuptools"]["package-data"]["imuswing"]
    kept = {path for pattern in patterns for path in root.glob(pattern)}
    needed = {path for path in (root / "report").rglob("*") if path.suffix not in (".py", ".pyc") and path.is_file()}
    assert len(needed) >= 5
    assert needed - kept == set()


def test_markup_escapes_text_and_attributes() -> None:
    assert tag("p", "<b>&", title='"x"', hidden=True, lang=None) == '<p title="&quot;x&quot;" hidden>&lt;b&gt;&amp;</p>'
    assert tag("br") == "<br>"


@pytest.mark.parametrize(("language", "marked", "found"), [("en", "marked", "found"), ("de", "markiert", "gefunden")])
def test_steps_are_told_as_marked_or_found(language: str, marked: str, found: str) -> None:
    """The sentences are those that a calibration gives: with marks, and without any."""
    steps = {}
    for events in (True, False):
        recording, _ = simulate_recording(seed=12, shots=1, rate=100.0, preset="realistic")
        if not events:
            recording = recording.with_events(())
        steps[events] = imuswing.analyze(recording).quality["recordings"][0]["calibration"]["steps"]
    for events, word in ((True, marked), (False, found)):
        for step in steps[events].values():
            if step["found"]:
                assert _step_cells(step, load_texts(language))[0] == word
    assert all(any(step["found"] for step in case.values()) for case in steps.values())
