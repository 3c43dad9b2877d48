"""From one device's characteristics to signals: which gives what, and when a current has a direction."""

from __future__ import annotations

import math

import pytest

from drivers.decode.bluetooth_readings import StandardReadings
from telemetry.model.signals import find_signal

STATE_HOLDS_US = 10_000_000
CHARGING, ACTIVE, INACTIVE, UNKNOWN = (bytes((0, 1 | state << 5, 0)) for state in (1, 2, 3, 0))
CURRENT = bytes.fromhex("B60D")  # 35.10 A, as the worked bytes


def readings(*numbers):
    return StandardReadings("pack", dict(enumerate(numbers)), STATE_HOLDS_US)


def row(batch):
    return dict(zip(batch.group.signals, batch.values[0].tolist(), strict=True))


@pytest.mark.parametrize(
    ("state", "expected"), [(CHARGING, -35.1), (ACTIVE, 35.1), (INACTIVE, math.nan), (UNKNOWN, math.nan)]
)
def test_a_current_takes_its_direction_from_the_charge_state(state, expected):
    these = readings(0x2BED, 0x2AEE)
    these.feed(0, state, 0)
    found = row(these.feed(1, CURRENT, 1))
    assert found["pack_current"] == pytest.approx(expected, nan_ok=True)
    assert found["extra_current"] == pytest.approx(35.1)


def test_a_current_without_a_charge_state_has_no_direction():
    found = row(readings(0x2AEE).feed(0, CURRENT, 1))
    assert math.isnan(found["pack_current"])
    assert found["extra_current"] == pytest.approx(35.1)


def test_no_current_needs_no_direction():
    assert row(readings(0x2AEE).feed(0, b"\x00\x00", 1))["pack_current"] == 0


def test_a_direction_told_long_ago_no_longer_holds():
    these = readings(0x2BED, 0x2AEE)
    these.feed(0, CHARGING, 0)
    assert row(these.feed(1, CURRENT, STATE_HOLDS_US))["pack_current"] < 0
    assert math.isnan(row(these.feed(1, CURRENT, STATE_HOLDS_US + 1))["pack_current"])


@pytest.mark.parametrize(
    ("numbers", "data", "signals"),
    [
        ((0x2A19, 0x2BED), ("50", "02 C1 00 50"), ("soc_reported", "extra_battery_level_status_level")),
        ((0x2BED,), ("02 C1 00 50",), ("soc_reported",)),
        ((0x2BF0, 0x2B18), ("02 02 F2", "CD 0C"), ("extra_battery_energy_status_voltage", "pack_voltage")),
        ((0x2BF0,), ("02 02 F2",), ("pack_voltage",)),
        ((0x2BE0, 0x2B18), ("00 0D 00", "CD 0C"), ("extra_high_voltage_voltage", "pack_voltage")),
        ((0x2B18, 0x2B18), ("CD 0C", "CD 0C"), ("pack_voltage", "extra_voltage_voltage_2")),
        ((0x2BEA, 0x2A6E, 0x2A6E), ("04 19", "07 FF", "07 FF"), tuple(f"pack_temperature_{n}" for n in (3, 1, 2))),
    ],
)
def test_what_is_told_twice_is_not_mixed(numbers, data, signals):
    these = readings(*numbers)
    for handle, (octets, signal) in enumerate(zip(data, signals, strict=True)):
        assert signal in these.feed(handle, bytes.fromhex(octets), 0).group.signals


def test_every_signal_is_known_and_every_group_only_widens():
    these = readings(0x2BEA)
    first = these.feed(0, bytes.fromhex("01 60"), 0)
    second = these.feed(0, bytes.fromhex("0F 60 7B 00 19 02 00"), 1)
    third = these.feed(0, bytes.fromhex("04 19"), 2)
    assert second.group.signals[: len(first.group.signals)] == first.group.signals
    assert third.group.signals == second.group.signals
    assert math.isnan(row(third)["extra_battery_health"])
    assert all(find_signal(signal) is not None for signal in third.group.signals)


def test_bytes_that_do_not_fit_are_counted_by_reason_and_give_no_row():
    these = readings(0x2A19)
    assert these.feed(0, b"\xff", 0) is None
    assert these.feed(0, b"", 0) is None
    assert these.figures.bad == {
        "Battery Level: level above 100 %": 1,
        "Battery Level: shorter than its layout": 1,
    }
    assert these.figures.values == 0


def test_what_is_not_understood_is_left_out():
    assert readings(0x2A00, 0x2A19).handles == (1,)
