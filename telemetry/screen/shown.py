"""What the keys have chosen to see: the view, what is chosen in it, colours."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

from telemetry.screen.theme import Light


@dataclass
class Shown:
    """What the keys have chosen to see.

    Attributes:
        view: digit of the view.
        chosen: what is chosen in each view.
        scrolled: rows that each view is moved down by.
        raw: whether raw lines are shown in place of the signals.
        raw_names: whether signals are named as in files.
        by_distance: whether cells are in the order of their distance to the middle cell.
        light: colours for sun or dusk.

    """

    view: str = "1"
    chosen: dict[str, Hashable] = field(default_factory=dict)
    scrolled: dict[str, int] = field(default_factory=dict)
    raw: bool = False
    raw_names: bool = False
    by_distance: bool = False
    light: Light = "sun"
