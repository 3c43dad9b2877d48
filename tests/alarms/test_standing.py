"""The order in which standing alarms are told: what must be done now before what is over."""

from __future__ import annotations

from telemetry.alarms.standing import StandingAlarms
from telemetry.model.events import AlarmChange


def change(limit: str, level: str, state: str, stands: str, t: int) -> AlarmChange:
    return AlarmChange(t, limit, f"{limit} signal", level, state, 2.3, 2.5, stands=stands)  # type: ignore[arg-type]


def order(*changes: AlarmChange) -> list[str]:
    standing = StandingAlarms()
    for each in changes:
        standing.take(each, {})
    return [alarm.change.limit for alarm in standing.in_order()]


LATCHED = (
    change("cell-voltage-low", "trip", "raised", "unacknowledged", 1),
    change("cell-voltage-low", "trip", "cleared", "latched unacknowledged", 2),
)
"""Of high priority, and over."""


def test_turn_back_now_is_not_behind_a_note_of_what_is_over() -> None:
    for level in ("trip", "warn"):
        low = change("soc-low", level, "raised", "unacknowledged", 3)
        assert order(*LATCHED, low) == order(low, *LATCHED) == ["soc-low", "cell-voltage-low"]


def test_among_what_is_active_an_unread_trip_is_first_and_then_the_priority() -> None:
    read = (
        change("supply-lost", "trip", "raised", "unacknowledged", 1),
        change("supply-lost", "trip", "acknowledged", "acknowledged", 2),
    )
    unread = change("soc-low", "trip", "raised", "unacknowledged", 3)
    warned = change("cell-voltage-low", "warn", "raised", "unacknowledged", 4)
    assert order(*read, warned, unread) == ["soc-low", "supply-lost", "cell-voltage-low"]
