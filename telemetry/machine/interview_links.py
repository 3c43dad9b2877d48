"""The last question of a new machine: which of the links in reach give its readings."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from telemetry.machine.questions import Ask, Question, asked
from telemetry.machine.sections import USUAL_DRIVER
from telemetry.model.errors import did_you_mean, printable
from telemetry.model.keys import BadValue, described

NO_LINK = "later"
Link = Mapping[str, Any]
"""A ``[[source]]`` table: ``driver`` and its settings; ``seems`` says what a device seems to be."""
_DEVICE = ("port", "address", "channel")


def ask_links(ask: Ask, in_reach: Callable[[], Sequence[Link]]) -> tuple[Link, ...]:
    """Return the sources chosen, in the order of the answer; none where that is for later.

    Args:
        ask: shows a question and returns the answer.
        in_reach: looks for devices; called once, when the question comes up.

    """
    links = in_reach()
    numbers = tuple(str(number) for number in range(1, len(links) + 1))
    known = (*numbers, USUAL_DRIVER, NO_LINK)
    seen = tuple(f"{number}: {_shown(link)}" for number, link in zip(numbers, links, strict=True))

    def chosen(answer: str) -> tuple[str, ...]:
        words = tuple(dict.fromkeys(re.split(r"[\s,;]+", answer.lower().strip(" ,;"))))
        for word in words:
            if word not in known:
                what = f"{described(word)} is not a link known here{did_you_mean(word, known)}"
                raise BadValue(what, f"write one of {', '.join(known)}")
        if NO_LINK in words and len(words) > 1:
            raise BadValue(f"{described(answer)} names links and says later", "write one of the two")
        _one_device_once([links[int(word) - 1] for word in words if word in numbers])
        return words

    text = "How do readings reach this computer: lines of text on a serial port, or is that for later?"
    if links:
        text = f"Which of these give readings? Numbers, such as 1 or 1, 2; {USUAL_DRIVER} for a port that you type."
    words = asked(ask, Question("source.driver", text, NO_LINK, known, notes=seen), chosen)
    if NO_LINK in words:
        return ()
    return tuple(_typed_port(ask) if word == USUAL_DRIVER else links[int(word) - 1] for word in words)


def _one_device_once(links: Sequence[Link]) -> None:
    devices = [str(link[key]) for link in links for key in _DEVICE if key in link]
    for device in devices:
        if devices.count(device) > 1:
            what = f"{printable(device)} is chosen twice"
            raise BadValue(what, "choose the driver that speaks the device's language, once for each device")


def _shown(link: Link) -> str:
    """Return a link in one line: driver, device, and what it seems to be."""
    device = ", ".join(f"{key} {printable(link[key])}" for key in _DEVICE if key in link)
    seems = f" ({printable(link['seems'])})" if link.get("seems") else ""
    return f"{link['driver']}{f', {device}' if device else ''}{seems}"


def _typed_port(ask: Ask) -> Link:
    def port(answer: str) -> str:
        if not answer or not answer.isprintable():
            raise BadValue("a port is needed", "write /dev/ttyUSB0, COM4 or socket://radio.local:4000, say")
        return answer

    text = "Which port is the device on, such as /dev/ttyUSB0, COM4 or socket://HOST:PORT?"
    return {"driver": USUAL_DRIVER, "port": asked(ask, Question("source.port", text), port)}
