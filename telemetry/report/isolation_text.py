"""The isolator's judgement as one JSON object and as a short letter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import Any

from telemetry.analysis.fault_isolation.findings import Cause, FaultEvent, Isolation
from telemetry.model.errors import printable
from telemetry.model.time_text import clock, length
from telemetry.model.words import sentence
from telemetry.report.figure_object import as_object, rounded
from telemetry.report.verdict_acts import cause_words

_WORTH_A_WORD, _SUSPECTED, _MORE_THAN = 0.05, 0.2, 0.99
"""Chances: of another cause that is listed, of one that is suspected where none is named, and the highest printed."""
OWNER_NAMES: dict[Cause, str] = {
    "healthy": "no fault",
    "pedal-sensor": "the throttle sensor or its wire",
    "controller": "the controller or what enables it",
    "power-connection": "a connection between pack and controller",
    "pack-weak": "a pack that is empty, too small or aged",
    "bms-trip": "a BMS trip",
    "mechanical-drag": "mechanical drag (brake, bearing, wrapped grass)",
}
_SHORT: dict[Cause, str] = {
    "pedal-sensor": "throttle sensor",
    "controller": "controller",
    "power-connection": "connections to the controller",
    "pack-weak": "weak pack",
    "bms-trip": "BMS trip",
    "mechanical-drag": "mechanical drag",
}
_WIDTH = 78
_MOST_EVENTS = 12


def isolation_object(isolation: Isolation) -> dict[str, Any]:
    """Return the judgement; docs/commands.md has its keys."""
    return {
        "cause": isolation.cause,
        "ranked": as_object(rounded(isolation.ranked, 4)),
        "events": [
            {"t": round(event.t, 3), "duration": round(event.duration, 3), "what": event.what}
            for event in isolation.events
        ],
        "next_check": list(isolation.next_check),
        "missing": list(isolation.missing),
        "covered": list(isolation.covered),
        "not_covered": dict(isolation.not_covered),
        "odd_cells": [
            {"cell": odd.cell, "cause": odd.cause, "confidence": odd.confidence, "evidence": odd.evidence}
            for odd in isolation.odd_cells
        ],
        "evidence": {
            "judged": isolation.judged,
            "problems": list(isolation.problems),
            "told_apart": [],  # an old key, kept for scripts that read it; "missing" says what to record
        },
    }


def letter_lines(
    name: str, duration_s: float, isolation: Isolation, enable_known: bool = False, strips: Sequence[str] = ()
) -> list[str]:
    """Return the letter, wrapped to 78 columns.

    Args:
        name: what the recording is called.
        duration_s: its length.
        isolation: the judgement.
        enable_known: whether the enable line was recorded, so that the controller can be told from its switches.
        strips: drawings of the first events, as :func:`~telemetry.report.isolation_page.event_strips` returns them.
    """
    lines = [f"{printable(name, 60)}, {length(duration_s)}", ""]
    lines += _paragraph(_opening(isolation, enable_known))
    if isolation.covered:
        lines += _bulleted("Cells:", [sentence(odd.evidence) for odd in isolation.odd_cells])
        lines += _bulleted("Not covered:", _not_covered(isolation))
    lines += _bulleted("Problems with the data:", [sentence(each) for each in isolation.problems])
    if isolation.ranked and isolation.judged:
        best = next(each for each in isolation.ranked if each.cause == isolation.cause)
        lines += _bulleted("Why:", [sentence(why) for why in best.why])
    if isolation.events:
        lines += ["", "When (from the start of the recording):", *_event_lines(isolation.events)]
        lines += ["", *strips] if strips else []
    if isolation.covered:
        others = [
            each for each in isolation.ranked if each.cause in isolation.covered and each.cause != isolation.cause
        ]
        likely = [each for each in others if each.probability >= _WORTH_A_WORD]
        ruled = [each for each in others if each.probability < _WORTH_A_WORD and each.why]
        lines += _bulleted(
            "Not ruled out:",
            [
                f"{OWNER_NAMES[each.cause]} ({100 * each.probability:.0f} %): {each.why[0].rstrip('.')}."
                for each in likely
            ],
        )
        lines += _bulleted(
            "Unlikely, and why:", [f"{OWNER_NAMES[each.cause]}: {each.why[-1].rstrip('.')}." for each in ruled]
        )
    lines += _bulleted("Next:", isolation.next_check)
    more = [each for each in isolation.missing if f"Record {each}." not in isolation.next_check]
    lines += _bulleted("Worth recording too:", [f"{each}." for each in more])
    return lines


def _opening(isolation: Isolation, enable_known: bool) -> str:
    cells = "; ".join(f"cell {odd.cell} stands out ({cause_words(odd)})" for odd in isolation.odd_cells)
    if not isolation.judged:
        suspected = [
            each for each in isolation.ranked if each.cause in isolation.covered and each.probability >= _SUSPECTED
        ]
        which = "; ".join(f"{OWNER_NAMES[each.cause]} is {_odds(each.probability)} likely" for each in suspected)
        told = [sentence(cells)] if cells else []
        told.append(f"Not known: no {'other ' * bool(cells)}part is named and none is cleared.")
        return " ".join([*told, sentence(which)] if which else told)
    chance = next(each.probability for each in isolation.ranked if each.cause == isolation.cause)
    if isolation.cause == "healthy":
        covered = ", ".join(_SHORT[cause] for cause in isolation.covered)
        free = 1 - sum(each.probability for each in isolation.ranked if each.cause in isolation.covered)
        none = f"{_odds(free)} likely there is none of: {covered}" if covered else "no part could be judged"
        if cells:
            return f"{sentence(cells)} No other fault found in this drive ({none})."
        compared = isolation.cells is not None and bool(isolation.cells.charges)
        alike = " The cells were compared, and none stands out." if compared else ""
        return f"No fault found in this drive ({none}).{alike}"
    name = OWNER_NAMES[isolation.cause]
    if isolation.cause == "controller" and enable_known:
        name = "the controller"
    named = f"Most likely {name} ({isolation.cause}, {_odds(chance)})."
    return f"{named} {sentence(cells)}" if cells else named


def _not_covered(isolation: Isolation) -> list[str]:
    """Return what the drive could not show a fault of, and what that takes."""
    told = [f"{_SHORT[cause]}: needs {why}." for cause, why in isolation.not_covered.items()]
    if isolation.cells is None:
        told.append("single cells: needs a machine file and a current of the right sign.")
    elif "cells" in isolation.cells.unknown:
        told.append(f"single cells: {isolation.cells.unknown['cells']}.")
    elif "comparison" in isolation.cells.unknown:
        told.append(f"charge and capacity of the cells: {isolation.cells.unknown['comparison']}.")
    return told


def _odds(chance: float) -> str:
    return "more than 99 %" if chance > _MORE_THAN else f"{100 * chance:.0f} %"


def _event_lines(events: Sequence[FaultEvent]) -> Iterator[str]:
    for event in events[:_MOST_EVENTS]:
        yield f"  {clock(event.t, tenths=True)}  for {length(event.duration):>6}  {event.what}"
    if len(events) > _MOST_EVENTS:
        yield f"  ... and {len(events) - _MOST_EVENTS} more (--json lists all)"


def _paragraph(text: str) -> list[str]:
    return wrap(text, _WIDTH)


def _bulleted(heading: str, texts: Sequence[str]) -> list[str]:
    return ["", heading, *_bullets(texts)] if texts else []


def _bullets(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in wrap(text, _WIDTH, initial_indent="- ", subsequent_indent="  ")]
