"""The parts that read tables by other loggers: times, order, the current's sign, names."""

from __future__ import annotations

import datetime

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model.keys import BadValue
from telemetry.model.questions import Question
from telemetry.recordings.foreign.column_names import meaning_of
from telemetry.recordings.foreign.find_signals import FEWEST_STEPS, is_charge_positive
from telemetry.recordings.foreign.mapped_table import InOrder
from telemetry.recordings.foreign.proposal import Unknown
from telemetry.recordings.foreign.time_columns import LocalTime, micros_of_text, past_midnight

FORMS = {
    "year first": "%Y-%m-%d %H:%M:%S.%f",
    "day first": "%d.%m.%Y %H:%M:%S.%f",
    "month first": "%m/%d/%Y %I:%M:%S.%f %p",
}
MOMENTS = st.datetimes(datetime.datetime(1970, 1, 1), datetime.datetime(2199, 12, 31))
EPOCH = datetime.datetime(1970, 1, 1)


@given(st.lists(MOMENTS, min_size=1, max_size=5), st.sampled_from(sorted(FORMS)))
def test_written_dates_come_back(moments, kind) -> None:
    cells = pa.array([moment.strftime(FORMS[kind]) for moment in moments])
    t, known = micros_of_text(kind, cells, LocalTime("UTC"))
    assert known.all()
    assert t.tolist() == [(moment - EPOCH) // datetime.timedelta(microseconds=1) for moment in moments]


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/New_York", "+05:30", "UTC"])
def test_local_times_are_those_of_the_zone_data_base(zone) -> None:
    """Against Python's zoneinfo, which reads the IANA time zone data base (RFC 6557)."""
    from zoneinfo import ZoneInfo

    known = datetime.timezone(datetime.timedelta(hours=5, minutes=30)) if zone == "+05:30" else ZoneInfo(zone)
    moments = [
        datetime.datetime(2026, month, 15, hour, 7, tzinfo=known) for month in (1, 3, 7, 11) for hour in (0, 13)
    ]
    cells = pa.array([moment.strftime("%Y-%m-%d %H:%M:%S") for moment in moments])
    t, _ = micros_of_text("year first", cells, LocalTime(zone))
    assert t.tolist() == [round(moment.timestamp() * 1e6) for moment in moments]


def test_the_hour_that_a_clock_shows_twice_comes_twice() -> None:
    """Against Python's zoneinfo: clocks in Vienna went back from 03:00 to 02:00 on 2025-10-26 (IANA data base)."""
    from zoneinfo import ZoneInfo

    vienna = ZoneInfo("Europe/Vienna")
    true = np.arange(0, 4 * 3600, 61) * 1_000_000 + 1_761_433_200_000_000  # from 23:00 UTC the evening before
    moments = [datetime.datetime.fromtimestamp(t / 1e6, vienna) for t in true.tolist()]
    cells = pa.array([moment.strftime("%Y-%m-%d %H:%M:%S") for moment in moments])
    for size in (len(true), 100, 1):
        zone = LocalTime("Europe/Vienna")
        pieces = [micros_of_text("year first", cells[at : at + size], zone)[0] for at in range(0, len(true), size)]
        assert np.concatenate(pieces).tolist() == true.tolist()


@given(st.integers(0, 86_399), st.integers(1, 200_000), st.integers(1, 40_000))
def test_a_clock_goes_on_past_midnight(start, seconds, step) -> None:
    true = np.arange(start, start + seconds, step, dtype=np.int64) * 1_000_000
    half = len(true) // 2
    shown, known = true % 86_400_000_000, np.ones(len(true), dtype=bool)
    first = past_midnight(shown[:half], known[:half], None)
    rest = past_midnight(shown[half:], known[half:], int(first[-1]) if half else None)
    assert np.diff(np.concatenate((first, rest))).tolist() == np.diff(true).tolist()


@given(st.lists(st.integers(-9_000_000, 9_000_000), min_size=1, max_size=80), st.integers(1, 20))
def test_rows_that_come_late_are_put_in_order_however_they_are_cut(late, size) -> None:
    t = np.cumsum(np.full(len(late), 1_000_000)) + np.array(late)
    values = np.arange(len(t), dtype=np.float64).reshape(-1, 1)
    order = InOrder(20_000_000, counts_from_first=False)
    pieces = (slice(start, start + size) for start in range(0, len(t), size))
    given_out = [*[order.take(t[piece], values[piece]) for piece in pieces], order.rest()]
    rows = [(int(a), float(b[0])) for times, each in given_out for a, b in zip(times, each, strict=True)]
    assert [each[0] for each in rows] == sorted(t.tolist())
    assert sorted(each[1] for each in rows) == values[:, 0].tolist()
    assert order.left_out == order.restarts == 0


def test_a_count_that_begins_again_goes_on_and_one_row_astray_is_left_out() -> None:
    order = InOrder(10_000_000, counts_from_first=True)
    t = np.array([5, 6, 7, 8, 0, 1, 2, 300, 3, 4], dtype=np.int64) * 1_000_000
    t = np.concatenate((t[:4] + 100_000_000, t[4:]))
    first, _ = order.take(t, np.zeros((len(t), 1)))
    rest, _ = order.rest()
    assert order.restarts >= 1
    assert np.all(np.diff(np.concatenate((first, rest))) >= 0)
    astray = InOrder(10_000_000, counts_from_first=False)
    t = np.array([100, 101, 102, 3, 103, 104], dtype=np.int64) * 1_000_000
    astray.take(t, np.zeros((6, 1)))
    assert (astray.left_out, astray.restarts) == (1, 0)


@given(st.floats(0.002, 0.2), st.booleans(), st.integers(0, 2**32 - 1))
def test_the_sign_is_told_by_the_voltage(resistance, turned, seed) -> None:
    random = np.random.default_rng(seed)
    amps = random.uniform(-30, 120, 200)
    volts = np.round(53 - resistance * amps + random.normal(0, 0.005, 200), 2)
    assert is_charge_positive(volts, -amps if turned else amps) is turned


@given(st.integers(0, 2**32 - 1))
def test_no_sign_is_told_where_voltage_does_not_follow(seed) -> None:
    random = np.random.default_rng(seed)
    assert is_charge_positive(np.full(300, 52.0), random.uniform(0, 50, 300)) is None
    few = FEWEST_STEPS // 2
    assert is_charge_positive(random.uniform(50, 52, few), random.uniform(0, 50, few)) is None


@pytest.mark.parametrize(
    ("name", "signal"),
    [
        ("pack_voltage", "pack_voltage"),
        ("PACK CURRENT", "pack_current"),
        ("Battery Voltage (V)", "pack_voltage"),
        ("Charge current limit", ""),
        ("Max cell voltage", "cell_max_voltage"),
        ("Max cell number", ""),
        ("Cell 07 V", "cell_07_voltage"),
        ("cell12", "cell_12_voltage"),
        ("cell temp 3", "pack_temperature_3"),
        ("Motor RPM", "motor_speed"),
        ("GPS speed (mph)", "vehicle_speed"),
        ("Motor Temp", "motor_temperature"),
        ("MOSFET temp", ""),
        ("Throttle (V)", "throttle_voltage"),
        ("Throttle (%)", ""),
        ("State of charge", "soc_reported"),
        ("Battery %", "soc_reported"),
        ("Phase current", "motor_current"),
        ("Remark", ""),
        ("Power (W)", ""),
        ("Longitude", "longitude"),
        ("Voltaje (V)", "pack_voltage"),
        ("Courant (A)", "pack_current"),
        ("Vitesse (km/h)", "vehicle_speed"),
        ("Motortemperatur", "motor_temperature"),
        ("Motor (°C)", "motor_temperature"),
        ("Akku 2 (°C)", "pack_temperature_2"),
        ("Charger temp", ""),
        ("Coolant (°C)", ""),
        ("SoC", "soc_reported"),
        ("SoC [%]", "soc_reported"),
        ("Cell min", "cell_min_voltage"),
        ("Zelle max", "cell_max_voltage"),
        ("Zellspannung 3", "cell_03_voltage"),
        ("Füllstand %", "soc_reported"),
        ("Geschw. (mph)", "vehicle_speed"),
        ("Wind (km/h)", ""),
        ("Kapazität (A)", ""),
        ("Battery temp", "pack_temperature_1"),
        ("Current sensor temp", ""),
        ("Charger power", "charger_input_power"),
        ("Mains (W)", "charger_input_power"),
        ("Charger status", ""),
        ("Battery power", ""),
        ("Battery capacity", ""),
        ("Pack Ah", ""),
        ("Battery status", ""),
        ("Battery cycles", ""),
        ("Controller fault", ""),
        ("Ambient pressure", ""),
        ("Current time", ""),
        ("Battery", "pack_voltage"),
        ("Battery (A)", "pack_current"),
        ("Battery runtime (min)", ""),
    ],
)
def test_names_that_loggers_use(name, signal) -> None:
    assert meaning_of(name).signal == signal


@pytest.mark.parametrize(
    ("cell", "seconds"),
    [
        ("1 days 00:00:02", 86_402),
        ("T+00:01:00.5", 60.5),
        ("30:00:01", 108_001),
        ("01:30.25", 90.25),
        ("1:00:00 PM", 46_800),
    ],
)
def test_clocks_that_loggers_show(cell, seconds) -> None:
    t, known = micros_of_text("clock", pa.array([cell]), LocalTime("UTC"))
    assert known.all()
    assert t.tolist() == [round(seconds * 1e6)]


@pytest.mark.parametrize(
    ("key", "choices", "said", "meant"),
    [
        ("zone", (), "Europe/Vienna", "Europe/Vienna"),
        ("zone", (), "+05:30", "+05:30"),
        ("zone", (), "nowhere", None),
        ("time_is", ("day first", "month first"), "Month First", "month first"),
        ("sign of current", ("yes", "no"), "perhaps", None),
        ("interval_s", (), "0,5", 0.5),
        ("interval_s", (), "200 ms", 0.2),
        ("interval_s", (), "often", None),
        ("interval_s", (), "-1", None),
    ],
)
def test_answers_are_held_to_what_can_be(key, choices, said, meant) -> None:
    unknown = Unknown(Question(key, "?", choices=choices), "")
    if meant is None:
        with pytest.raises(BadValue):
            unknown.read(said)
    else:
        assert unknown.read(said) == meant
