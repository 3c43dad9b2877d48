"""Register tables: what the bytes mean, and in how few reads they come."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from drivers.decode.register_table import Range, Register, Registers, RegisterTable, planned
from drivers.links.modbus_settings import ModbusSettings
from telemetry.model.tables import read_table, settings_of


def check_registers(entries):
    return read_table(ModbusSettings, {"host": "a", "register": entries})[1]


def table_of(*entries):
    return RegisterTable([settings_of(Register, entry) for entry in entries])


def value_of(registers, **entry):
    table = table_of({"address": 0, "signal": "extra_a", **entry})
    read = Registers()
    read.add(Range(entry.get("kind", "holding"), 0, len(registers)), registers)
    return table.row(read)[0]


def test_the_registers_of_the_specifications_examples():
    # MODBUS application protocol specification V1.1b3, sections 6.3 (registers 108 to 110) and 6.4.
    table = table_of(*({"address": 107 + n, "signal": f"extra_{n}"} for n in range(3)))
    read = Registers()
    read.add(Range("holding", 107, 3), [0x022B, 0x0000, 0x0064])
    assert table.row(read) == [555, 0, 100]
    assert value_of([0x000A], kind="input") == 10


NAMES = {"u16": "UINT16", "s16": "INT16", "u32": "UINT32", "s32": "INT32", "f32": "FLOAT32"}


@settings(max_examples=150)
@given(st.sampled_from(list(NAMES)), st.booleans(), st.integers(0, 2**32 - 1))
def test_every_type_and_word_order_is_read_as_pymodbus_reads_it(named, low_first, raw):
    registers = [raw >> 16, raw & 0xFFFF][: 1 if named.endswith("16") else 2]
    order = "little" if low_first else "big"
    datatype = getattr(ModbusClientMixin.DATATYPE, NAMES[named])
    theirs = ModbusClientMixin.convert_from_registers(registers, datatype, word_order=order)
    ours = value_of(registers, type=named, word_order="low-first" if low_first else "high-first")
    if math.isfinite(theirs):
        assert ours == theirs
    else:
        assert math.isnan(ours)


@pytest.mark.parametrize(
    ("registers", "entry", "value"),
    [
        ([5147], {"scale": 0.01}, 51.47),
        ([0xFEA1], {"type": "s16", "scale": 0.1, "offset": 1.0}, -34.1),
        ([0x8000], {"type": "s16", "unknown": [-32768]}, math.nan),
        ([0x8000], {"type": "s16", "unknown": [0x8000]}, math.nan),
        ([0xFFFF], {"unknown": [65535]}, math.nan),
        ([0xFFFF, 0xFFFF], {"type": "u32", "unknown": [0xFFFFFFFF]}, math.nan),
        ([0x7FC0, 0], {"type": "f32"}, math.nan),
        ([*struct.unpack(">HH", struct.pack(">f", 51.5))], {"type": "f32"}, 51.5),
        ([0b1000], {"bit": 3}, 1.0),
        ([0b0111], {"bit": 3}, 0.0),
        ([1, 0], {"type": "u32", "bit": 16}, 1.0),
    ],
)
def test_scale_offset_codes_and_bits(registers, entry, value):
    assert value_of(registers, **entry) == pytest.approx(value, nan_ok=True)


def test_what_was_not_read_is_unknown():
    table = table_of({"address": 3, "type": "u32", "signal": "extra_a"})
    read = Registers()
    read.add(Range("holding", 0, 4), [1, 2, 3, 4])  # its second half is missing
    assert math.isnan(table.row(read)[0])


parts = st.builds(Range, st.sampled_from(["holding", "input"]), st.integers(0, 400), st.integers(1, 2))


@settings(max_examples=150)
@given(st.lists(parts, max_size=40), st.booleans())
def test_the_reads_hold_every_part_and_none_is_too_long(wanted, across_gaps):
    reads = planned(wanted, across_gaps)
    assert all(any(read.holds(part) for read in reads) for part in wanted)
    assert all(1 <= read.count <= 125 for read in reads)
    if not across_gaps:
        asked = {(part.kind, a) for part in wanted for a in range(part.address, part.end)}
        assert all((read.kind, a) in asked for read in reads for a in range(read.address, read.end))


@settings(max_examples=60)
@given(st.lists(st.integers(0, 500), min_size=1, max_size=12, unique=True))
def test_no_way_needs_fewer_reads(addresses):
    # The fewest windows of 125 over points on a line: found here by trying every start for the last window.
    ordered = sorted(addresses)
    fewest = [0]
    for last in range(1, len(ordered) + 1):
        starts = (first for first in range(last) if ordered[last - 1] - ordered[first] < 125)
        fewest.append(min(fewest[first] + 1 for first in starts))
    assert len(planned(Range("holding", address, 1) for address in addresses)) == fewest[-1]


def test_every_problem_of_a_table_is_found_at_once():
    problems = check_registers(
        [
            {"address": 65535, "type": "u32", "signal": "pack_voltage"},
            {"adress": 3, "signal": "pack_voltage", "kind": "coil", "type": "u8", "word_order": "odd"},
            {"address": 4, "signal": "pack_volts", "scale": 0, "unknown": "3", "bit": 16},
            {"address": 5, "type": "f32", "bit": 1, "signal": "pack_power"},
        ]
    )
    assert sorted(problem.where for problem in problems) == [
        "register[1].address",
        "register[2].address",
        "register[2].adress",
        "register[2].kind",
        "register[2].signal",
        "register[2].type",
        "register[2].word_order",
        "register[3].bit",
        "register[3].scale",
        "register[3].signal",
        "register[3].unknown[1]",
        "register[4].bit",
        "register[4].signal",
    ]
    said = "\n".join(map(str, problems))
    assert "did you mean address" in said
    assert "did you mean pack_voltage" in said
    assert check_registers("all")[0].where == "register[1]"
    assert check_registers([{"address": 0, "signal": "pack_voltage", "scale": 0.1, "unknown": [65535]}]) == []
