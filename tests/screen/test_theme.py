"""Colours: contrast by the published formula, meanings by shape and word too, and what remains of fewer colours."""

from __future__ import annotations

import math
import re
from itertools import combinations
from operator import mul
from typing import Any

import pytest
from rich.color import Color, ColorType

from telemetry.screen.panel import Panel
from telemetry.screen.theme import FRAMED, FULL, GAUGE, SHAPES, Colours, Light, detected_colours, palette

LIGHTS: tuple[Light, ...] = ("sun", "dusk")


def luminance(colour: str) -> float:
    """Relative luminance. Source: W3C, Web Content Accessibility Guidelines 2.1, definition "relative luminance"."""
    parts = []
    for place in (1, 3, 5):
        value = int(colour[place : place + 2], 16) / 255
        parts.append(value / 12.92 if value <= 0.03928 else ((value + 0.055) / 1.055) ** 2.4)
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio. Source: W3C, Web Content Accessibility Guidelines 2.1, definition "contrast ratio"."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_published_extremes() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.48, abs=0.005)  # the well-known grey that just fails 4.5


# Measured beforehand, to a tenth: each colour of a gauge on the one it is drawn on.
GAUGE_CONTRAST = {
    "sun": {("out", "track"): 4.3, ("into", "track"): 5.4, ("warned", "zone"): 3.3, ("beyond", "past"): 5.2},
    "dusk": {("out", "track"): 8.4, ("into", "track"): 4.6, ("warned", "zone"): 7.1, ("beyond", "past"): 4.7},
}


@pytest.mark.parametrize("light", LIGHTS)
def test_bars_reach_the_contrast_of_graphics(light: Light) -> None:
    # W3C WCAG 2.1, success criterion 1.4.11: at least 3:1.
    for (front, back), measured in GAUGE_CONTRAST[light].items():
        found = contrast(GAUGE[light][front], GAUGE[light][back])
        assert found >= 3.0
        assert found == pytest.approx(measured, abs=0.06)
    for part in ("trace", "idle"):
        assert contrast(GAUGE[light][part], FULL[light]["figure"][1]) >= 3.0


# Machado, Oliveira and Fernandes 2009, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# table of severity 1.0, on linear RGB; from memory, and checked: every row adds up to 1, so that white stays white.
DEFICIENT = {
    "none": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritan": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}
# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ, by its white D65.
XYZ = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))


def seen_as(colour: str, deficiency: str) -> tuple[float, float, float]:
    """CIE 1976 L*a*b* of a colour as an eye with that deficiency sees it. Source: CIE 15, by its formulas."""
    linear = []
    for place in (1, 3, 5):
        value = int(colour[place : place + 2], 16) / 255
        linear.append(value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4)
    seen = [min(1.0, max(0.0, sum(map(mul, row, linear)))) for row in DEFICIENT[deficiency]]
    parts = []
    for row in XYZ:
        share = sum(map(mul, row, seen)) / sum(row)
        parts.append(share ** (1 / 3) if share > (6 / 29) ** 3 else share * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = parts
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("deficiency", sorted(DEFICIENT))
def test_bars_differ_for_every_eye(light: Light, deficiency: str) -> None:
    bars = [seen_as(GAUGE[light][bar], deficiency) for bar in ("out", "into", "warned", "beyond")]
    assert min(math.dist(one, other) for one, other in combinations(bars, 2)) >= LEAST_DISTANCE[light]


def test_white_stays_white_for_every_eye() -> None:
    for deficiency in DEFICIENT:
        assert seen_as("#FFFFFF", deficiency) == pytest.approx((100.0, 0.0, 0.0), abs=0.02)


LEAST_DISTANCE = {"sun": 18.8, "dusk": 24.3}
"""As the colours were chosen; a distance of 2 is just seen."""


# Measured beforehand, to a tenth, for these pairs.
MEASURED = {
    "sun": {"figure": 21, "label": 12.6, "danger": 7.9, "caution": 14.7, "normal": 13.8, "act": 9.3},
    "dusk": {"figure": 16.1, "label": 9.4, "danger": 7.9, "caution": 14.9, "normal": 7.6, "act": 9.4},
}


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("part", ["figure", "label", "danger", "caution", "normal", "act"])
def test_text_reaches_the_enhanced_contrast(light: Light, part: str) -> None:
    # W3C WCAG 2.1, success criterion 1.4.6: at least 7:1.
    found = contrast(*FULL[light][part])
    assert found >= 7.0
    assert found == pytest.approx(MEASURED[light][part], abs=0.06)


def test_a_badge_that_fades_into_white_has_a_frame() -> None:
    # W3C WCAG 2.1, success criterion 1.4.11: 3:1 for what tells a state.
    faint = {meaning for meaning in SHAPES if contrast(FULL["sun"][meaning][1], FULL["sun"]["figure"][1]) < 3.0}
    assert faint == FRAMED["sun"] == {"caution", "normal"}


@pytest.mark.parametrize("light", LIGHTS)
def test_fillings_differ_for_every_eye(light: Light) -> None:
    fillings = [FULL[light][meaning][1] for meaning in SHAPES]
    for one, other in combinations(fillings, 2):
        assert one != other
    assert len(set(SHAPES.values())) == len(SHAPES), "and shapes differ where colours cannot be told apart"
    assert all(len(shape.encode("cp437", errors="replace")) == 1 for shape in SHAPES.values())


@pytest.mark.parametrize("light", LIGHTS)
def test_sixteen_colours_are_named_by_us(light: Light) -> None:
    chosen = palette(light, "sixteen")
    named = {meaning: badge.fill.bgcolor for meaning, badge in chosen.badges.items()}
    for style in (chosen.figure, chosen.label, *(badge.fill for badge in chosen.badges.values())):
        assert style.color is not None
        assert style.color.type is ColorType.STANDARD
    # ECMA-48 and common practice: 1 and 9 red, 11 yellow, 2 and 10 green, 4 and 12 blue.
    families = {"danger": (1, 9), "caution": (11,), "normal": (2, 10), "act": (4, 12)}
    for meaning, numbers in families.items():
        colour = named[meaning]  # type: ignore[index]
        assert colour is not None
        assert colour.number in numbers


@pytest.mark.parametrize("light", LIGHTS)
def test_without_colours_badges_are_reversed_between_brackets(light: Light) -> None:
    chosen = palette(light, "none")
    assert chosen.figure.color is None
    for badge in chosen.badges.values():
        assert badge.fill.reverse
        assert badge.fill.color is None
        assert (badge.left, badge.right) == ("[", "]")


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({"NO_COLOR": "1", "COLORTERM": "truecolor"}, "none"),
        ({"NO_COLOR": "", "TERM": "xterm"}, "sixteen"),
        ({"TERM": "xterm", "COLORTERM": "truecolor"}, "full"),
        ({"TERM": "xterm-256color"}, "full"),
        ({"TERM": "xterm"}, "sixteen"),
        ({"TERM": "linux"}, "sixteen"),
        ({"TERM": "dumb"}, "none"),
    ],
)
def test_the_environment_says_how_many_colours(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], expected: Colours
) -> None:
    for name in ("NO_COLOR", "COLORTERM", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert detected_colours() == expected


@pytest.mark.parametrize("colours", ["full", "sixteen", "none"])
async def test_what_reaches_the_terminal_keeps_to_the_colours(
    make_rig: Any, colours: Colours, monkeypatch: Any
) -> None:
    if colours == "none":
        monkeypatch.setenv("NO_COLOR", "1")
    rig = make_rig(colours=colours)
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await rig.drive(4, lowest=2.4, pack_voltage=25.0, pack_current=1.0)
        rig.screen.paint()
        await pilot.pause()
        sent = rig.screen.screen._compositor.render_update(full=True).render_segments(rig.screen.console)
        codes = {int(code) for group in re.findall(r"\x1b\[([\d;]+)m", sent) for code in group.split(";")[:1]}
        colour_codes = {code for code in codes if 30 <= code <= 49 or 90 <= code <= 107}
        if colours == "none":
            assert not colour_codes - {39, 49}, "only the terminal's own"
        if colours == "sixteen":
            assert not re.search(r"[34]8;[25];", sent)
        assert "VOLTAGE" in sent
        assert "■" in sent


async def test_t_changes_between_sun_and_dusk(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:

        def page() -> Color | None:
            rig.screen.paint()
            return rig.screen.query_one(Panel).drawn[-1][0][1].bgcolor

        assert page() == Color.parse("#FFFFFF")
        await pilot.press("t")
        assert page() == Color.parse("#101418")


def test_luminance_of_primaries_adds_up_to_white() -> None:
    assert math.fsum(luminance(c) for c in ("#FF0000", "#00FF00", "#0000FF")) == pytest.approx(1.0)
