"""Colours: readable on their grounds, apart for the colour-blind, and never the only sign of a verdict."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from imuswing.report.palette import DARK, GROUNDS, LIGHT, MARKS, TEXT_COLOURS, css_variables

AA_TEXT = 4.5
"""WCAG 2.2 success criterion 1.4.3, contrast of text (level AA)."""
AA_GRAPHICS = 3.0
"""WCAG 2.2 success criterion 1.4.11, contrast of parts of graphics (level AA)."""
PALETTES = {"light": LIGHT, "dark": DARK}

# Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291, severity 1.0, on linear RGB (second hand).
DEFICIENCIES = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
APART = 20.0
"""CIELAB distance (CIE 1976) that keeps thick lines apart at a glance (common practice, no source)."""


def linear(colour: str) -> np.ndarray:
    """Linear RGB of #rrggbb (WCAG 2.2, definition of relative luminance)."""
    srgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2)."""
    light, dark = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIELAB of linear RGB, D65 (IEC 61966-2-1 and CIE 15; from memory)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    x, y, z = np.cbrt(to_xyz @ np.clip(rgb, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089]))
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])


def test_contrast_formula_gives_the_ends_of_the_scale() -> None:
    # WCAG 2.2: ratios run from 1 to 21.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == pytest.approx(1.0)


@pytest.mark.parametrize("theme", PALETTES)
@pytest.mark.parametrize("ground", [*GROUNDS, "band"])
def test_text_colours_reach_aa_on_every_ground(theme: str, ground: str) -> None:
    colours = PALETTES[theme]
    poor = {name: contrast(colours[name], colours[ground]) for name in TEXT_COLOURS}
    assert {name: ratio for name, ratio in poor.items() if ratio < AA_TEXT} == {}


@pytest.mark.parametrize("theme", PALETTES)
@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_verdict_colours_stay_apart_for_the_colour_blind(theme: str, deficiency: str) -> None:
    seen = {
        verdict: lab(np.array(DEFICIENCIES[deficiency]) @ linear(PALETTES[theme][MARKS[verdict].colour]))
        for verdict in ("turning", "slowing", "stalled")
    }
    near = [(a, b) for a, b in itertools.combinations(seen, 2) if np.linalg.norm(seen[a] - seen[b]) < APART]
    assert near == []


def test_verdicts_differ_in_shape_and_dash_without_any_colour() -> None:
    for field in ("symbol", "path", "dash"):
        assert len({getattr(mark, field) for mark in MARKS.values()}) == len(MARKS)


def test_both_themes_name_the_same_colours_and_the_page_gets_them_all() -> None:
    assert LIGHT.keys() == DARK.keys()
    css = css_variables()
    assert all(f"--{name}:{value}" in css for colours in PALETTES.values() for name, value in colours.items())
    assert contrast(LIGHT["ink"], LIGHT["sheet"]) > AA_GRAPHICS
