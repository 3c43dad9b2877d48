"""The isolator's judgement as a short letter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from telemetry.analysis.fault_isolation.findings import Cause, FaultEvent, Isolation
from telemetry.model.errors import printable

OWNER_NAMES: dict[Cause, str] = {
    "healthy": "no fault",
    "pedal-sensor": "the pedal's sensor or its wire",
    "controller": "the controller or what enables it",
    "power-connection": "a connection between pack and controller",
    "pack-weak": "a pack that is empty, too small or aged",
    "bms-trip": "the pack's own switch, which opens",
    "mechanical-drag": "something that drags: a brake, a bearing, wrapped grass",
}
_WIDTH = 78
_MOST_EVENTS = 12


def letter_lines(
    name: str, duration_s: float, isolation: Isolation, enable_known: bool = False, strips: Sequence[str] = ()
) -> list[str]:
    """Return the letter, wrapped to 78 columns.

    Args:
        name: what the recording is called.
        duration_s: its length.
        isolation: the judgement.
        enable_known: whether the enable line was recorded, so that the controller can be told from its switches.
        strips: drawings of the first events, as :func:`~telemetry.report.isolation_strips.event_strips` returns them.
    """
    lines = [f"{printable(name, 60)}, {_length(duration_s)}", ""]
    lines += _paragraph(_opening(isolation, enable_known))
    if isolation.problems:
        lines += ["", "About the evidence:", *_bullets(isolation.problems)]
    if isolation.ranked and isolation.judged:
        best = next(each for each in isolation.ranked if each.cause == isolation.cause)
        lines += ["", "Why:", *_bullets([_sentence(why) for why in best.why])]
    if isolation.events:
        lines += ["", "When (seconds from the start):", *list(_event_lines(isolation.events))]
        lines += ["", *strips] if strips else []
    if isolation.judged:
        others = [each for each in isolation.ranked if each.cause not in (isolation.cause, "healthy")]
        ruled = [each for each in others if each.probability < 0.05 and each.why]
        likely = [each for each in others if each.probability >= 0.05]
        if likely:
            lines += ["", "Not excluded:"]
            lines += _bullets(
                [f"{OWNER_NAMES[each.cause]} ({each.probability:.0%}): {each.why[0]}." for each in likely]
            )
        if ruled:
            lines += ["", "What speaks against the rest:"]
            lines += _bullets([f"{OWNER_NAMES[each.cause]}: {each.why[-1]}." for each in ruled])
    if isolation.next_check:
        lines += ["", "Next:", *_bullets(isolation.next_check)]
    if isolation.told_apart:
        lines += [
            "",
            "What these signals cannot tell apart:",
            *_bullets([_sentence(each) for each in isolation.told_apart]),
        ]
    return lines


def _opening(isolation: Isolation, enable_known: bool) -> str:
    if not isolation.judged:
        return "This recording names no part and clears none: its evidence is not good enough."
    chance = next(each.probability for each in isolation.ranked if each.cause == isolation.cause)
    if isolation.cause == "healthy":
        return f"Nothing in this drive points to a fault ({_odds(chance)} that there is none of those looked for)."
    name = OWNER_NAMES[isolation.cause]
    if isolation.cause == "controller" and enable_known:
        name = "the controller"
    return f"The evidence points to {name} ({isolation.cause}, {_odds(chance)})."


def _odds(chance: float) -> str:
    return "more than 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def _length(duration_s: float) -> str:
    return f"{duration_s / 60:.1f} min" if duration_s >= 90 else f"{duration_s:.0f} s"


def _event_lines(events: Sequence[FaultEvent]) -> Iterator[str]:
    for event in events[:_MOST_EVENTS]:
        yield f"  {event.t:8.2f} s  for {event.duration:6.2f} s  {event.what}"
    if len(events) > _MOST_EVENTS:
        yield f"  ... and {len(events) - _MOST_EVENTS} more (--json lists all)"


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _paragraph(text: str) -> list[str]:
    return wrap(text, _WIDTH)


def _bullets(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in wrap(text, _WIDTH, initial_indent="- ", subsequent_indent="  ")]
