"""The catalogue of texts: complete in every language, without leftovers, and the one place where words stand."""

from __future__ import annotations

import json
import re
import string
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from html_for_tests import read
from results_for_tests import PLAN, dataset_of, many_students, results_of, sixty_shots, two_visits, visit
from tables_for_tests import MIX, lesson_tables, several

from imuswing.errors import SettingsError
from imuswing.live.document import render_live
from imuswing.measures.dictionary import BY_NAME, MEASURES
from imuswing.report.coach_page import render_coach
from imuswing.report.lesson_page import render_lesson
from imuswing.report.load import Dataset, Results
from imuswing.report.progress_page import render_progress
from imuswing.report.researcher_page import render_researcher
from imuswing.report.student_page import render_student
from imuswing.report.terms import MARKED, plain
from imuswing.report.texts import ENGLISH, FOLDER, Texts, languages, load_texts

BY_DATA = (
    "flag",
    "flag_ending",
    "slip",
    "point",
    "step",
    "side",
    "source",
    "measure",
    "definition",
    "sign",
    "plainly",
    "said",
    "said_part",
    "said_word",
    "said_list",
)
"""Groups whose entries are chosen by what the data hold; they are complete where their names are."""
PAGES: dict[str, Callable[..., str]] = {
    "student": render_student,
    "coach": render_coach,
    "progress": render_progress,
    "lesson": lambda results, *, texts, **_: render_lesson(
        results.swings, results.curves, results.quality, texts=texts
    ),
}


def cases() -> Iterator[tuple[Results, dict[str, Any] | None]]:
    """Results of every kind that the pages have words for."""
    yield two_visits(turning=True), PLAN
    yield two_visits(), None
    for worn in (("chest",), ("lead_forearm",), ("lead_forearm", "lead_hand"), ("chest", "lead_hand"), ()):
        yield results_of(lesson_tables(worn=worn)), None
    yield results_of(lesson_tables(verdicts=(), practice=2)), None
    yield results_of(lesson_tables(verdicts=["turning"], practice=0, blocks=False)), PLAN
    yield results_of(lesson_tables(verdicts=["turning"] * 2, practice=0)), {"work_on": "x", "goals": PLAN["goals"][:1]}
    yield results_of(lesson_tables(verdicts=["stalled"] * 3, practice=1, blocks=False)), None
    yield results_of(lesson_tables(verdicts=["slowing"], practice=1, blocks=False)), None
    yield results_of(lesson_tables(verdicts=["stalled"], practice=0, blocks=False)), None
    yield results_of(lesson_tables(), lesson_tables(participant="P02", seed=9, task="pitch")), None
    yield results_of(lesson_tables(verdicts=["turning", "turning", "slowing", "turning"])), None
    yield odd_results(), PLAN
    yield from single_shots()
    yield drilled_results(), PLAN
    yield steady_results(), {"goals": PLAN["goals"][1:]}
    yield results_of(lesson_tables(verdicts=(), practice=0)), None


def datasets() -> Iterator[tuple[Dataset, tuple[str, ...]]]:
    """Datasets of every kind that the researcher's page has words for."""
    yield many_students(), ()
    yield many_students(22), ("baseline",)
    swings, curves, quality = lesson_tables(["turning"], practice=1)
    quality["recordings"][0]["warnings"] = []
    yield dataset_of((swings, curves, quality), failures=1), ()
    swings = swings.assign(task=None)
    swings.at[0, "flags"] = [f"flag_{chr(97 + k)}{chr(97 + j)}" for k in range(3) for j in range(21)]
    entry = quality["recordings"][0]
    warnings = [{"level": "problem", "text": f"{chr(97 + k)} {chr(97 + k)}"} for k in range(26)]
    warnings += [{"level": "advice", "text": f"{chr(97 + k)} {chr(98 + k)}"} for k in range(15)]
    yield dataset_of((swings, curves, {**quality, "recordings": [entry | {"warnings": warnings}]})), ()
    yield dataset_of(lesson_tables(verdicts=(), practice=2)), ()
    yield dataset_of((*lesson_tables()[:2], {"recordings": [], "warnings": []})), ()


def steady_results() -> Results:
    """Two blocks in which the arm goes equally high."""
    swings, curves, quality = lesson_tables(verdicts=(MIX * 2)[:16], practice=0)
    swings["arm_height_top_deg"] = 5.0 + 0.3 * np.sin(swings.index)
    quality["recordings"][0]["settings"] = {"rates": {"turning_from": 0.7}}
    return results_of((swings, curves, quality))


def single_shots() -> Iterator[tuple[Results, dict[str, Any] | None]]:
    """One or two shots at a time with something rare in them."""
    nothing = float("nan")
    rare: list[dict[str, Any]] = [
        {"chest_continuity": -0.1, "chest_turn_rate_min_dps": -30.0, "chest_stall_probability": 0.5},
        {"chest_continuity": nothing},
        {"chest_continuity": nothing, "chest_verdict": None, "chest_stall_probability": nothing},
        {"wrist_flexion_address_deg": 0.0, "wrist_flexion_top_deg": 9.0},
        {"backswing_arc_deg": nothing, "arm_height_top_deg": nothing, "tempo_ratio": nothing}
        | {"backswing_s": nothing, "downswing_s": nothing},
        {
            f"wrist_{angle}_{moment}_deg": nothing
            for angle in ("flexion", "ulnar")
            for moment in ("address", "top", "impact")
        },
    ]
    for number, columns in enumerate(rare):
        for verdicts in (["stalled"], ["stalled", "stalled"], ["turning", "stalled", "stalled"]):
            swings, curves, quality = lesson_tables(verdicts=verdicts, practice=0, blocks=False)
            swings.loc[len(verdicts) > 2 :, list(columns)] = list(columns.values())
            if number == 5:
                curves["wrist_flexion_deg"] = nothing
            if number == 0:
                quality = {"recordings": [], "warnings": []}
            if number == 1:
                quality = {**quality, "warnings": []}
            goals = [
                {"measure": "tempo_ratio", "low": 2.7, "high": 3.3, "words": "A calm swing."},
                {"measure": "tempo_ratio", "low": 2.7},
            ]
            yield results_of((swings, curves, quality)), {"goals": goals}
    swings, curves, quality = lesson_tables(verdicts=["turning"], practice=0)
    for part in (lesson_tables(), (swings.drop(columns="wrist_ulnar_impact_deg"), curves.iloc[:0], quality)):
        yield results_of(part), None


def odd_results() -> Results:
    """Swings that turn back, hardly turn, are not judged or too close to call; wrists flat, to either side."""
    swings, curves, quality = lesson_tables(verdicts=(MIX * 2)[:16], practice=1)
    swings.loc[0, ["chest_turn_rate_min_dps", "chest_continuity"]] = -40.0, -0.12
    swings.loc[1, "chest_continuity"] = np.nan
    swings.loc[1, "chest_verdict"] = "stalled"
    swings.loc[2, ["chest_continuity", "chest_stall_probability"]] = np.nan, np.nan
    swings.loc[2, "chest_verdict"] = None
    swings.loc[3:7, "chest_stall_probability"] = [0.5, 0.8, 0.1, 0.99, 0.01]
    swings.loc[3:5, "wrist_flexion_impact_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "wrist_ulnar_impact_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "arm_height_top_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "chest_lean_impact_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "shaft_lean_impact_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "shoulder_tilt_impact_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "shoulder_tilt_rate_impact_dps"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "pelvis_turn_top_deg"] = [0.0, 9.0, -9.0]
    swings.loc[3:5, "top_position"] = [3.1, 3.2, 3.3]
    swings.loc[3:5, "backswing_s_se"] = [0.001, 0.001, 0.001]
    swings.loc[3, "flags"] = swings.loc[3, "flags"] + ["events_from_chest"]
    curves["pelvis_turn_deg"] = curves["chest_turn_deg"]
    for name in ("pelvis_turn_rate_dps", "shaft_lean_deg"):
        curves[name] = curves["chest_lean_deg"]
    quality["recordings"][0]["recording"] |= {"acq": "a"}
    quality["recordings"][0]["warnings"] = [{"level": "problem", "text": "x", "do": "y"}]
    swings["acq"], curves["acq"] = "a", "a"
    return results_of((swings, curves, quality), lesson_tables(participant="P01", task="full", seed=12))


def drilled_results() -> Results:
    """Enough shots over two visits for every verdict, the own best and the outcomes, with drills."""
    tables = []
    for session, seed, low in (("01", 3, 0.25), ("02", 4, 0.8)):
        swings, curves, quality = visit(session, lesson_tables(verdicts=(MIX * 2)[:16], practice=0, seed=seed))
        random = np.random.default_rng(seed)
        swings["chest_continuity"] = low + random.normal(0.0, 0.1, len(swings))
        swings["arm_height_top_deg"] = 5.0 + random.normal(0.0, 0.5, len(swings))
        swings["wrist_flexion_impact_deg"] = random.normal(2.0 * seed, 6.0, len(swings))
        swings["outcome"] = np.where(swings.index % 2, "thin", "pure")
        swings.loc[swings.outcome == "thin", "shoulder_tilt_rate_impact_dps"] += 100.0
        swings["shoulder_tilt_rate_impact_dps"] += random.normal(0.0, 5.0, len(swings))
        swings.loc[swings.outcome == "thin", "wrist_ulnar_impact_deg"] -= 40.0
        swings.loc[swings.index < 8, "intent"] = "keep turning"
        tables.append((swings, curves, quality))
    return results_of(*tables)


class Seen(dict[str, str]):
    """Entries that note which of them were asked for."""

    def __init__(self, entries: dict[str, str]) -> None:
        super().__init__(entries)
        self.seen: set[str] = set()

    def __getitem__(self, key: str) -> str:
        self.seen.add(key)
        return super().__getitem__(key)

    def get(self, key: str, default: Any = None) -> Any:
        self.seen.add(key)
        return super().get(key, default)


def marked(text: str) -> str:
    """A text as a translation could be: every letter outside its blanks and terms in brackets."""
    inside = re.sub(r"\[\[([^\]|]+)\|([a-z_]+)\]\]", lambda found: f"[[{found[1]}|{found[2]}]]", text)
    return f"⟦{inside}⟧" if re.search("[A-Za-z]", text) else text


@pytest.fixture(scope="module")
def rendered() -> tuple[set[str], list[tuple[str, str]]]:
    """Which entries all pages of all cases ask for, and the pages themselves, made with marked texts."""
    entries = Seen({key: marked(text) for key, text in ENGLISH.entries.items()})
    texts = Texts(language="xx", entries=entries)
    pages = [
        (name, render(results, plan=plan, texts=texts)) for results, plan in cases() for name, render in PAGES.items()
    ]
    pages.append(("live", render_live(texts=texts)))
    pages += [("researcher", render_researcher(found, blocks=blocks, texts=texts)) for found, blocks in datasets()]
    return entries.seen, pages


def test_the_catalogue_holds_nothing_that_no_page_uses(rendered: tuple[set[str], Any]) -> None:
    asked = {stem(key) for key in rendered[0]}
    unused = {key for key in ENGLISH.entries if key.split(".")[0] not in BY_DATA and stem(key) not in asked}
    assert unused == set()


def stem(key: str) -> str:
    return key.removesuffix(".one").removesuffix(".other")


DATA_WORDS = re.compile(
    r"sub-P01_motion\.tsv|P\d+_motion\.tsv|P0\d|chip|pitch|full|baseline|drill|transfer|pure|thin|fat|keep turning|"
    r"Still for [\d.]+ s\.|Four bows, evenly\.|Not marked and not found\.|The forearm roll is missing\.|"
    r"Do the five rolls before the next lesson\.|The hand sensor lost (?:31|…) samples\.|first tracking system|tap\b|"
    r"Keep the phone nearer to the student\.|imuswing(?: analyze … --orientations)?|rates|turning_from|slowing_from|"
    r"mark DATASET --apply corrections\.txt|"
    r"A calm swing\.|flag [a-z]{2}\b|[a-z]+(?:_[a-z]+)+"
)
"""What stands in the made-up data (labels, notes, the analysis's own sentences), a command, and a licence."""


def test_no_words_stand_on_a_page_that_are_not_from_the_catalogue(rendered: tuple[Any, list[tuple[str, str]]]) -> None:
    planned = [value for part in (PLAN, *PLAN["tasks"]) for value in part.values() if isinstance(value, str)]
    for name, html in rendered[1]:
        page = read(html)
        spoken = [value for _, attributes in page.elements for key in ("aria-label", "title", "alt", "placeholder")
                  if (value := attributes.get(key))]  # fmt: skip
        for text in [" ".join(page.text), *spoken]:
            for value in [*planned, *PLAN["notes"]]:
                text = text.replace(value, " ")
            left = text
            while (shorter := re.sub(r"⟦[^⟦⟧]*⟧", " ", left)) != left:
                left = shorter
            left = DATA_WORDS.sub(" ", left.split("MIT License")[0])
            assert re.findall("[A-Za-z]{2,}", left) == [], f"{name}: {left[:300]}"


def test_texts_that_the_scripts_write_are_from_the_catalogue(rendered: tuple[Any, list[tuple[str, str]]]) -> None:
    found = 0
    for _, html in rendered[1]:
        data = re.search(r'id="page-data">(.*?)</script>', html, flags=re.DOTALL)
        if data is not None:
            texts = json.loads(data[1])["texts"]
            found += len(texts)
            assert all(text.startswith("⟦") for text in texts.values() if re.search("[A-Za-z]", text))
    assert found > 20


def test_scripts_hold_no_sentences() -> None:
    for path in (FOLDER / "assets").glob("*.js"):
        code = re.sub(r"^\s*//.*$", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
        for literal in re.findall(r'"([^"\n]*)"', code):
            assert not re.search(r"[A-Z][a-z]+ [a-z]+", literal), f"{path.name}: {literal}"


def test_counted_sentences_have_both_forms() -> None:
    ones = {key.removesuffix(".one") for key in ENGLISH.entries if key.endswith(".one")}
    others = {key.removesuffix(".other") for key in ENGLISH.entries if key.endswith(".other")}
    assert ones == others != set()


def test_german_is_there() -> None:
    assert languages() == ("de", "en")


@pytest.mark.parametrize("language", languages())
def test_every_language_has_the_same_keys_blanks_and_terms(language: str) -> None:
    translated = load_texts(language).entries
    assert set(translated) == set(ENGLISH.entries)
    for key, text in ENGLISH.entries.items():
        assert blanks(translated[key]) == blanks(text), key
        assert {term for _, term in MARKED.findall(translated[key])} == {term for _, term in MARKED.findall(text)}, key


def test_german_leaves_nothing_to_the_dictionarys_english() -> None:
    own = tomllib.loads((FOLDER / "texts_de.toml").read_text(encoding="utf-8"))
    assert set(own["measure"]) == set(own["definition"]) == {measure.name for measure in MEASURES}
    assert set(own["sign"]) == {measure.name for measure in MEASURES if measure.sign}
    german = load_texts("de").entries
    words = {key: re.findall("[A-Za-z]{3,}", re.sub(r"\{\w+\}", "", text)) for key, text in ENGLISH.entries.items()}
    same = [key for key, text in ENGLISH.entries.items() if german[key] == text and len(words[key]) > 1]
    assert same == []


@pytest.mark.parametrize("language", languages())
def test_every_marked_term_is_explained(language: str) -> None:
    entries = load_texts(language).entries
    terms = {term for text in entries.values() for _, term in MARKED.findall(text)}
    assert terms == {key.removeprefix("term.") for key in entries if key.startswith("term.")}
    assert terms == {key.removeprefix("term_text.") for key in entries if key.startswith("term_text.")}
    assert plain("the [[chest|chest]] turns") == "the chest turns"


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_numbers_are_written_as_the_language_does() -> None:
    german = load_texts("de")
    # DIN 1333 and DIN 5008 (from memory): decimal comma; a true minus sign in both languages.
    assert german.number(-3.25, 1) == "−3,2"
    assert ENGLISH.number(-3.25, 1) == "−3.2"
    assert ENGLISH.number(2.0, 0, sign=True) == "+2"
    assert ENGLISH.number(-0.04, 1) == ENGLISH.number(0.04, 1, sign=True) == "0.0"
    assert german.quantity(german.number(1.5, 2), "s") == "1,50\u00a0s"


def test_unknown_keys_and_languages_are_errors_that_name_them() -> None:
    with pytest.raises(SettingsError, match=r"answer\.nonsense"):
        ENGLISH("answer.nonsense")
    with pytest.raises(SettingsError, match="'en'"):
        load_texts("xx")


def test_one_and_many_are_told_apart_and_names_lose_their_underscores() -> None:
    assert ENGLISH.count("answer.practice", 1) != ENGLISH.count("answer.practice", 2)
    assert "2" in ENGLISH.count("answer.practice", 2)
    assert ENGLISH.named("flag", "some_new_flag") == "some new flag"
    assert ENGLISH.label(BY_NAME["chest_continuity"]) == "chest continuity"


def test_a_page_can_be_made_of_sixty_shots_and_of_several_students() -> None:
    assert render_coach(sixty_shots())
    tables = several(lesson_tables(), lesson_tables(participant="P02", seed=8))
    assert render_lesson(*tables)
    assert replace(ENGLISH, language="en") == ENGLISH
