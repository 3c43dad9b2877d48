from __future__ import annotations

import csv
import io
import math
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.decode.text_batches import TextBatches
from drivers.serial_text import SerialTextDriver, SerialTextSettings
from telemetry.driver import Driver, DriverContext
from telemetry.model.batch import Group
from telemetry.model.clock import ManualClock
from telemetry.model.tables import settings_of
from tests.drivers.declared import problems_of

PAGE = Path(__file__).parents[2] / "docs" / "serial-text.md"


def problems(**settings):
    return [str(problem) for problem in problems_of(SerialTextDriver, {"port": "/dev/ttyUSB0", **settings})]


@dataclass
class Piece:
    data: bytes
    arrival: int = 1_000_000
    lost_before: int = 0


def test_the_shortest_source_is_good():
    assert problems() == []


def test_every_setting_at_its_best():
    link = {"baud_rate": 9600, "parity": "even", "stop_bits": 2, "dtr": True, "rts": True}
    text = {"format": "csv", "delimiter": ";", "columns_in_order": ["ms", "u"], "columns": {"u": "pack_voltage"}}
    timing = {"time_column": "ms", "time_unit": "us", "time_wraps_at": 2**32, "silence_s": 2}
    assert problems(**link, **text, **timing, group="pedal") == []
    assert problems(interval_s=0.1) == []


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ({"port": ""}, "port: is empty"),
        ({"port": None}, "port: is missing"),
        ({"boud_rate": 9600}, "boud_rate: is an unknown key; did you mean baud_rate?"),
        (
            {"baud_rate": "fast"},
            'baud_rate: is "fast" where a whole number belongs; write a whole number from 50',
        ),
        ({"baud_rate": True}, "baud_rate: is true where a whole number belongs"),
        ({"parity": "odd?"}, 'parity: is "odd?", which is not known'),
        ({"stop_bits": 3}, "stop_bits: is 3, which is not known; write one of 1, 1.5, 2"),
        ({"dtr": 1}, "dtr: is 1 where true or false belongs; write dtr = true"),
        (
            {"format": "cvs"},
            'format: is "cvs", which is not known; did you mean csv?; write one of "csv", "key=value"',
        ),
        ({"format": "record"}, "record_mark: is missing"),
        ({"format": "json", "record_mark": "B"}, "record_mark: has no meaning for json lines"),
        ({"record_mark": 1}, "record_mark: is 1 where text belongs"),
        ({"delimiter": "abc"}, "delimiter: cannot part values"),
        ({"delimiter": ".", "format": "csv"}, "delimiter: cannot part values"),
        ({"delimiter": ",", "format": "json"}, "delimiter: has no meaning for json lines"),
        ({"columns_in_order": []}, "columns_in_order: is a list where a list of names belongs"),
        ({"columns_in_order": ["u", "u"]}, "columns_in_order: names u twice"),
        ({"columns_in_order": ["u"], "format": "json"}, "columns_in_order: has a meaning for csv lines only"),
        ({"columns_in_order": ["u_bat"], "columns": {"u_bta": "pack_voltage"}}, "columns.u_bta: is not among"),
        ({"columns_in_order": ["millis"], "time_column": "milis"}, "name one of them; did you mean millis"),
        ({"time_unit": "ms"}, "time_unit: needs time_column"),
        (
            {"time_column": "t", "time_unit": "h"},
            'time_unit: is "h", which is not known; write one of "s", "ms", "us"',
        ),
        ({"time_column": "t", "time_wraps_at": 0}, "time_wraps_at: is 0, and must be above 0"),
        ({"time_column": "t", "interval_s": 0.1}, "interval_s: has no meaning beside time_column; leave one out"),
        ({"time_column": 7}, "time_column: is 7 where text belongs"),
        ({"columns": {"u": "pack_volts"}}, "columns.u: there is no signal pack_volts; did you mean pack_voltage"),
        ({"group": "My Lines"}, "group: is not a plain name"),
        ({"silence_s": 0}, "silence_s: is 0 s, and must be above 0; write a number from 0.1 to 3600, in s"),
    ],
)
def test_one_clear_sentence_for_each_mistake(settings, expected):
    found = problems(**settings)
    assert len(found) == 1
    assert expected in found[0]


def test_all_mistakes_are_reported_at_once():
    assert len(problems(baud_rate=0, parity=1, columns={"u": "x"}, silence_s="long", colour="red")) == 5


def test_it_is_a_driver_and_touches_nothing_when_made():
    context = DriverContext("board", {"port": "/dev/does-not-exist"}, ManualClock())
    driver = SerialTextDriver(context)
    assert isinstance(driver, Driver)
    assert driver.silence_s == 5.0


async def test_discovery_gives_settings_that_pass_the_check():
    for found in await SerialTextDriver.discover():
        assert problems_of(SerialTextDriver, found) == []


def documented():
    """Each example of the owner's page: what the machine file says, what the board prints, what becomes of it."""
    example = r"```toml\n(\[\[source\]\].*?)```\s+```text\n(.*?)```\s+```csv\n(.*?)```"
    blocks = re.findall(example, PAGE.read_text(), re.DOTALL)
    return [pytest.param(*block, id=f"example {n}") for n, block in enumerate(blocks, 1)]


@pytest.mark.parametrize(("machine_file", "printed", "expected"), documented())
def test_the_examples_of_the_page_do_what_it_says(machine_file, printed, expected):
    (source,) = tomllib.loads(machine_file)["source"]
    assert source.pop("driver") == "serial-text"
    assert problems_of(SerialTextDriver, source) == []
    if source.get("format") == "json":
        printed *= 2  # a name that neither side knows is passed on from its second line
    if source.get("format") == "record":
        printed += "BEGIN\n"
    batch = TextBatches(Group("board", "lines", ()), settings_of(SerialTextSettings, source)).feed(
        [Piece(printed.encode())]
    )
    assert batch is not None
    names, *rows = csv.reader(io.StringIO(expected))
    assert list(batch.group.signals) == names
    if source.get("format") == "json":
        rows *= 2
    assert len(batch) == len(rows)
    for found, row in zip(batch.values, rows, strict=True):
        for value, cell in zip(found, row, strict=True):
            assert math.isnan(value) if cell == "" else value == pytest.approx(float(cell))


def test_every_format_has_an_example():
    assert len(documented()) == 5
