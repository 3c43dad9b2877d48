"""Section ``[[publish]]``: a broker that live values go out to. Nothing goes out unless the file says so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import ClassVar

from telemetry.model.errors import did_you_mean, printable
from telemetry.model.keys import BadValue, Key, described, setting
from telemetry.model.kinds import Text, Words, count, number, switch, text
from telemetry.model.signals import find_signal, known_names

PLAIN_PORT, TLS_PORT = 1883, 8883
"""Ports registered for MQTT, without and with TLS: IANA service names and port numbers."""


class SignalPatterns(Words):
    """A list of signals, with ``*`` for anything."""

    of_what: ClassVar[str] = "signals or patterns"

    def each(self, key: Key, words: tuple[str, ...]) -> tuple[str, ...]:
        """Return the words; BadValue for one that no signal can have."""
        for word in words:
            known = find_signal(word) is not None or word.startswith(("extra_", "cell_", "pack_temperature_"))
            if not known and not any(fnmatchcase(name, word) for name in known_names()):
                near = did_you_mean(word, known_names())
                raise BadValue(f"names {described(word)}, which is not a signal", f"write {key.takes}{near}")
        return words


class Topic(Text):
    """A topic that one can publish under: no level of it is a wildcard (MQTT 5.0, section 4.7)."""

    def read(self, key: Key, value: object) -> str:
        """Return the topic without slashes around it."""
        read = str(super().read(key, value)).strip("/")
        if not read or read.startswith("$") or set(read) & set("+#"):
            raise BadValue(f"is {described(value)}, which is not a topic", f"write {key.takes}, without + and #")
        return read


@dataclass(frozen=True, kw_only=True)
class Publish:
    """One ``[[publish]]`` table: an MQTT broker."""

    broker: str = text(
        "name or address of the MQTT broker", "where you installed it", "broker.local", longest=253, required=True
    )
    port: int | None = count(
        1,
        65535,
        f"its port; {PLAIN_PORT}, or {TLS_PORT} with tls, if left out",
        "the broker's settings",
        1883,
    )
    tls: bool = switch(
        "encrypt, and check the broker's certificate against those this computer trusts", "the broker's settings",
        example=True, default=False,
    )  # fmt: skip
    username: str | None = text(
        "user name; the password comes from the environment variable SHAKEDOWN_MQTT_PASSWORD",
        "the broker's settings", "mower",
    )  # fmt: skip
    topic: str | None = setting(
        Topic(100), "what topics begin with; shakedown/ and the machine's name if left out", "your choice",
        "farm/mower",
    )  # fmt: skip
    every_s: float = number(0.1, 3600, "seconds between two messages of values", "your choice", 1.0, default=1.0)
    signals: tuple[str, ...] = setting(
        SignalPatterns(),
        "only these signals; all if left out",
        "your choice",
        ["pack_*", "soc_estimated"],
        default=(),
    )

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        return self.broker, self.port or (TLS_PORT if self.tls else PLAIN_PORT)

    def topic_for(self, machine: str) -> str:
        """Return what the topics of ``machine`` begin with."""
        return self.topic or "shakedown/" + "".join("_" if each in "+#/$" else each for each in machine)

    def takes(self, signal: str) -> bool:
        """Return whether a signal goes out."""
        return not self.signals or any(fnmatchcase(signal, pattern) for pattern in self.signals)


def doubled(tables: tuple[Publish, ...], machine: str) -> Iterator[tuple[int, str]]:
    """Give the index of each table that says the same things under the same topic as one before, and the topic."""
    seen = set()
    for index, each in enumerate(tables):
        place = (*each.address, each.topic_for(machine))
        if place in seen:
            yield index, printable(place[2])
        seen.add(place)
