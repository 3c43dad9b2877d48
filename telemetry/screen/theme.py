"""Colours: one set for sunlight, one for dusk, each for full colour, for sixteen colours and for none.

Figures stay black or cream; a state is a filled badge with a word and a shape, so that it can be told without
colour. Meanings follow IEC 60073: red danger, yellow caution, green normal, blue must act.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from rich.color import Color
from rich.console import Console
from rich.style import Style
from textual import constants

Light = Literal["sun", "dusk"]
Colours = Literal["full", "sixteen", "none"]
Meaning = Literal["danger", "caution", "normal", "act"]

SHAPES: dict[Meaning, str] = {"danger": "■", "caution": "▲", "normal": "●", "act": "►"}
"""What stands for each meaning besides its colour; all of them in code page 437, hence in every common font."""

# name of part: (foreground, background); where a badge would fade into the page it has a frame.
FULL: dict[Light, dict[str, tuple[str, str]]] = {
    "sun": {
        "figure": ("#000000", "#FFFFFF"),
        "label": ("#333333", "#FFFFFF"),
        "danger": ("#FFFFFF", "#A80000"),
        "caution": ("#000000", "#FFD400"),
        "normal": ("#000000", "#8FE3B0"),
        "act": ("#FFFFFF", "#0038B8"),
    },
    "dusk": {
        "figure": ("#F2EFE6", "#101418"),
        "label": ("#B4B9BE", "#101418"),
        "danger": ("#000000", "#FF7366"),
        "caution": ("#000000", "#FFD54A"),
        "normal": ("#FFFFFF", "#0B6040"),
        "act": ("#000000", "#6FB1FF"),
    },
}
# The same by number, for the terminal's own sixteen: left to itself, reduction turns the green into grey.
SIXTEEN: dict[Light, dict[str, tuple[int, int]]] = {
    "sun": {
        "figure": (0, 15),
        "label": (0, 15),
        "danger": (15, 1),
        "caution": (0, 11),
        "normal": (0, 10),
        "act": (15, 4),
    },
    "dusk": {
        "figure": (15, 0),
        "label": (7, 0),
        "danger": (0, 9),
        "caution": (0, 11),
        "normal": (0, 10),
        "act": (15, 4),
    },
}
# Colours of gauges and traces, single: each is drawn on any other.
GAUGE: dict[Light, dict[str, str]] = {
    "sun": {
        "track": "#E7EAEC",
        "zone": "#FFE98A",
        "past": "#F3C9C4",
        "out": "#0E7C55",
        "into": "#2A52D0",
        "warned": "#A87400",
        "beyond": "#A80000",
        "idle": "#767C82",
        "trace": "#0A3FA6",
        "trace 2": "#A83B00",
        "trace 3": "#4A1433",
        "trace 4": "#218062",
        "area": "#C4CFE9",
        "drive": "#CFE2F5",
        "work": "#9EB9E1",
        "charge": "#C9E8D2",
        "alarm": "#F3C9C4",
    },
    "dusk": {
        "track": "#232A31",
        "zone": "#4D4210",
        "past": "#57241F",
        "out": "#3FDDA8",
        "into": "#5F93D6",
        "warned": "#FFD54A",
        "beyond": "#FF7366",
        "idle": "#838C94",
        "trace": "#4D8DF0",
        "trace 2": "#D9805F",
        "trace 3": "#A98BC4",
        "trace 4": "#3CE6C4",
        "area": "#1F3149",
        "drive": "#24435F",
        "work": "#35608F",
        "charge": "#1D5239",
        "alarm": "#57241F",
    },
}
_GAUGE_PARTS = tuple(GAUGE["sun"])
GAUGE_SIXTEEN: dict[Light, dict[str, int]] = {
    "sun": dict(zip(_GAUGE_PARTS, (7, 11, 9, 2, 4, 3, 1, 8, 4, 3, 5, 2, 7, 14, 12, 10, 7), strict=True)),
    "dusk": dict(zip(_GAUGE_PARTS, (8, 3, 1, 10, 12, 11, 9, 7, 12, 3, 13, 10, 8, 6, 4, 2, 8), strict=True)),
}
FRAMED: dict[Light, frozenset[str]] = {"sun": frozenset({"caution", "normal"}), "dusk": frozenset()}


@dataclass(frozen=True)
class Badge:
    """How a state is drawn: the filling, and the two ends that close it off from the page."""

    fill: Style
    end: Style
    left: str
    right: str


@dataclass(frozen=True, eq=False)
class Palette:
    """The styles of one light and one number of colours.

    Attributes:
        light: of which.
        figure, label: of figures and of the quieter words beside them; ``strong`` is a figure's in bold.
        inverse: a figure's, reversed.
        badges: by what they mean.
        colours: single colours of gauges and traces, with ``ink`` and ``page``; empty without colours.
        plain_blocks: whether traces are of full and half blocks only.

    """

    light: Light
    figure: Style
    strong: Style
    inverse: Style
    label: Style
    badges: dict[Meaning, Badge]
    colours: dict[str, Color] = field(default_factory=dict)
    plain_blocks: bool = False
    _pairs: dict[tuple[str, str], Style] = field(default_factory=dict)

    def bold(self, front: str) -> Style:
        """Return the style of words in one of :attr:`colours`; bold alone without colours."""
        return self.pair(front, "page") + self.strong.without_color if self.colours else self.strong

    def pair(self, front: str, back: str) -> Style:
        """Return the style of one of :attr:`colours` on another; the plain one without colours."""
        style = self._pairs.get((front, back))
        if style is None:
            style = Style(color=self.colours[front], bgcolor=self.colours[back]) if self.colours else self.figure
            self._pairs[front, back] = style
        return style


@lru_cache(maxsize=8)
def palette(light: Light, colours: Colours, plain_blocks: bool = False) -> Palette:
    """Return the styles for ``light``; without colours a badge is drawn reversed, between brackets.

    With ``plain_blocks`` traces do without eighths of a block. The same object each time: what was drawn with it is
    kept, and drawn anew only where it changed.
    """
    if colours == "none":
        plain, bold = Style(), Style(bold=True)
        reversed_badge = Badge(Style(reverse=True, bold=True), plain, "[", "]")
        of_all = dict.fromkeys(SHAPES, reversed_badge)
        return Palette(light, plain, bold, Style(reverse=True), plain, of_all, plain_blocks=True)
    parts = {name: _colours(light, name, colours) for name in FULL[light]}
    ink, page = parts["figure"]
    badges = {}
    for meaning in SHAPES:
        front, back = parts[meaning]
        end = ink if meaning in FRAMED[light] else back
        badges[meaning] = Badge(Style(color=front, bgcolor=back, bold=True), Style(color=end, bgcolor=page), "▐", "▌")
    single = {name: _single(light, name, colours) for name in GAUGE[light]}
    return Palette(
        light,
        figure=Style(color=ink, bgcolor=page),
        strong=Style(color=ink, bgcolor=page, bold=True),
        inverse=Style(color=page, bgcolor=ink, bold=True),
        label=Style(color=parts["label"][0], bgcolor=page),
        badges=badges,
        colours=single | {"ink": ink, "page": page, "label": parts["label"][0]},
        plain_blocks=plain_blocks,
    )


def _single(light: Light, part: str, colours: Colours) -> Color:
    if colours == "sixteen":
        return Color.from_ansi(GAUGE_SIXTEEN[light][part])
    return Color.parse(GAUGE[light][part])


def _colours(light: Light, part: str, colours: Colours) -> tuple[Color, Color]:
    if colours == "sixteen":
        front, back = SIXTEEN[light][part]
        return Color.from_ansi(front), Color.from_ansi(back)
    return Color.parse(FULL[light][part][0]), Color.parse(FULL[light][part][1])


def detected_colours() -> Colours:
    """Return how many colours the terminal takes, by what the environment says; none where NO_COLOR is not empty."""
    if os.environ.get("NO_COLOR"):
        return "none"
    system = Console(force_terminal=True, legacy_windows=False, color_system=_asked_for()).color_system
    return "none" if system is None else "sixteen" if system in ("standard", "windows") else "full"


def lacks_eighths(colours: Colours) -> bool:
    """Tell whether the terminal is one whose usual fonts have no eighths of a block: sixteen colours on Windows."""
    return os.name == "nt" and colours == "sixteen"


def _asked_for() -> Literal["auto", "standard", "256", "truecolor", "windows"] | None:
    asked = constants.COLOR_SYSTEM
    known: tuple[Literal["standard", "256", "truecolor", "windows"], ...] = (
        "standard",
        "256",
        "truecolor",
        "windows",
    )
    return next((system for system in known if system == asked), "auto")
