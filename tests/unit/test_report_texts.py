"""The catalogue of texts: complete, without leftovers, and the one place where words stand."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

import imuswing.report
from imuswing.errors import SettingsError
from imuswing.measures.dictionary import BY_NAME
from imuswing.report.texts import ENGLISH, languages, load_texts

SOURCES = [path.read_text(encoding="utf-8") for path in Path(imuswing.report.__file__).parent.glob("*.py")]


def built_keys() -> re.Pattern[str]:
    """What keys can look like that the code puts together: `texts(f"tile.{verdict}")`, `texts.named("flag", flag)`."""
    code = "\n".join(SOURCES)
    start = r"(?:texts(?:\.count)?\(\s*|key = |zero = )f"
    formats = re.findall(start + r'"([a-z_]+[.{][^"]+)"', code) + re.findall(start + r"'([a-z_]+[.{][^']+)'", code)
    patterns = [re.sub(r"\\\{.*?\\\}", ".+", re.escape(text)) for text in formats]
    patterns += [f"{group}\\..+" for group in re.findall(r'texts\.named\("([a-z_]+)"', code)]
    patterns.append(r"\w+\.title")
    return re.compile("|".join(patterns))


def test_every_key_named_in_the_code_is_in_the_catalogue() -> None:
    named = {key for source in SOURCES for key in re.findall(r'texts(?:\.count)?\(\s*"([a-z_]+\.[a-z_0-9]+)"', source)}
    known = set(ENGLISH.entries) | {
        key.rsplit(".", 1)[0] for key in ENGLISH.entries if key.endswith((".one", ".other"))
    }
    assert len(named) > 40
    assert named - known == set()


def test_the_catalogue_holds_nothing_that_the_code_does_not_use() -> None:
    code = "\n".join(SOURCES)
    unused = [
        key
        for key in ENGLISH.entries
        if f'"{key.removesuffix(".one").removesuffix(".other")}"' not in code and not built_keys().fullmatch(key)
    ]
    assert unused == []


def test_counted_sentences_have_both_forms() -> None:
    ones = {key.removesuffix(".one") for key in ENGLISH.entries if key.endswith(".one")}
    others = {key.removesuffix(".other") for key in ENGLISH.entries if key.endswith(".other")}
    assert ones == others != set()


@pytest.mark.parametrize("language", languages())
def test_a_translation_has_the_same_keys_and_blanks(language: str) -> None:
    translated = load_texts(language).entries
    optional = ("measure.", "definition.")
    assert {key for key in translated if not key.startswith(optional)} == set(ENGLISH.entries)
    for key, text in ENGLISH.entries.items():
        assert blanks(translated[key]) == blanks(text), key


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


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
