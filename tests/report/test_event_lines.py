"""Events as lines and JSON: an alarm that was raised says what to do, and no line of it is wider than a terminal."""

from __future__ import annotations

import json
from typing import Any

import pytest

from telemetry.model.events import (
    AlarmChange,
    AlarmCondition,
    AlarmFinding,
    Event,
    Gap,
    LinkChange,
    Loss,
    Mark,
    MarkChange,
    SavingChange,
)
from telemetry.report.event_lines import event_line, event_object

WHY = "LFP cell (chemistry table, common practice): lowest voltage 2.50 V; warn at 2.80 V under load"
RAISED = AlarmChange(
    *(77_000_000, "cell-voltage-low", "cell_min_voltage", "trip", "raised", 2.45, 2.5, WHY),
    worst=2.41,
    cell=17,
)


def test_a_raised_alarm_says_where_what_and_what_to_do_within_eighty_columns() -> None:
    text = event_line(RAISED, 0)
    assert text is not None
    assert max(map(len, text.splitlines())) < 80
    said = " ".join(text.split())
    assert said.startswith("0:01:17.0 TRIP raised: cell-voltage-low on cell_min_voltage at 2.450 V")
    assert said.endswith("CELL 17: low cell voltage. STOP: Release the throttle and stop where it is safe.")


def test_its_object_has_the_same_and_its_worst_value() -> None:
    found = event_object(RAISED, 0)
    assert found is not None
    assert (found["worst"], found["cell"], found["situation"]) == (2.41, 17, "driving")
    assert (found["name"], found["where"], found["word"]) == ("low cell voltage", "CELL 17", "STOP")
    assert found["do"] == "Release the throttle and stop where it is safe."
    assert json.loads(json.dumps(found)) == found


@pytest.mark.parametrize(
    ("event", "line", "values"),
    [
        (Gap(9_000_000, "pack", "pack_voltage", 2_000_000), "gap: pack_voltage not known for", {"since": 2.0}),
        (Loss(3_000_000, "store", 12, "disk full"), "12 values lost by store (disk full)", {"values": 12}),
        (SavingChange(3_000_000, "store", None), "saving again", {"saving": True, "since": None}),
        (
            SavingChange(3_000_000, "store", 1_000_000, "disk full"),
            "not saving; values are held in memory, up to 60 s of them (disk full)",
            {"saving": False, "since": 1.0},
        ),
        (MarkChange(5_000_000, 3_000_000, "hill"), "mark of 0:00:03.0: hill", {"of": 3.0, "taken_back": False}),
        (MarkChange(5_000_000, 3_000_000, "hill", True), "mark of 0:00:03.0: taken back", {"taken_back": True}),
        (Mark(3_000_000, "hill", taken_back=True), "mark: hill (taken back)", {"by": "operator"}),
        (LinkChange(3_000_000, "pack", "lost", "unplugged", 9), "link pack: lost", {"why": "unplugged"}),
        (
            AlarmFinding(3_000_000, "chattering", "began", "cell-spread", "cell_spread", 7, "7 times in a minute"),
            "7 times in a minute",
            {"what": "chattering", "count": 7},
        ),
        (AlarmCondition(3_000_000, "frozen-source", "pack", True), None, None),
    ],
)
def test_every_event_has_its_line_and_its_object(
    event: Event, line: str | None, values: dict[str, Any] | None
) -> None:
    told, found = event_line(event, 0), event_object(event, 0)
    if line is None or values is None:
        assert (told, found) == (None, None)
        return
    assert told is not None
    assert line in told
    assert found is not None
    assert found["t"] == event.t / 1e6
    assert {key: found[key] for key in values} == values
    assert json.loads(json.dumps(found)) == found
