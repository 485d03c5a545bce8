"""Sentences of the analysis on German pages: every one that the source can write is in the catalogue."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import pytest
from html_for_tests import read
from results_for_tests import results_of
from tables_for_tests import lesson_tables

import imuswing
from imuswing.report.coach_page import render_coach
from imuswing.report.said import said
from imuswing.report.texts import ENGLISH, load_texts

GERMAN = load_texts("de")
ROOT = Path(imuswing.__file__).parent
SOURCES = (
    "sensors/checks.py",
    "sensors/swaps.py",
    "quality.py",
    "swings/event_doubts.py",
    "swings/corrections.py",
    "body/calibrate.py",
    "lesson.py",
)
SPOKEN = ("text", "do", "wireless", "knock", "who", "redo")
"""Names under which the analysis puts sentences together."""
ANY = "chest"
"""What stands in a blank here; every blank takes it."""


def sentences(path: Path) -> Iterator[str]:
    """Every sentence that a module can say, blanks filled."""
    for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(function, ast.FunctionDef):
            continue
        spoken: list[ast.expr] = []
        local: dict[str, ast.expr] = {}
        for node in ast.walk(function):
            if isinstance(node, ast.Assign):
                for name, value in assigned(node):
                    local[name] = value
                    spoken += [value] if name in SPOKEN else []
            elif isinstance(node, ast.keyword) and node.arg in SPOKEN:
                spoken.append(node.value)
            elif isinstance(node, ast.Dict):
                spoken += [v for k, v in zip(node.keys, node.values, strict=True)
                           if isinstance(k, ast.Constant) and k.value in SPOKEN]  # fmt: skip
        for expression in spoken:
            yield from texts_of(expression, local) or ()


def assigned(node: ast.Assign) -> Iterator[tuple[str, ast.expr]]:
    target, value = node.targets[0], node.value
    if isinstance(target, ast.Name):
        yield target.id, value
    elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        for one, part in zip(target.elts, value.elts, strict=True):
            if isinstance(one, ast.Name):
                yield one.id, part


def texts_of(node: ast.expr, local: dict[str, ast.expr]) -> list[str] | None:
    """The texts that an expression can be; None where the source alone does not say."""
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else None
    if isinstance(node, ast.IfExp):
        return [*(texts_of(node.body, local) or ()), *(texts_of(node.orelse, local) or ())] or None
    if isinstance(node, ast.BoolOp):
        return [text for value in node.values for text in texts_of(value, local) or ()] or None
    if isinstance(node, ast.FormattedValue):
        value = node.value
        if isinstance(value, ast.Name) and value.id not in SPOKEN:
            value = local.get(value.id, value)
        plain = isinstance(value, (ast.Constant, ast.IfExp, ast.JoinedStr, ast.BoolOp))
        return (texts_of(value, local) if plain else None) or [ANY]
    if isinstance(node, ast.JoinedStr):
        return ["".join(parts) for parts in product(*(texts_of(part, local) or [ANY] for part in node.values))]
    return None


@pytest.mark.parametrize("source", SOURCES)
def test_every_sentence_of_the_analysis_is_known_to_the_catalogue(source: str) -> None:
    missing = [text for text in sentences(ROOT / source) if " " in text.strip() and said(text, GERMAN) is None]
    assert missing == []


def test_the_source_is_really_read() -> None:
    found = {text for source in SOURCES for text in sentences(ROOT / source)}
    assert len(found) > 60
    assert "the chest sensor stops after chest s of chest s" in found


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("the recording is only 4.5 s long", "Die Aufnahme ist nur 4,5 s lang"),
        (
            "Of these calibration steps nothing could be used: bow, forearm roll. Without them the angles of trunk and "
            "wrist are less exact. Errors in simulation (RMS): shoulder tilt at impact 4.8° rather than 2.1° and arm "
            "height at the top 2.3° rather than 1.3°.",
            "Von diesen Schritten der Kalibrierung war nichts zu gebrauchen: Verbeugen, Unterarm drehen. Ohne sie sind "
            "die Winkel von Rumpf und Handgelenk weniger genau. Fehler in der Simulation (RMS): Schulterneigung im "
            "Treffmoment 4,8° statt 2,1° und Armhöhe am höchsten Punkt 2,3° statt 1,3°.",
        ),
        (
            "the clock of lead forearm and lead hand runs 0.012 % slow",
            "Die Uhr (vorderer Unterarm und vordere Hand) geht um 0,012\u00a0% nach",
        ),
        (
            "the chest gyroscope was at its limit of 2000 °/s 3 times, bridged, at some cost in accuracy",
            "Drehratensensor (Brust): 3-mal an seiner Grenze von 2000\u00a0°/s, überbrückt, auf Kosten der Genauigkeit",
        ),
        (
            "No calibration step is marked; these were found in the data: stand, wrist bend.",
            "Kein Schritt der Kalibrierung ist markiert; diese wurden in den Daten gefunden: Still stehen, "
            "Handgelenk beugen.",
        ),
        (
            "keep the receiver nearer, or let the sensor store its data itself; swings in a gap are left out",
            "Halten Sie den Empfänger näher, oder lassen Sie den Sensor seine Daten selbst speichern; Schwünge in "
            "einer Lücke sind weggelassen",
        ),
        (
            "events.tsv: 2 row(s) passed over whose trial_type is not known: 'cue', 'bell'. Known are 'stand', 'bow'.",
            "events.tsv: 2 Zeile(n) übergangen, deren trial_type nicht bekannt ist: 'cue', 'bell'. Bekannt sind "
            "'stand', 'bow'.",
        ),
        (
            "The calibration step 'forearm_roll' does not fit the others (off by 9.4°).",
            "Der Schritt „Unterarm drehen“ der Kalibrierung passt nicht zu den anderen (um 9,4° daneben).",
        ),
    ],
)
def test_blanks_are_translated_as_well(english: str, german: str) -> None:
    assert said(english, GERMAN) == german
    assert said(english, ENGLISH) == english


def test_what_the_catalogue_does_not_know_stays_english_and_says_so() -> None:
    assert said("Something else.", GERMAN) is None
    swings, curves, quality = lesson_tables()
    quality["recordings"][0]["warnings"] = [
        {"level": "problem", "text": "No swing was found.", "do": "Something else."},
    ]
    page = read(render_coach(results_of((swings, curves, {**quality, "warnings": []})), texts=GERMAN))
    text = " ".join(page.text)
    assert "Es wurde kein Schwung gefunden." in text
    assert "No swing was found." not in text
    assert sum(attributes.get("lang") == "en" for _, attributes in page.elements) >= 1
