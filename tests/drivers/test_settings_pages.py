"""The documentation's tables of settings are made from their declaration, and so are the words at the terminal."""

from __future__ import annotations

import pytest

from drivers.can_log import CanLogSettings
from drivers.can_messages import CanMessagesSettings
from drivers.decode.can_standards import DecodingSettings
from drivers.decode.frame_envelope import ChecksumTable, FrameTable
from drivers.decode.frame_fields import FieldTable
from drivers.decode.frame_map import MessageTable, PollTable, RequestTable
from drivers.decode.register_table import Register
from drivers.links.bluetooth_le_settings import BluetoothLeSettings
from drivers.links.modbus_settings import ModbusSettings
from drivers.satellite_position import SatellitePositionSettings
from drivers.serial_frames import SerialFramesSettings
from drivers.serial_text import SerialTextSettings
from telemetry.cli import main
from telemetry.driver import Declares
from telemetry.model.keys import keys_of
from telemetry.pipeline.registry import driver_names, load_driver
from telemetry.recordings.foreign.column_map import ColumnMap
from tests.pages import keeps, key_rows

SERIAL_PORT = keys_of(SerialTextSettings)
"""The page on text lines has the keys of a serial port for all; another page has those that differ."""
PAGES = {
    "serial-text": {"settings": keys_of(SerialTextSettings)},
    "satellite-position": {"settings": [key for key in keys_of(SatellitePositionSettings) if key not in SERIAL_PORT]},
    "bluetooth-le": {"settings": keys_of(BluetoothLeSettings)},
    "modbus": {"settings": keys_of(ModbusSettings), "registers": keys_of(Register)},
    "frame-map": {
        "settings": [key for key in keys_of(SerialFramesSettings) if key not in SERIAL_PORT],
        "frame": keys_of(FrameTable),
        "checksum": keys_of(ChecksumTable),
        "poll": keys_of(PollTable),
        "request": keys_of(RequestTable),
        "message": keys_of(MessageTable),
        "field": keys_of(FieldTable),
    },
    "importing": {"map": keys_of(ColumnMap)},
    "can-messages": {
        "settings": keys_of(CanMessagesSettings),
        "settings of a log": [key for key in keys_of(CanLogSettings) if key not in keys_of(DecodingSettings)],
    },
}


def tables() -> dict[str, dict[str, str]]:
    """Return the tables of each page by their names."""
    return {page: {name: "\n".join(key_rows(keys)) for name, keys in made.items()} for page, made in PAGES.items()}


@pytest.mark.parametrize("page", PAGES)
def test_the_tables_of_a_page_are_made_from_the_declaration(page):
    assert all(keeps(page, name, text) for name, text in tables()[page].items()), "run: python -m tests.pages"


DECLARED = [name for name in driver_names() if isinstance(load_driver(name), Declares)]


@pytest.mark.parametrize("name", DECLARED)
def test_every_key_of_a_driver_is_told_at_the_terminal(name, capsys):
    assert main(["sources", "--settings", name]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for key in keys_of(load_driver(name).table):
        assert all(" ".join(words.split()) in said for words in (key.name, key.meaning, key.takes, key.find))


@pytest.mark.parametrize("name", DECLARED)
def test_every_example_is_what_its_key_takes(name):
    for key in keys_of(load_driver(name).table):
        if key.name not in ("map", "register"):  # a file, and a table with examples of its own
            assert key.read(key.example) is not None
