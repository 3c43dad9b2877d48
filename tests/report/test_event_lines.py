"""Events as lines and JSON: an alarm that was raised says what to do, and no line of it is wider than a terminal."""

from __future__ import annotations

import json

from telemetry.model.events import AlarmChange
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
