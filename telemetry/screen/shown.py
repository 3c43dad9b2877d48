"""What the keys have chosen to see: the view, what is chosen in it, colours."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field

from telemetry.screen.strips import SECONDS_EACH
from telemetry.screen.theme import Light


@dataclass
class Shown:
    """What the keys have chosen to see.

    Attributes:
        view: digit of the view.
        chosen: what is chosen in each view.
        scrolled: rows that each view is moved down by.
        seconds_each: seconds a column of a trace covers.
        until: end of the stretch that the traces show, int microseconds; None to follow the present.
        raw: whether raw lines are shown in place of the signals.
        raw_names: whether signals are named as in files.
        light: colours for sun or dusk.

    """

    view: str = "1"
    chosen: dict[str, Hashable] = field(default_factory=dict)
    scrolled: dict[str, int] = field(default_factory=dict)
    seconds_each: int = SECONDS_EACH[1]
    until: int | None = None
    raw: bool = False
    raw_names: bool = False
    light: Light = "sun"
