"""Every key of the screen: one table, from which footer, help, command list, mouse and the page in the docs are made.

A key that is not in the table does nothing. None needs shift, control, alt or a function key.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

VIEWS = {"1": "drive", "2": "cells", "3": "traces", "4": "alarms", "5": "links", "6": "sessions"}
"""Each view by the digit that chooses it."""
ALL = "".join(VIEWS)
Need = Literal["", "replay", "alarm", "latched", "shelved", "fresh mark", "raw"]
"""What must be so for a key to be of use: a replay; an alarm that can be shelved; a latch to be reset; a shelved
alarm; a mark that can still be taken back; raw lines on view."""


@dataclass(frozen=True)
class Key:
    """One row of the table.

    Attributes:
        key: as the terminal library calls it.
        short: two words at the most, for the footer.
        does: what it does, beginning with a verb in the imperative.
        action: name of the method of :class:`~telemetry.screen.actions.Actions` or of one of its parts.
        views: digits of the views in which it does so.
        need: when it is offered in the footer.

    """

    key: str
    short: str
    does: str
    action: str
    views: str = ALL
    need: Need = ""

    @property
    def is_live(self) -> bool:
        """Whether a live run has it; a replay has all."""
        return self.need != "replay"


KEYS: tuple[Key, ...] = (
    Key("space", "mark", "mark this moment", "mark"),
    Key("backspace", "take back", "take the last mark back", "take_mark_back", ALL, "fresh mark"),
    Key("enter", "acknowledge", "acknowledge an alarm", "acknowledge", "12345"),
    Key("enter", "review", "review the chosen session", "review_session", "6"),
    Key("up", "choose", "choose above", "up", "45"),
    Key("down", "choose", "choose below", "down", "45"),
    Key("up", "choose", "choose the session above", "session_above", "6"),
    Key("down", "choose", "choose the session below", "session_below", "6"),
    Key("up", "move", "move up", "up", "2"),
    Key("down", "move", "move down", "down", "2"),
    Key("up", "zoom", "zoom in", "zoom_in", "3"),
    Key("down", "zoom", "zoom out", "zoom_out", "3"),
    Key("up", "speed", "play faster", "faster", "1", "replay"),
    Key("down", "speed", "play slower", "slower", "1", "replay"),
    Key("z", "shelve", "shelve an alarm for a time", "shelve", ALL, "alarm"),
    Key("u", "unshelve", "bring back what is shelved", "unshelve", ALL, "shelved"),
    Key("r", "reset", "reset what has latched", "reset", ALL, "latched"),
    Key("v", "its moment", "see its moment in the traces", "show_moment", "4", "alarm"),
    Key("y", "try now", "try the failed link now", "try_now", "5"),
    Key("d", "raw lines", "show the link's raw lines", "raw_lines", "5"),
    Key("w", "raw names", "show the names in files", "raw_names", "5"),
    Key("f", "find", "find sessions by typing", "find_sessions", "6"),
    Key("w", "report", "read the session's report", "report_session", "6"),
    Key("x", "compare", "compare with another session", "compare_session", "6"),
    Key("e", "export", "write the session to a file", "export_session", "6"),
    Key("n", "name", "give the session a name", "name_session", "6"),
    Key("o", "note", "write a note on the session", "note_session", "6"),
    Key("p", "pause", "pause the replay, or go on", "pause", ALL, "replay"),
    *(Key(digit, name, f"go to {name}", f"view_{digit}") for digit, name in VIEWS.items()),
    Key("h", "help", "show the help of this view", "help"),
    Key("c", "commands", "find a command by typing", "commands"),
    Key("t", "sun, dusk", "change colours: sun or dusk", "change_light"),
    Key("m", "mute", "mute for 10 min, or unmute", "mute"),
    Key("s", "sound test", "test the sound", "test_sound"),
    Key("escape", "back", "close, or go back to now", "back"),
    Key("q", "leave", "end the run and leave", "leave"),
)

FOOTERS: dict[str, tuple[str, ...]] = {
    "1": ("space", "enter", "views", "r", "z", "u", "p", "q", "h", "c", "up", "t", "m"),
    "2": ("views", "enter", "space", "up", "q", "h", "c", "p", "t"),
    "3": ("views", "up", "enter", "space", "escape", "h", "q", "c", "p", "t"),
    "4": ("enter", "views", "r", "z", "v", "u", "h", "up", "q", "space"),
    "5": ("views", "y", "enter", "d", "h", "up", "w", "q", "space"),
    "6": ("views", "enter", "up", "f", "w", "x", "h", "e", "n", "q"),
}
"""What the footer offers in each view, what matters most first; it is drawn in the order of the table."""
_FOOTER_MOST = 6
VIEWS_ITEM = "views"
PAIRS = {"up": "down"}
"""Keys that stand in one line: the first, the second."""


def keys_in(view: str, is_replay: bool) -> list[Key]:
    """Return the keys that do something in ``view``."""
    return [row for row in KEYS if view in row.views and (is_replay or row.is_live)]


def find_key(key: str, view: str, is_replay: bool) -> Key | None:
    """Return what ``key`` does in ``view``, or None."""
    return next((row for row in keys_in(view, is_replay) if row.key == key), None)


@dataclass(frozen=True)
class FooterItem:
    """A key as the footer shows it: what to press, what it does, and what a click on it presses."""

    shown: str
    words: str
    press: str


def footer_items(view: str, width: int, needs: Collection[Need], is_replay: bool) -> list[FooterItem]:
    """Return what the footer of ``view`` offers: as many as fit whole in ``width`` cells, six at the most.

    Args:
        view: its digit.
        width: cells.
        needs: what is so at the moment, of :data:`Need`.
        is_replay: whether the run is a replay.

    """
    return list(_footer_items(view, width, frozenset(needs), is_replay))


@lru_cache(maxsize=16)
def _footer_items(view: str, width: int, needs: frozenset[Need], is_replay: bool) -> tuple[FooterItem, ...]:
    """Return them; kept, for most paints have the same."""
    gap = footer_gap(width)
    rows = keys_in(view, is_replay)
    found: list[tuple[int, FooterItem]] = []
    room = width - 1
    for name in FOOTERS[view]:
        place = next((n for n, row in enumerate(rows) if row.key == (name if name != VIEWS_ITEM else "1")), None)
        if place is None or (rows[place].need not in ("", "replay", *needs)):
            continue
        row = rows[place]
        if name == VIEWS_ITEM:
            item = FooterItem(f"{min(VIEWS)}-{max(VIEWS)}", "views", VIEWS_ITEM)
        else:
            shown = f"{name} {PAIRS[name]}" if name in PAIRS else name
            item = FooterItem(shown, row.short, name)
        size = len(item.shown) + 1 + len(item.words) + (gap if found else 0)
        if size <= room and len(found) < _FOOTER_MOST:
            room -= size
            found.append((place, item))
    return tuple(item for _, item in sorted(found, key=lambda entry: entry[0]))


def footer_gap(width: int) -> int:
    """Return the blanks between two items of the footer."""
    return 3 if width >= 70 else 2
