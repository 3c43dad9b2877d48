"""Sentences of the program without names, addresses and positions: only words of the program's own stay.

What is a name cannot be known; what the program itself writes can. So a word stays where the program's own text has
it, and everything else becomes ``_``: names, serial numbers, addresses, paths. Numbers stay as long as they are
short.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

import telemetry
from telemetry.model.signals import find_signal

_OWN_DIGITS = 3  # a number so short gives nobody away
GONE = "_"
_PLAIN = re.compile(
    r"[-+±]?\d{1,6}(?:[.,]\d{1,3})?%?|\d{1,3}:\d\d(?::\d\d(?:\.\d)?)?|\d{4}-\d\d-\d\d(?:T\d\d:\d\d:\d\dZ?)?|[^\w]+"
)
_OWN_FILE = re.compile(r"\"[^\"\n]*[/\\](telemetry|drivers)[/\\]([\w/\\]+)\.py\"")
_EDGES = re.compile(r"^([\W_]*)(.*?)([\W_]*)$", re.DOTALL)


@cache
def _vocabulary() -> frozenset[str]:
    """Return every word in the program's own files, in lower case."""
    top = Path(telemetry.__file__).parents[1]
    texts = (file.read_text("utf-8") for room in ("telemetry", "drivers") for file in (top / room).rglob("*.py"))
    return frozenset(word.lower() for text in texts for word in re.findall(r"[^\W\d_]+", text))


class AnonymousText:
    """Takes out of texts what is not the program's own.

    Args:
        renamed: the replacement of each name.
        names: names and texts of the owner's, which go even where each of their words is an ordinary one.

    """

    def __init__(self, renamed: Mapping[str, str], names: Iterable[str]) -> None:
        self._renamed = {name: new for name, new in renamed.items() if name}
        gone = {name: GONE for name in names if len(name) > 1}
        known = sorted(gone | self._renamed, key=len, reverse=True)
        self._by_name = gone | self._renamed
        self._known = re.compile("|".join(rf"(?<!\w){re.escape(name)}(?!\w)" for name in known)) if known else None

    def __call__(self, text: str) -> str:
        """Return ``text`` with only the program's own words in it."""
        text = _OWN_FILE.sub(lambda found: " ".join(re.split(r"[/\\]", f"{found[1]}/{found[2]}")), text)
        if self._known is not None:
            text = self._known.sub(lambda found: self._by_name[found[0]], text)
        return "".join(part if not part or part.isspace() else self._token(part) for part in re.split(r"(\s+)", text))

    def _token(self, token: str) -> str:
        before, core, after = _EDGES.match(token).groups()  # type: ignore[union-attr]
        if not core or _PLAIN.fullmatch(core):
            return token
        if find_signal(core) is not None and not core.startswith("extra_"):
            return token
        parts = re.split(r"[-/='’]", core)
        if core in self._renamed.values() or all(map(self._is_own, parts)) or all(map(self._is_own, core.split("_"))):
            return token
        return f"{before}{GONE}{after}"

    @staticmethod
    def _is_own(word: str) -> bool:
        return (word.isdecimal() and len(word) <= _OWN_DIGITS) or (word.isalpha() and word.lower() in _vocabulary())
