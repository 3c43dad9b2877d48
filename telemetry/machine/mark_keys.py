"""Keys for a button that acts as a keyboard: which names a machine file may give, and which keys are taken."""

from __future__ import annotations

from collections.abc import Mapping

_NAMED = (
    *("pageup", "pagedown", "home", "end", "insert", "delete", "left", "right"),
    *(f"f{n}" for n in range(1, 25)),
)
TAKEN: Mapping[str, str] = {
    "space": "already sets a mark",
    "enter": "acknowledges an alarm",
    "z": "shelves an alarm",
    "u": "unshelves an alarm",
    "r": "resets a latched alarm",
    **{str(view): "chooses a view" for view in range(1, 7)},
    "up": "chooses in a list",
    "down": "chooses in a list",
    "h": "shows the help",
    "c": "opens the list of commands",
    "v": "shows an alarm's moment, or a cell, in the traces",
    "y": "tries a link again",
    "d": "shows the raw lines of a link",
    "w": "shows the names of signals in files",
    "f": "finds sessions",
    "g": "goes on with a guided drive",
    "k": "skips a step of a guided drive",
    "x": "compares sessions, or ends a guided drive",
    "e": "writes a session to a file",
    "n": "names a session",
    "o": "orders cells, or writes a note on a session",
    "t": "changes the colours",
    "s": "sounds the test",
    "m": "mutes the sound",
    "q": "ends the run",
    "p": "pauses a replay",
    "escape": "goes back",
    "backspace": "removes the last mark",
}
"""What each key of the screen does already, by the name a machine file would give it."""


def key_name(name: str) -> str:
    """Return the name of a key as the screen compares it: small letters, a blank as ``space``."""
    return "space" if name == " " else name.strip().lower()


def is_key(name: str) -> bool:
    """Return whether ``name``, as :func:`key_name` returns it, is a key that may set a mark."""
    character = len(name) == 1 and "!" <= name <= "~"
    return name not in TAKEN and (character or name in _NAMED)


def known_keys() -> tuple[str, ...]:
    """Return the names of the keys that are no character."""
    return _NAMED
