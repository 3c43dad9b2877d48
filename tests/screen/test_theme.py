"""Colours: contrast by the published formula, meanings by shape and word too, and what remains of fewer colours."""

from __future__ import annotations

import math
import re
from itertools import combinations
from typing import Any

import pytest
from rich.color import Color, ColorType

from telemetry.screen.panel import Panel
from telemetry.screen.theme import FRAMED, FULL, SHAPES, Colours, Light, detected_colours, palette

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
