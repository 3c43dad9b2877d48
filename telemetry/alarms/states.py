"""The alarm state machine as data: from every state, what each event leads to.

The nine states are those of ISA-18.2-2016 and IEC 62682 (from memory; the same ideas in the open as OPC 10000-9, OPC
UA Alarms and Conditions). What the table does not name leaves the state as it is. Decisions of ours, where the
standards leave the choice:

* An alarm that is back inside before anybody saw it waits as *returned unacknowledged*; it never just vanishes.
* A latch is let go only once it has been acknowledged: a reset of what nobody has read does nothing.
* While an alarm is shelved, suppressed or out of service its excursions go on being counted; when that ends the
  alarm takes the state that the value then deserves.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from telemetry.model.events import AlarmState

AlarmEvent = Literal[
    "exceeded",
    "rose",
    "returned",
    "latched",
    "acknowledged",
    "reset",
    "shelved",
    "suppressed",
    "removed",
    "released normal",
    "released exceeded",
    "released latched",
]
"""What can happen to an alarm.

``exceeded``: the bound is exceeded, with its delay; ``rose``: the trip too, after the warn; ``returned``: back
inside; ``latched``: back inside, of an alarm that latches. ``shelved``, ``suppressed``, ``removed`` (from service):
this is now the strongest of what keeps the alarm quiet. ``released ...``: nothing keeps it quiet any more, and this
follows the value, or the latch.
"""

MASKED: frozenset[AlarmState] = frozenset({"shelved", "suppressed by design", "out of service"})
"""States in which an alarm is neither shown among the active ones nor sounded."""
ACTIVE: frozenset[AlarmState] = frozenset({"unacknowledged", "acknowledged"})
"""States that say the limit is exceeded now."""
WAITING: frozenset[AlarmState] = frozenset({"unacknowledged", "returned unacknowledged", "latched unacknowledged"})
"""States that wait to be acknowledged."""
LATCHED: frozenset[AlarmState] = frozenset({"latched unacknowledged", "latched acknowledged"})

MASKS: dict[AlarmEvent, AlarmState] = {
    "shelved": "shelved",
    "suppressed": "suppressed by design",
    "removed": "out of service",
}
_RELEASES: dict[AlarmEvent, AlarmState] = {
    "released normal": "normal",
    "released exceeded": "unacknowledged",
    "released latched": "latched unacknowledged",
}

TRANSITIONS: Mapping[AlarmState, Mapping[AlarmEvent, AlarmState]] = {
    "normal": {"exceeded": "unacknowledged", **MASKS},
    "unacknowledged": {
        "rose": "unacknowledged",
        "returned": "returned unacknowledged",
        "latched": "latched unacknowledged",
        "acknowledged": "acknowledged",
        **MASKS,
    },
    "acknowledged": {
        "rose": "unacknowledged",
        "returned": "normal",
        "latched": "latched acknowledged",
        **MASKS,
    },
    "returned unacknowledged": {"exceeded": "unacknowledged", "acknowledged": "normal", **MASKS},
    "latched unacknowledged": {"exceeded": "unacknowledged", "acknowledged": "latched acknowledged", **MASKS},
    "latched acknowledged": {"exceeded": "unacknowledged", "reset": "normal", **MASKS},
    "shelved": {**MASKS, **_RELEASES},
    "suppressed by design": {**MASKS, **_RELEASES},
    "out of service": {**MASKS, **_RELEASES},
}


def next_state(state: AlarmState, event: AlarmEvent) -> AlarmState:
    """Return the state that ``event`` leads to from ``state``: by the table, else the same."""
    return TRANSITIONS[state].get(event, state)
