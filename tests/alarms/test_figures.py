"""The figures of a session's alarms, against counts by hand."""

from __future__ import annotations

import math
from dataclasses import replace

from telemetry.alarms.figures import episodes_of, figures_of
from telemetry.model.events import AlarmChange, AlarmFinding, AlarmState

S = 1_000_000
HOUR = 3600 * S


def change(t_s: float, limit: str, state: str, stands: AlarmState, level: str = "warn") -> AlarmChange:
    return AlarmChange(round(t_s * S), limit, "x", level, state, 1.0, 2.0, "", stands)  # type: ignore[arg-type]


def pulse(t_s: float, limit: str = "cell-spread", lasting: float = 10.0) -> list[AlarmChange]:
    return [
        change(t_s, limit, "raised", "unacknowledged"),
        change(t_s + 1, limit, "acknowledged", "acknowledged"),
        change(t_s + lasting, limit, "cleared", "normal"),
    ]


def test_twelve_alarms_in_two_hours_are_one_in_ten_minutes() -> None:
    # The published yardstick (through several secondary texts): about one in ten minutes is acceptable.
    changes = [each for n in range(12) for each in pulse(600 * n)]
    found = figures_of(changes, [], 0, 2 * HOUR)
    assert (found.count, found.per_ten_minutes, found.per_hour) == (12, 1.0, 6.0)
    assert (found.worst_count, found.worst_t) == (1, 0)
    assert found.floods == ()


def test_the_worst_ten_minutes_hold_what_came_after_their_beginning() -> None:
    changes = [each for n in range(11) for each in pulse(30 * n, f"limit-{n}")]
    found = figures_of(changes, [], 0, HOUR)
    assert (found.worst_count, found.worst_t) == (11, 0)
    apart = figures_of(pulse(0) + pulse(600, "other"), [], 0, HOUR)
    assert apart.worst_count == 1


def test_a_rise_is_the_same_alarm_and_counts_by_its_highest_level() -> None:
    changes = [
        change(0, "cell-voltage-low", "raised", "unacknowledged"),
        change(1, "cell-voltage-low", "acknowledged", "acknowledged"),
        change(2, "cell-voltage-low", "raised", "unacknowledged", "trip"),
        change(9, "cell-voltage-low", "cleared", "returned unacknowledged", "trip"),
    ]
    assert [episode.raised.t for episode in episodes_of(changes, HOUR)] == [2 * S], "the rise to trip, not the warn"
    found = figures_of(changes, [], 0, HOUR)
    assert found.count == 1
    assert found.by_priority == {"high": 1, "medium": 0, "low": 0}
    assert [episode.stands for episode in found.standing] == ["returned unacknowledged"]
    assert found.longest is not None
    assert found.longest.lasted_s == 9.0


def test_the_worst_of_an_episode_is_on_the_side_that_its_limit_watches() -> None:
    for limit, worst in (("cell-voltage-low", 2.0), ("cell-voltage-high", 3.0)):
        changes = [
            replace(change(n, limit, "raised", "unacknowledged", "trip"), worst=w) for n, w in enumerate((3.0, 2.0))
        ]
        (episode,) = episodes_of(changes, HOUR)
        assert (episode.worst, episode.priority) == (worst, "high")
        (unknown,) = episodes_of([replace(each, worst=math.nan) for each in changes], HOUR)
        assert math.isnan(unknown.worst)


def test_when_an_episode_was_raised_at_a_level_and_its_latest_value() -> None:
    changes = [
        change(0, "a", "raised", "unacknowledged"),
        replace(change(3, "a", "raised", "unacknowledged", "trip"), value=7.0),
        replace(change(5, "a", "raised", "unacknowledged", "trip"), value=math.nan),
        replace(change(6, "a", "standing at end", "unacknowledged", "trip"), value=math.nan),
    ]
    (episode,) = episodes_of(changes, HOUR)
    assert [episode.raised_at(level) for level in ("warn", "trip")] == [0, 3 * S]
    assert episode.last == 7.0
    (other,) = episodes_of([replace(changes[0], state="acknowledged", value=math.nan)], HOUR)
    assert other.raised_at("warn") is None
    assert math.isnan(other.last)


def test_what_was_only_suppressed_or_out_of_service_is_no_alarm() -> None:
    changes = [
        change(0, "a", "out of service", "out of service"),
        change(1, "b", "suppressed", "suppressed by design"),
        change(2, "b", "unsuppressed", "normal"),
    ]
    found = figures_of(changes, [], 0, HOUR)
    assert found.count == 0
    assert found.longest is None
    assert [episode.heard for episode in episodes_of(changes, HOUR)] == [False, False]


def test_stale_is_more_than_a_day() -> None:
    def stood(hours: float) -> int:
        return len(figures_of(pulse(0, lasting=hours * 3600), [], 0, 100 * HOUR).stale)

    assert (stood(24.0), stood(24.1)) == (0, 1)
    unended = [change(0, "a", "raised", "unacknowledged")]
    assert len(figures_of(unended, [], 0, 25 * HOUR).stale) == 1


def test_a_session_below_ten_minutes_gives_no_rate() -> None:
    found = figures_of(pulse(0), [], 0, 599 * S)
    assert (found.per_hour, found.per_ten_minutes) == (None, None)


def test_floods_and_chattering_come_from_the_findings() -> None:
    findings = [
        AlarmFinding(5 * S, "flood", "began", "", "", 11, ""),
        AlarmFinding(9 * S, "flood", "ended", "", "", 4, ""),
        AlarmFinding(20 * S, "flood", "began", "", "", 11, ""),
        AlarmFinding(6 * S, "chattering", "began", "a", "x", 3, "do this"),
    ]
    found = figures_of([], findings, 0, HOUR)
    assert found.floods == ((5 * S, 9 * S), (20 * S, None))
    assert [finding.why for finding in found.chattering] == ["do this"]
