"""Every key of the screen: one table, from which footer, help, command list, mouse and the page in the docs are made.

A key that is not in the table does nothing. None needs shift, control, alt or a function key.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

VIEWS = {"1": "drive", "2": "cells", "3": "traces", "4": "alarms", "5": "links", "6": "sessions"}
"""Each view by the digit that chooses it."""
ALL = "".join(VIEWS)
Need = Literal["", "replay", "review", "alarm", "latched", "shelved", "fresh mark", "raw", "guided"]
"""What must be so for a key to be of use: a replay; a session looked at afterwards; an alarm that can be shelved; a
latch to be reset; a shelved alarm; a mark that can still be taken back; raw lines on view; a guided drive."""


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
        acts: whether it acts on a run that goes on; a session looked at afterwards lacks it.

    """

    key: str
    short: str
    does: str
    action: str
    views: str = ALL
    need: Need = ""
    acts: bool = False

    @property
    def shown(self) -> str:
        """What it is called where it is shown."""
        return shown_key(self.key)

    def is_in(self, is_replay: bool, is_review: bool) -> bool:
        """Tell whether a replay, or a live run, has it; whether a session looked at afterwards has it."""
        if is_review:
            return not self.acts
        return self.need != "review" and (is_replay or self.need != "replay")


SESSION_KEYS = (
    Key("f", "find", "find sessions by typing", "find_sessions", "6"),
    Key("w", "report", "read the session's report", "report_session", "6"),
    Key("x", "compare", "compare with another session", "compare_session", "6"),
    Key("e", "export", "write the session to a file", "export_session", "6"),
    Key("n", "name", "give the session a name", "name_session", "6"),
    Key("o", "note", "write a note on the session", "note_session", "6"),
)
"""What can be done with the sessions, on the first screen as in their view."""
KEYS: tuple[Key, ...] = (
    Key("space", "mark", "mark this moment", "mark"),
    Key("backspace", "take back", "take the last mark back", "take_mark_back", ALL, "fresh mark"),
    Key("enter", "acknowledge", "acknowledge an alarm", "acknowledge", "12345", acts=True),
    Key("enter", "review", "review the chosen session", "review_session", "6"),
    Key("up", "choose", "choose above", "up", "245"),
    Key("down", "choose", "choose below", "down", "245"),
    Key("up", "choose", "choose the session above", "session_above", "6"),
    Key("down", "choose", "choose the session below", "session_below", "6"),
    Key("left", "cursor", "move back", "cursor_left", "3"),
    Key("right", "cursor", "move on", "cursor_right", "3"),
    Key("up", "zoom", "zoom in", "zoom_in", "3"),
    Key("down", "zoom", "zoom out", "zoom_out", "3"),
    Key("pageup", "window", "page back", "window_left", "3"),
    Key("pagedown", "window", "page on", "window_right", "3"),
    Key("home", "start", "go to start", "to_start", "3"),
    Key("end", "end", "go to end", "to_end", "3"),
    Key("n", "next event", "go to the next event", "next_event", "3"),
    Key("b", "event before", "go to the one before", "event_before", "3"),
    Key("a", "alarm", "go to the next alarm", "next_alarm", "3"),
    Key("k", "mark", "go to the next mark", "next_mark", "3"),
    Key("s", "span", "set an end of the span", "set_end", "3"),
    Key("x", "clear", "clear the span", "clear_span", "3"),
    Key("i", "write span", "write the span as CSV", "write_span", "3"),
    Key("f", "whole drive", "show the whole drive", "whole_drive", "3"),
    Key("g", "go to", "go to a time", "go_to", "3"),
    Key("p", "play", "play, or pause", "play", "3"),
    Key("comma", "slower", "play slower", "play_slower", "3"),
    Key("full_stop", "faster", "play faster", "play_faster", "3"),
    Key("l", "signals", "choose the signals", "choose_signals", "3"),
    Key("g", "go", "guided drive: go, or go on", "guide_go", "1", "guided", acts=True),
    Key("k", "skip", "guided drive: skip this step", "guide_skip", "1", "guided", acts=True),
    Key("x", "end guide", "guided drive: end it here", "guide_stop", "1", "guided", acts=True),
    Key("left", "10 s", "go back by 10 s", "back_10_s", "1245", "review"),
    Key("right", "10 s", "go on by 10 s", "on_10_s", "1245", "replay"),
    Key("up", "speed", "play faster", "faster", "1", "replay"),
    Key("down", "speed", "play slower", "slower", "1", "replay"),
    Key("z", "shelve", "shelve an alarm for a time", "shelve", ALL, "alarm", acts=True),
    Key("u", "unshelve", "bring back what is shelved", "unshelve", ALL, "shelved", acts=True),
    Key("r", "reset", "reset what has latched", "reset", ALL, "latched", acts=True),
    Key("v", "its moment", "see its moment in the traces", "show_moment", "4", "alarm"),
    Key("v", "its trace", "see the cell's trace", "show_cell", "2"),
    Key("o", "order", "order cells by distance, or by number", "order_cells", "2"),
    Key("y", "try now", "try the failed link now", "try_now", "5", acts=True),
    Key("d", "raw lines", "show the link's raw lines", "raw_lines", "5", acts=True),
    Key("w", "raw names", "show the names in files", "raw_names", "5"),
    *SESSION_KEYS,
    Key("p", "pause", "pause the replay, or go on", "pause", "12456", "replay"),
    *(Key(digit, name, f"go to {name}", f"view_{digit}") for digit, name in VIEWS.items()),
    Key("h", "help", "show the help of this view", "help"),
    Key("c", "commands", "find a command by typing", "commands"),
    Key("t", "sun, dusk", "change colours: sun or dusk", "change_light"),
    Key("m", "mute", "mute for 10 min, or unmute", "mute", acts=True),
    Key("s", "sound test", "test the sound", "test_sound", "12456", acts=True),
    Key("escape", "back", "close, or go back to now", "back"),
    Key("q", "leave", "leave; a run ends with it", "leave"),
)

FOOTERS: dict[str, tuple[str, ...]] = {
    "1": ("g", "k", "x", "space", "enter", "left", "views", "r", "z", "u", "p", "q", "h", "c", "up", "t", "m"),
    "2": ("views", "enter", "up", "v", "o", "h", "space", "q", "c", "p", "t"),
    "3": ("views", "enter", "left", "up", "n", "s", "h", "f", "p", "g", "l", "i", "q"),
    "4": ("enter", "views", "r", "z", "v", "u", "h", "up", "q", "space"),
    "5": ("views", "y", "enter", "d", "h", "up", "w", "q", "space"),
    "6": ("views", "enter", "up", "f", "w", "x", "h", "e", "n", "q"),
}
"""What the footer offers in each view, what matters most first; it is drawn in the order of the table."""
_FOOTER_MOST = 6
VIEWS_ITEM = "views"
_SHOWN = {"comma": ",", "full_stop": ".", "pageup": "pgup", "pagedown": "pgdn"}
PAIRS = {"up": "down", "left": "right", "pageup": "pagedown", "home": "end", "n": "b", "comma": "full_stop"}
"""Keys that stand in one line: the first, the second."""


def keys_in(view: str, is_replay: bool, is_review: bool = False, is_guided: bool = False) -> list[Key]:
    """Return the keys that do something in ``view``."""
    found = [row for row in KEYS if view in row.views and row.is_in(is_replay, is_review)]
    return [row for row in found if is_guided or row.need != "guided"]


def shown_key(name: str) -> str:
    """Return what keys are called where they are shown: as on the keyboard."""
    return " ".join(_SHOWN.get(key, key) for key in name.split(" "))


@dataclass(frozen=True)
class FooterItem:
    """A key as the footer shows it: what to press, what it does, and what a click on it presses."""

    shown: str
    words: str
    press: str


def footer_items(
    view: str, width: int, needs: Collection[Need], is_replay: bool, is_review: bool = False
) -> list[FooterItem]:
    """Return what the footer of ``view`` offers: as many as fit whole in ``width`` cells, six at the most.

    Args:
        view: its digit.
        width: cells.
        needs: what is so at the moment, of :data:`Need`.
        is_replay: whether the run is a replay.
        is_review: whether a session is looked at afterwards.

    """
    return list(_footer_items(view, width, frozenset(needs), is_replay, is_review))


@lru_cache(maxsize=16)
def _footer_items(
    view: str, width: int, needs: frozenset[Need], is_replay: bool, is_review: bool
) -> tuple[FooterItem, ...]:
    """Return them; kept, for most paints have the same."""
    rows = keys_in(view, is_replay, is_review, "guided" in needs)
    places: dict[FooterItem, int] = {}
    for name in FOOTERS[view]:
        place = next((n for n, row in enumerate(rows) if row.key == (name if name != VIEWS_ITEM else "1")), None)
        if place is None or (rows[place].need not in ("", "replay", "review", *needs)):
            continue
        row = rows[place]
        if name == VIEWS_ITEM:
            item = FooterItem(f"{min(VIEWS)}-{max(VIEWS)}", "views", VIEWS_ITEM)
        else:
            paired = any(each.key == PAIRS.get(name) for each in rows)
            shown = shown_key(f"{name} {PAIRS[name]}" if paired else name)
            item = FooterItem(shown, row.short, name)
        places[item] = place
    return tuple(sorted(fitting(places, width, footer_gap(width)), key=places.__getitem__))


def fitting(items: Iterable[FooterItem], width: int, gap: int) -> list[FooterItem]:
    """Return those of ``items`` that fit whole in ``width`` cells beside those before them, six at the most."""
    found: list[FooterItem] = []
    room = width - 1
    for item in items:
        size = len(item.shown) + 1 + len(item.words) + (gap if found else 0)
        if size <= room and len(found) < _FOOTER_MOST:
            room -= size
            found.append(item)
    return found


def footer_gap(width: int) -> int:
    """Return the blanks between two items of the footer."""
    return 3 if width >= 70 else 2
