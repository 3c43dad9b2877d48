"""Looks at a message catalogue's text before it is parsed: one large number in a small file can take all memory.

The parser lays out every bit of a message, and every value of a range of multiplexers, whether wanted or not. The
longest message on a vehicle's bus has 1785 bytes (transport protocol of SAE J1939-21: 255 packets of 7 bytes).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape

from telemetry.model.errors import InputError

MOST_FILE_BYTES = 8_000_000
MOST_MESSAGE_BYTES = 1785
MOST_BITS = 8 * MOST_MESSAGE_BYTES
MOST_MULTIPLEXERS = 8192
"""Values in ranges of multiplexers: the parser lays the message out once for each, a tenth of a millisecond."""
DEEPEST = 64

_NUMBER = r"([-+]?(?:0[xX]_?[0-9A-Fa-f][0-9A-Fa-f_]{0,30}|\d[\d_]{0,30}))"  # as Python reads integers
_DBC = {
    "places a signal before bit 0 or beyond bit": re.compile(r"(-?\d{1,30})\s*+\|\s*+(-?\d{1,30})\s*+@"),
    "states a message of more bits than": re.compile(r"\bBO_\s++\d{1,30}\s++\w{1,200}\s*+:\s*+(\d{1,30})"),
}
_DBC_RANGES = re.compile(r"SG_MUL_VAL_[^;\"]*+")
_RANGE = re.compile(r"(-?\d{1,30})\s*+-\s*+(-?\d{1,30})")
_SYM = re.compile(r"^[ \t]*+(?:Sig|Var|Mux|DLC|Len)[ \t]*+=[^/\n]{0,1000}", re.IGNORECASE | re.MULTILINE)
_SYM_SLOW = {
    "has a number of more than 400 digits": re.compile(r"\d{401}"),
    "has more than 20000 characters": re.compile(r"[^\n]{20001}"),
}
"""The parser's time for one number, and for a last line of slashes, grows as the square of its length."""
_SYM_NUMBER = re.compile(r"(?<![\w.-])(-?\d{1,30})(?![\w.])")
_XML = re.compile(
    rf"\b(?:offset|length)\s{{0,20}}=\s{{0,20}}[\"']\s{{0,20}}{_NUMBER}"
    rf"|<(?:[\w-]{{1,60}}-)?(?:START-POSITION|LENGTH|OFFSET|SIZE)>\s{{0,20}}{_NUMBER}"
)


def check_bounds(text: str, suffix: str, shown: str) -> None:
    """Refuse a catalogue that would take too much memory.

    Args:
        text: the file's.
        suffix: of its name, in small letters: ``.dbc`` and so on.
        shown: its name for a message.

    Raises:
        InputError: names the line, with the remedy.

    """
    looks = {".dbc": _in_dbc, ".sym": _in_sym}.get(suffix, _in_xml)
    for place, why in looks(text):
        line = text.count("\n", 0, place) + 1
        raise InputError(f"{shown}, line {line} {why}; correct that line, or export the catalogue anew")


def _in_dbc(text: str) -> Iterator[tuple[int, str]]:
    for what, pattern in _DBC.items():
        times = 8 if pattern.groups == 1 else 1
        for match in pattern.finditer(text):
            if any(not 0 <= int(number) * times <= MOST_BITS for number in match.groups()):
                yield match.start(1), f"{what} {MOST_BITS}, the most that a message holds"
    wide: dict[tuple[str, str], int] = {}  # several signals of one message share what is laid out for a range
    for statement in _DBC_RANGES.finditer(text):
        message = " ".join(statement[0].split()[1:2])
        for found in _RANGE.finditer(statement[0]):
            wide[message, found[0]] = max(0, int(found[2]) - int(found[1]))
        if sum(wide.values()) > MOST_MULTIPLEXERS:
            yield statement.start(), f"takes the multiplexer values beyond {MOST_MULTIPLEXERS}"


def _in_sym(text: str) -> Iterator[tuple[int, str]]:
    for what, pattern in _SYM_SLOW.items():
        for match in pattern.finditer(text):
            yield match.start(), what
    for match in _SYM.finditer(text):
        if any(not 0 <= int(number[1]) <= MOST_BITS for number in _SYM_NUMBER.finditer(match[0])):
            yield (
                match.start(),
                f"places a signal before bit 0 or beyond bit {MOST_BITS}, the most that a message holds",
            )


def _in_xml(text: str) -> Iterator[tuple[int, str]]:
    depth = 0
    for tag in re.finditer(r"<(?:!DOCTYPE|!ENTITY|/|[A-Za-z])", text):
        if tag[0].startswith("<!"):
            yield tag.start(), "defines entities, which a catalogue has no use for"
        depth += -1 if tag[0] == "</" else 0 if text[text.find(">", tag.start()) - 1] == "/" else 1
        if depth > DEEPEST:
            yield tag.start(), f"is nested more than {DEEPEST} deep"
    plain = unescape(text) if "&#" in text else text
    for match in _XML.finditer(plain):
        number = match[1] or match[2]
        if not 0 <= int(number.replace("_", ""), 16 if "x" in number.lower() else 10) <= MOST_BITS:
            yield (
                match.start(),
                f"places a signal before bit 0 or beyond bit {MOST_BITS}, the most that a message holds",
            )
