"""What ``align`` found, in words and JSON: what to paste where, and why where nothing is known."""

from __future__ import annotations

from telemetry.analysis.alignment import Pair, SourceLag
from telemetry.analysis.delay import Delay
from telemetry.report.alignment_text import alignment_lines, alignment_object

BLIPS = Pair("pedal", "pack", Delay(0.31, 0.02, 0.97, 4, "pedal blips"), ("throttle_voltage", "pack_current"), ())
APART = Pair("pedal", "receiver", None, None, ("share no signal",))


def lag(source: str, seconds: float, uncertainty: float = 0.02, stated: float = 0.0) -> SourceLag:
    return SourceLag(source, seconds, uncertainty, stated, "pedal")


def test_a_lag_by_blips_says_what_was_taken_off_for_the_controller() -> None:
    text = "\n".join(alignment_lines("session 3", ["pedal", "pack"], [BLIPS], [lag("pedal", 0.0), lag("pack", 0.31)]))
    assert "pack lags pedal by 0.31 ± 0.03 s (90 % interval)" in text
    assert "from 4 throttle blips: throttle_voltage of pedal and pack_current of pack" in text
    assert "already subtracted: a controller usually follows the throttle" in text
    assert "in the [[source]] table of pack:\n    lag_s = 0.31" in text


def test_a_lag_that_is_none_and_one_that_no_source_can_have_are_told_apart() -> None:
    lags = [lag("pedal", 0.0), lag("near", 0.01), lag("far", 61.0), lag("pack", 0.4, stated=0.3)]
    lines = alignment_lines("session 3", ["pedal", "near", "far", "pack"], [], lags)
    assert "near: no measurable lag behind pedal; no lag_s needed" in lines
    assert any(line.startswith("far lags by 61.0 s, more than lag_s allows") for line in lines)
    assert any("pack (includes lag_s = 0.3, in force during the recording)" in line for line in lines)


def test_where_nothing_is_known_the_reason_is_given() -> None:
    assert alignment_lines("a", [], [], []) == [
        "lag not known: no voltage, current, speed or throttle signal was recorded"
    ]
    assert "there is no lag within one source" in alignment_lines("a", ["pack"], [], [])[0]
    text = "\n".join(alignment_lines("a", ["pedal", "receiver"], [APART], []))
    assert "lag not known between pedal and receiver:\n    share no signal" in text
    found = alignment_object("a", ["pedal", "receiver"], [APART], [])
    assert found["reason"] == "pedal and receiver: share no signal"
    assert found["pairs"] == [{"first": "pedal", "second": "receiver", "delay_s": None, "reason": "share no signal"}]
