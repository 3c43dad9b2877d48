"""A part of the program that fails through a mistake of ours: what is said of it while the run goes on without it."""

from __future__ import annotations

import logging
import re
from dataclasses import replace

from telemetry.model.batch import Span
from telemetry.model.events import AlarmChange, AlarmCondition

PROGRAM_LIMIT = "program-error"
_NAN = float("nan")
log = logging.getLogger(__name__)


def part_name(part: object) -> str:
    """Return what to call a part: its class in small words, ``charge`` for ``Charge``."""
    return re.sub(r"(?<!^)(?=[A-Z])", " ", type(part).__name__.lstrip("_")).lower()


def log_failure(part: str, error: Exception) -> str:
    """Keep the traceback of ``error`` in the log, and return why the part failed, in a few words."""
    log.error("internal error in %s; please report it", part, exc_info=error)
    return f"internal error in {part} ({type(error).__name__})"


def part_failure(t: int, part: str, error: Exception, consequence: str) -> AlarmCondition:
    """Keep the traceback of ``error`` in the log, and return the condition that raises the alarm.

    Args:
        t: when, int microseconds.
        part: what to call it.
        error: what it raised.
        consequence: what follows for the operator, in a few words.

    """
    return AlarmCondition(t, PROGRAM_LIMIT, part, True, f"{log_failure(part, error)}; {consequence}")


def with_unjudged(span: Span) -> Span:
    """Return ``span`` with alarms raised for conditions that no judge has taken: it is the judge that failed."""
    left = [event for event in span.events if isinstance(event, AlarmCondition)]
    if not left:
        return span
    kept = tuple(event for event in span.events if not isinstance(event, AlarmCondition))
    raised = [
        AlarmChange(each.t, each.limit, each.signal, "trip", "raised", each.value, _NAN, each.why)
        for each in left
        if each.on
    ]
    return replace(span, events=kept).adding(events=raised)
