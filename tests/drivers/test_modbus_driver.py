"""The modbus driver against pymodbus's own server."""

from __future__ import annotations

import asyncio
import itertools
import math
import os
import tty

import pytest

from drivers.decode.sunspec import MOST_MODELS
from drivers.links.modbus_link import RegisterServer
from drivers.modbus import ModbusDriver
from drivers.simulated.modbus_peer import BASE, sunspec_registers
from telemetry.driver import Driver, DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import SystemClock
from telemetry.model.errors import LinkLost, LinkUnavailable
from tests.drivers.declared import problems_of
from tests.drivers.peers import UnrulyModbus

READINGS = {
    "pack_voltage": 51.47,
    "pack_current": -35.1,
    "soc_reported": 80.3,
    "cell_01_voltage": 3.231,
    "cell_02_voltage": 3.205,
    "pack_temperature_1": 24.5,
    "pack_temperature_2": 19.5,
}


class Steady:
    """A machine that always reads the same."""

    GROUP = Group("machine", "pack", tuple(READINGS))
    groups = (GROUP,)

    def advance_to(self, t):
        return [Batch.of_rows(self.GROUP, [t], [list(READINGS.values())])]


def driver_at(settings):
    assert problems_of(ModbusDriver, settings) == []
    return ModbusDriver(DriverContext("battery", settings, SystemClock()))


async def rows_of(driver, count, seconds=5.0):
    rows = []
    async with asyncio.timeout(seconds):
        async for batch in driver.readings():
            rows += [dict(zip(batch.group.signals, row, strict=True)) for row in batch.values.tolist()]
            if len(rows) >= count:
                break
    return rows


async def one_row(settings):
    driver = driver_at(settings)
    await driver.open()
    try:
        return (await rows_of(driver, 1))[0], driver.figures
    finally:
        await driver.close()


@pytest.mark.parametrize("speech", ["sunspec", "table"])
async def test_a_pack_is_read_as_it_is_and_nothing_but_reads_is_ever_sent(speech):
    async with UnrulyModbus(Steady(), SystemClock(), speech, interval_s=0.05) as pack:
        driver = driver_at(pack.settings)
        assert isinstance(driver, Driver)
        await driver.open()
        rows = await rows_of(driver, 6)
        await driver.close()
        codes = pack.server.function_codes
    expected = dict(READINGS)
    if speech == "sunspec":
        expected |= {"cell_max_voltage": expected.pop("cell_01_voltage")}
        expected |= {"cell_min_voltage": expected.pop("cell_02_voltage")}
        assert driver.figures.models == (802, 803)
        # Marker, three models and the end; then one read holds both models: 64 and 60 registers.
        assert driver.figures.reads == 5 + driver.figures.polls
    else:
        assert driver.figures.reads == driver.figures.polls
    for row in rows:
        assert {signal: row[signal] for signal in expected} == pytest.approx(expected)
    assert set(codes) <= {3, 4}
    assert len(codes) >= driver.figures.reads


async def test_what_goes_over_the_line_can_be_kept_as_it_is():
    kept = []
    async with UnrulyModbus(Steady(), SystemClock(), "table", interval_s=0.05) as pack:
        driver = ModbusDriver(DriverContext("battery", pack.settings, SystemClock(), capture=kept.append))
        await driver.open()
        await rows_of(driver, 2)
        await driver.close()
    assert [piece.direction for piece in kept[:2]] == ["out", "in"]
    # MODBUS over TCP: seven bytes of header, then the function code (MODBUS messaging on TCP/IP V1.0b, 3.1)
    assert {piece.data[7] for piece in kept} == {3}
    assert kept[0].data[:2] == kept[1].data[:2]


async def test_input_registers_are_read_by_their_own_function():
    table = [
        {"address": 3, "kind": "input", "signal": "pack_voltage", "scale": 0.01},
        {"address": 3, "kind": "holding", "signal": "pack_current"},
    ]

    def refresh(address, count, registers):
        registers[3] = 5147
        return 0

    server = RegisterServer([(0, 10)], refresh)
    await server.start()
    row, _ = await one_row({"host": "127.0.0.1", "tcp_port": server.tcp_port, "register": table})
    server.stop()
    assert row == {"pack_voltage": pytest.approx(51.47), "pack_current": 5147}
    assert sorted(set(server.function_codes)) == [3, 4]


async def test_registers_that_are_not_all_there_are_read_in_smaller_pieces_from_then_on():
    # Registers 0 to 3 and 8 are there, 4 to 7 are not; 2 and 3 are there and refused by the device itself.
    def refresh(address, count, registers):
        registers[0], registers[8] = 100, 800
        return 2 if address < 4 and address + count > 2 else 0

    server = RegisterServer([(0, 4), (8, 1)], refresh)
    await server.start()
    table = [{"address": address, "signal": f"extra_r{address}"} for address in (0, 1, 2, 8)]
    driver = driver_at({"host": "127.0.0.1", "tcp_port": server.tcp_port, "interval_s": 0.05, "register": table})
    await driver.open()
    rows = await rows_of(driver, 3)
    await driver.close()
    server.stop()
    for row in rows:
        assert (row["extra_r0"], row["extra_r1"], row["extra_r8"]) == (100, 0, 800)
        assert math.isnan(row["extra_r2"])
    # All in one, then 0 to 2 and 8, then each alone; after that only the one that is refused for good.
    assert driver.figures.refused["exception 2, illegal data address"] == 3 + driver.figures.polls - 1
    assert driver.figures.reads == 6 + 4 * (driver.figures.polls - 1)


# Codes of MODBUS application protocol V1.1b3, 7: 4 server device failure, 6 server device busy.
@pytest.mark.parametrize(("code", "says"), [(4, "exception 4, device failure"), (6, "exception 6, device busy")])
async def test_a_device_that_refuses_everything_is_lost_with_the_reason(code, says):
    async with UnrulyModbus(Steady(), SystemClock(), "table", interval_s=0.05) as pack:
        pack.refusal = code
        driver = driver_at(pack.settings)
        await driver.open()
        with pytest.raises(LinkLost, match=f"refuses every read .{says}"):
            await rows_of(driver, 1)
        await driver.close()


async def test_a_poll_that_is_not_answered_gives_no_row_and_is_counted_and_the_next_one_does():
    async with UnrulyModbus(Steady(), SystemClock(), "table", interval_s=0.05, timeout_s=0.1) as pack:
        driver = driver_at(pack.settings)
        await driver.open()
        pack.be_silent()
        with pytest.raises(TimeoutError):
            await rows_of(driver, 1, 0.5)
        assert driver.figures.unanswered >= 2
        pack.be_silent(False)
        assert len(await rows_of(driver, 2)) == 2
        await driver.close()


async def test_a_device_that_comes_back_is_read_again():
    async with UnrulyModbus(Steady(), SystemClock(), interval_s=0.05) as pack:
        first = driver_at(pack.settings)
        await first.open()
        await rows_of(first, 1)
        pack.disconnect()
        with pytest.raises(LinkLost):
            await rows_of(first, 100)
        await first.close()
        await pack.connect()
        row, _ = await one_row(pack.settings)
        assert row["pack_voltage"] == pytest.approx(51.47)


async def test_a_device_without_sunspec_is_told_apart_from_a_silent_one():
    async with UnrulyModbus(Steady(), SystemClock(), "table") as pack:
        settings = {key: value for key, value in pack.settings.items() if key != "register"}
        driver = driver_at(settings)
        await driver.open()
        with pytest.raises(LinkUnavailable, match=r"no SunSpec marker at register 40000, 50000, 0.*source.register"):
            await rows_of(driver, 1)
        await driver.close()


@pytest.mark.parametrize("base", [50000, 0])
async def test_the_marker_is_found_at_its_other_places(base):
    words = sunspec_registers(READINGS)

    def refresh(address, count, registers):
        registers[: len(words)] = words
        return 0

    server = RegisterServer([(base, len(words))], refresh)
    await server.start()
    row, _ = await one_row({"host": "127.0.0.1", "tcp_port": server.tcp_port})
    server.stop()
    assert row["pack_voltage"] == pytest.approx(51.47)


async def test_a_sunspec_device_that_is_no_battery_is_told_so():
    words = [0x5375, 0x6E53, 1, 2, 0, 0, 103, 3, 0, 0, 0, 0xFFFF, 0]

    def refresh(address, count, registers):
        registers[: len(words)] = words
        return 0

    server = RegisterServer([(BASE, len(words))], refresh)
    await server.start()
    with pytest.raises(LinkUnavailable, match=r"none of the battery models 802, 803, 804 .its models: 1, 103"):
        await one_row({"host": "127.0.0.1", "tcp_port": server.tcp_port})
    server.stop()


@pytest.mark.parametrize("silent", [{0, 1, 2}, {1}], ids=["at every place of the marker", "at the first model"])
async def test_a_sunspec_device_that_wakes_late_is_looked_for_until_it_answers(silent):
    words, answers = sunspec_registers(READINGS), itertools.count()

    def refresh(address, count, registers):
        registers[: len(words)] = words
        return 0

    server = RegisterServer([(BASE, len(words))], refresh, lambda data: b"" if next(answers) in silent else data)
    await server.start()
    row, figures = await one_row(
        {"host": "127.0.0.1", "tcp_port": server.tcp_port, "timeout_s": 0.05, "interval_s": 0.05}
    )
    server.stop()
    assert row["pack_voltage"] == pytest.approx(51.47)
    assert figures.unanswered == len(silent)


async def test_a_chain_of_models_that_never_ends_is_given_up():
    def refresh(address, count, registers):
        registers[:] = [0x5375, 0x6E53, *[1] * (len(registers) - 2)]  # model 1, one register long, again and again
        return 0

    server = RegisterServer([(BASE, 800)], refresh)
    await server.start()
    with pytest.raises(LinkUnavailable, match="none of the battery models"):
        await one_row({"host": "127.0.0.1", "tcp_port": server.tcp_port})
    server.stop()
    assert len(server.function_codes) == 1 + MOST_MODELS


async def test_a_model_that_cannot_be_read_leaves_its_signals_unknown():
    words = sunspec_registers(READINGS)

    def refresh(address, count, registers):
        registers[: len(words)] = words
        return 4 if count > 2 and address + count > BASE + 2 + 68 + 64 else 0

    server = RegisterServer([(BASE, len(words))], refresh)
    await server.start()
    row, figures = await one_row({"host": "127.0.0.1", "tcp_port": server.tcp_port})
    server.stop()
    assert row["pack_voltage"] == pytest.approx(51.47), "model 802"
    assert math.isnan(row["pack_temperature_1"]), "model 803"
    assert figures.refused["exception 4, device failure"] >= 1


async def test_models_that_move_are_looked_for_anew():
    words = sunspec_registers(READINGS)

    def refresh(address, count, registers):
        registers[: len(words)] = words
        return 0

    server = RegisterServer([(BASE, len(words))], refresh)
    await server.start()
    driver = driver_at({"host": "127.0.0.1", "tcp_port": server.tcp_port, "interval_s": 0.05})
    await driver.open()
    await rows_of(driver, 1)
    words[2 + 68] = 805
    with pytest.raises(LinkLost, match="model 802 is no longer where it stood"):
        await rows_of(driver, 100)
    await driver.close()
    server.stop()


class Cable:
    """Two pseudo-terminals back to back: what is written to one port is read from the other."""

    def __init__(self):
        self.ends = [os.openpty() for _ in range(2)]
        for master, slave in self.ends:
            tty.setraw(slave)
            os.set_blocking(master, False)
        self.ports = [os.ttyname(slave) for _, slave in self.ends]
        (a, _), (b, _) = self.ends
        loop = asyncio.get_running_loop()
        loop.add_reader(a, lambda: os.write(b, os.read(a, 4096)))
        loop.add_reader(b, lambda: os.write(a, os.read(b, 4096)))

    def close(self):
        for master, slave in self.ends:
            asyncio.get_running_loop().remove_reader(master)
            os.close(master)
            os.close(slave)


@pytest.fixture
async def cable():
    cable = Cable()
    yield cable
    cable.close()


async def test_a_pack_on_a_serial_line_is_read_by_rtu_frames(cable):
    words = sunspec_registers(READINGS)

    def refresh(address, count, registers):
        registers[: len(words)] = words
        return 0

    server = RegisterServer([(BASE, len(words))], refresh, unit=7)
    await server.start(cable.ports[0])
    row, figures = await one_row({"port": cable.ports[1], "unit": 7, "parity": "none"})
    server.stop()
    assert row["pack_current"] == pytest.approx(-35.1)
    assert figures.unanswered == 0
    assert set(server.function_codes) == {3}


async def test_the_simulated_machine_behind_a_link_is_reached_by_the_settings_it_gives():
    async with ModbusDriver.peer({"scenario": "orchard", "seed": 3}) as settings:
        row, _ = await one_row(settings)
    assert 60 < row["pack_voltage"] < 100
    assert row["cell_min_voltage"] <= row["cell_max_voltage"]
    assert row["extra_state"] == 3


def test_every_problem_of_the_settings_is_found_at_once():
    problems = problems_of(
        ModbusDriver,
        {
            "host": "",
            "tcp_port": 0,
            "port": "COM4",
            "units": 1,
            "unit": 300,
            "interval_s": 0,
            "timeout_s": "long",
            "register": [{"address": -1, "signal": "pack_voltage"}],
        },
    )
    found = {problem.where for problem in problems}
    assert found == {"units", "host", "tcp_port", "unit", "interval_s", "timeout_s", "register[1].address"}
    assert [p.where for p in problems_of(ModbusDriver, {"host": "a", "port": "COM4"})] == ["port"]
    assert [p.where for p in problems_of(ModbusDriver, {"port": "COM4", "tcp_port": 502})] == ["tcp_port"]
    assert [problem.where for problem in problems_of(ModbusDriver, {})] == ["host"]
    assert [problem.where for problem in problems_of(ModbusDriver, {"port": "COM4", "unit": 0})] == ["unit"]
    assert [p.where for p in problems_of(ModbusDriver, {"host": "a", "interval_s": 10})] == ["silence_s"]
    assert problems_of(ModbusDriver, {"port": "COM4", "baud_rate": 9600, "parity": "none", "unit": 247}) == []
