"""The bluetooth-le driver: the real client library against a pack that really speaks, behind a bus of its own."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import sys
import tomllib
from contextlib import aclosing
from pathlib import Path

import numpy as np
import pytest

from drivers import bluetooth_le
from drivers.bluetooth_le import BluetoothLeDriver
from drivers.links import bluetooth_le_link
from drivers.links.bluetooth_le_link import adapter_lock
from telemetry.driver import DriverContext
from telemetry.model.batch import Batch, Group
from telemetry.model.clock import SystemClock
from telemetry.model.errors import LinkError, LinkLost, LinkUnavailable
from telemetry.model.events import LinkChange
from telemetry.pipeline.supervisor import Supervisor
from tests.drivers.declared import problems_of

# On a computer of one's own the program may be missing; where tests run unattended that is a failure.
pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or (shutil.which("dbus-daemon") is None and os.environ.get("CI") != "true"),
    reason="the program dbus-daemon is not installed, or this is not Linux",
)
if sys.platform == "linux":
    from drivers.simulated.bluetooth_peer import ADDRESS, NAME, OWN_SERVICE
    from tests.drivers.bluetooth_frames import REQUEST, FrameWriter
    from tests.drivers.bluetooth_peers import REQUESTS, STREAM, UnrulyBluetooth, pieces


class SteadyPack:
    """A row each 20 ms: a count in the motor's speed, a current that turns round, many cells, so long frames."""

    PACK = Group(
        "machine", "pack", ("pack_voltage", "pack_current", "soc_reported", "pack_temperature_1", "motor_speed")
    )
    CELLS = Group("machine", "cells", tuple(f"cell_{n:02d}_voltage" for n in range(1, 25)))
    groups = (PACK, CELLS)

    def __init__(self, start, current=18.25):
        self.start, self.count, self.current = start, 0, current

    def advance_to(self, t):
        first, self.count = self.count, max(self.count, (t - self.start) // 20_000)
        numbers = range(first, self.count)
        if not numbers:
            return []
        times = [self.start + n * 20_000 for n in numbers]
        pack = [(51.25, self.current, 80.0, 24.5, n) for n in numbers]
        cells = [[3.2 + 0.001 * c for c in range(24)] for _ in numbers]
        return [Batch.of_rows(self.PACK, times, pack), Batch.of_rows(self.CELLS, times, cells)]


def peer(speech="standard", name=None, current=18.25):
    clock = SystemClock()
    more = {} if name is None else {"name": name}
    return UnrulyBluetooth(SteadyPack(clock.now(), current), clock, speech, **more)


def made(settings, **more):
    settings = {**settings, **more}
    assert problems_of(BluetoothLeDriver, settings) == []
    return BluetoothLeDriver(DriverContext("pack", settings, SystemClock()))


async def heard(driver, enough, seconds=8.0):
    """The newest known value of each signal, read until ``enough(values)``."""
    values = {}
    async with asyncio.timeout(seconds), aclosing(driver.readings()) as batches:
        async for batch in batches:
            row = zip(batch.group.signals, batch.values[-1].tolist(), strict=True)
            values |= {signal: value for signal, value in row if not np.isnan(value)}
            if enough(values):
                return values
    raise AssertionError("the readings ended")


def has(*signals):
    return lambda values: set(signals) <= set(values)


# finding


@pytest.mark.parametrize("by", ["address", "address in lower case", "name", "service", "service in short"])
async def test_it_is_found_by_address_name_and_service(by):
    async with peer() as pack:
        rest = {key: value for key, value in pack.settings.items() if key != "address"}
        found = {
            "address": {"address": ADDRESS},
            "address in lower case": {"address": ADDRESS.lower()},
            "name": {"name": NAME},
            "service": {"service": "0000180f-0000-1000-8000-00805f9b34fb"},
            "service in short": {"service": "180F"},
        }[by]
        driver = made(rest, **found)
        await driver.open()
        values = await heard(driver, has("pack_voltage", "soc_reported"))
        await driver.close()
    assert (values["pack_voltage"], values["soc_reported"]) == (51.25, 80)


@pytest.mark.parametrize(
    "wanted",
    [{"address": "C0:00:5E:00:53:99"}, {"name": "another"}, {"service": "6f1d0099-5c1e-4d2a-9b1e-0c5e00530001"}],
)
async def test_what_is_not_heard_is_named_with_the_remedy(wanted):
    async with peer() as pack:
        rest = {key: value for key, value in pack.settings.items() if key != "address"}
        driver = made({**rest, "scan_s": 0.3}, **wanted)
        with pytest.raises(LinkUnavailable, match=r"was not heard within 0.3 s; bring it nearer, wake it"):
            await driver.open()
        await driver.close()


async def test_the_hostile_name_of_a_device_steers_nothing_and_still_finds_it(monkeypatch):
    monkeypatch.setattr(bluetooth_le, "LOOK_ROUND_S", 0.5)
    name = "\x1b[2J\x1b]0;owned\x07[bold red]pack[/]\u202e\n"
    async with peer(name=name) as pack:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = pack.settings["system_bus"]
        (found,) = await BluetoothLeDriver.discover()
        assert found["address"] == ADDRESS
        assert found["seems"].isprintable()
        assert "Battery Service" in found["seems"]
        rest = {key: value for key, value in pack.settings.items() if key != "address"}
        driver = made(rest, name=name)
        await driver.open()
        pack.disconnect()
        with pytest.raises(LinkLost) as lost:
            await heard(driver, lambda _: False)
        await driver.close()
    assert str(lost.value).isprintable()


async def test_a_device_without_a_battery_service_is_said_to_need_a_map(monkeypatch):
    monkeypatch.setattr(bluetooth_le, "LOOK_ROUND_S", 0.5)
    async with peer("frames") as pack:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = pack.settings["system_bus"]
        (found,) = await BluetoothLeDriver.discover()
        assert found["seems"] == f"{NAME}: tells of no Battery Service, so it probably needs a map"
        driver = made({"address": ADDRESS, "system_bus": pack.settings["system_bus"], "scan_s": 1.0})
        with pytest.raises(LinkUnavailable, match=STREAM):
            await driver.open()
        await driver.close()


# what it says


@pytest.mark.parametrize("current", [18.25, -18.25])
async def test_standard_characteristics_give_the_packs_signals_with_our_sign(current):
    async with peer(current=current) as pack:
        driver = made(pack.settings)
        await driver.open()
        names = ("pack_voltage", "pack_current", "soc_reported", "pack_temperature_1", "extra_current")
        values = await heard(driver, has(*names))
        await driver.close()
        assert pack.service.writes == [], "without a map nothing is written"
    assert [values[name] for name in names] == [51.25, current, 80, 24.5, 18.25]


async def test_what_rests_is_asked_so_that_a_quiet_pack_is_no_failed_link():
    async with peer() as pack:
        driver = made(pack.settings, silence_s=1.2)
        await driver.open()
        await heard(driver, has("pack_voltage"))
        pack.be_silent()
        await asyncio.sleep(0.4)
        quiet_from = SystemClock().now()
        times = []
        async with asyncio.timeout(8), aclosing(driver.readings()) as batches:
            async for batch in batches:
                if batch.group.name == "voltage":
                    times += [t for t in batch.t.tolist() if t > quiet_from]
                if len(times) == 4:
                    break
        await driver.close()
    assert np.diff(times).max() < 1_200_000, "it has spoken within the silence limit"
    assert np.diff(times).min() > 100_000, "each answer comes once, though the system gives it twice"


async def test_long_frames_over_many_notifications_come_whole_and_in_order():
    async with peer("frames") as pack:
        writer = FrameWriter([(group.name, group.signals) for group in SteadyPack.groups])
        cells = writer.frames([Batch.of_rows(SteadyPack.CELLS, [0], [[3.3] * 24])])[0]
        assert len(pieces(cells)) == 6, "frames are longer than a notification"
        driver = made(pack.settings)
        await driver.open()
        counts, cell_rows = [], 0
        async with asyncio.timeout(8), aclosing(driver.readings()) as batches:
            async for batch in batches:
                if batch.group.name == "pack":
                    counts += batch.column("motor_speed").tolist()
                else:
                    cell_rows += len(batch)
                    assert batch.values[0].tolist() == pytest.approx([3.2 + 0.001 * c for c in range(24)])
                if min(len(counts), cell_rows) >= 40:
                    break
        figures = driver.figures
        await driver.close()
    assert np.diff(counts).tolist() == [1] * (len(counts) - 1)
    assert not figures.bad


async def test_what_is_written_is_the_maps_requests_and_nothing_else():
    async with peer("frames on request") as pack:
        driver = made(pack.settings)
        await driver.open()
        values = await heard(driver, lambda _: len(pack.service.writes) >= 4)
        assert has("cell_24_voltage", "pack_voltage")(values)
        await driver.close()
        assert set(pack.service.writes) == {(REQUESTS, REQUEST)}


async def test_raw_bytes_both_ways_are_kept_for_a_capture():
    kept = []
    async with peer("frames on request") as pack:
        driver = BluetoothLeDriver(DriverContext("pack", pack.settings, SystemClock(), capture=kept.append))
        await driver.open()
        await heard(driver, has("pack_voltage"))
        await driver.close()
    assert {piece.data for piece in kept if piece.direction == "out"} == {REQUEST}
    assert sum(len(piece.data) for piece in kept if piece.direction == "in") > 20
    assert {piece.source for piece in kept} == {"pack"}


async def test_notifications_given_up_for_want_of_room_leave_a_gap_and_no_wrong_row(monkeypatch):
    monkeypatch.setattr(bluetooth_le_link, "QUEUE_LIMIT", 15)
    async with peer("frames") as pack:
        driver = made(pack.settings)
        await driver.open()
        await asyncio.sleep(0.5)
        counts = []
        async with asyncio.timeout(8), aclosing(driver.readings()) as batches:
            async for batch in batches:
                if batch.group.name == "pack":
                    counts += batch.column("motor_speed").tolist()
                    assert batch.column("pack_voltage").tolist() == [51.25] * len(batch)
                else:
                    assert batch.values[0].tolist() == pytest.approx([3.2 + 0.001 * c for c in range(24)])
                if len(counts) >= 10:
                    break
        assert driver.figures.bytes_passed_over > 0, "the rest of a frame whose beginning was given up"
        await driver.close()
    assert np.all(np.diff(counts) >= 1)


async def test_a_map_that_does_not_fit_is_told():
    frame_map = {
        "byte_order": "big",
        "frame": {"start": "5E A7", "length": 26},
        "message": {"pack": {"when": [{"byte": 2, "is": 99}], "fields": {"pack_voltage": {"byte": 4, "width": 32}}}},
    }
    async with peer("frames") as pack:
        driver = made({**pack.settings, "map": frame_map})
        await driver.open()
        with pytest.raises(TimeoutError):
            await heard(driver, lambda _: False, seconds=1.0)
        await driver.close()
    said = driver.advice()
    assert "could be decoded (no message for it: " in said
    assert said.endswith("check notify and the frame map")


async def test_garbage_in_notifications_is_counted_and_passed_over():
    async with peer() as pack:
        driver = made(pack.settings)
        pack.print_garbage(3600.0)
        await driver.open()
        hearing = asyncio.create_task(heard(driver, has("pack_voltage", "pack_current"), seconds=120.0))
        async with asyncio.timeout(60.0):
            while driver.figures.bad["Voltage: longer than its layout"] <= 5:  # noqa: ASYNC110 - another task counts
                await asyncio.sleep(0.01)
        pack.print_garbage(0.0)
        assert (await hearing)["pack_voltage"] == 51.25
        await driver.close()


# links that fail


def watched(settings, silence_s=1.0):
    """A supervisor over the driver, what it posts, and its task."""
    posted = []
    settings = {**settings, "silence_s": silence_s}
    supervisor = Supervisor("pack", lambda: made(settings), SystemClock(), posted.append)
    return posted, asyncio.create_task(supervisor.run())


async def reaches(posted, *states, seconds=10.0):
    """Wait until the link has gone through ``states`` in that order, others between."""
    async with asyncio.timeout(seconds):
        while True:
            left = list(states)
            for change in posted:
                if isinstance(change, LinkChange) and left and change.state == left[0]:
                    left.pop(0)
            if not left:
                return
            await asyncio.sleep(0.02)


async def ended(task):
    task.cancel()
    await asyncio.wait([task])


async def test_a_pack_that_goes_out_of_reach_is_lost_and_comes_back():
    async with peer() as pack:
        posted, task = watched(pack.settings)
        await reaches(posted, "live")
        pack.disconnect()
        await reaches(posted, "live", "lost")
        pack.connect()
        await reaches(posted, "live", "lost", "live")
        await ended(task)
    why = next(change.why for change in posted if isinstance(change, LinkChange) and change.state == "lost")
    assert "has disconnected; it may be out of reach" in why


async def test_a_pack_that_refuses_once_is_tried_again():
    async with peer() as pack:
        pack.service.refusals = 1
        posted, task = watched(pack.settings)
        await reaches(posted, "lost", "live")
        await ended(task)
    why = next(change.why for change in posted if isinstance(change, LinkChange) and change.state == "lost")
    assert "was heard but the connection failed; bring it nearer" in why


@pytest.mark.parametrize("speech", ["standard", "frames"])
async def test_a_bluetooth_service_that_dies_without_a_word_is_noticed_and_its_return_too(speech):
    async with peer(speech) as pack:
        posted, task = watched(pack.settings, silence_s=0.8)
        await reaches(posted, "live")
        pack.service.die()
        # read in turn, an answer that fails to come tells; where only notifications are due, the silence does
        noticed = "lost" if speech == "standard" else "silent"
        await reaches(posted, "live", noticed)
        await pack.service.start()
        await reaches(posted, "live", noticed, "live")
        await ended(task)


async def test_twenty_drops_in_a_row_leave_nothing_behind(held):
    async with peer() as pack:
        await opened_and_dropped(pack)
        before, tasks = held(), len(asyncio.all_tasks())
        for _ in range(20):
            await opened_and_dropped(pack)
        await asyncio.sleep(0.05)
        assert held() == before
        assert len(asyncio.all_tasks()) == tasks
        assert pack.service.connections == 21


async def opened_and_dropped(pack):
    pack.connect()
    driver = made(pack.settings)
    await driver.open()
    await heard(driver, has("pack_voltage"))
    pack.disconnect()
    with pytest.raises(LinkLost):
        await heard(driver, lambda _: False)
    await driver.close()


@pytest.mark.parametrize("unanswered", ["Connect", "StartDiscovery", "StartNotify", "GetManagedObjects"])
async def test_an_opening_that_hangs_can_be_cancelled_and_holds_nothing(unanswered):
    async with peer() as pack:
        pack.service.unanswered = {unanswered}
        driver = made(pack.settings)
        opening = asyncio.create_task(driver.open())
        await asyncio.sleep(0.4)
        assert not opening.done()
        async with asyncio.timeout(2):  # half a second on an idle computer; the limit that it would run into is 15 s
            await ended(opening)
            await driver.close()
        assert not adapter_lock(None).locked()
        pack.service.unanswered = set()
        await opened_and_dropped(pack)


@pytest.mark.parametrize("unanswered", ["Connect", "StartDiscovery"])
async def test_an_opening_has_a_time_limit(unanswered, monkeypatch):
    monkeypatch.setattr(bluetooth_le_link, "OPEN_LIMIT_S", 3.0)
    async with peer() as pack:
        pack.service.unanswered = {unanswered}
        driver = made(pack.settings)
        doing = "connecting to it" if unanswered == "Connect" else "looking for it"
        with pytest.raises(LinkUnavailable, match=f"did not open within 2 s, {doing}; bring it nearer"):
            await driver.open()
        await driver.close()


async def test_closing_has_a_time_limit_and_a_read_has_one(monkeypatch):
    monkeypatch.setattr(bluetooth_le_link, "CLOSE_LIMIT_S", 1.5)
    monkeypatch.setattr(bluetooth_le_link, "READ_LIMIT_S", 0.3)
    async with peer() as pack:
        driver = made(pack.settings)
        await driver.open()
        pack.service.unanswered = {"ReadValue", "Disconnect"}
        with pytest.raises(LinkLost, match="no answer in time"):
            await heard(driver, lambda _: False)
        tasks = len(asyncio.all_tasks())
        async with asyncio.timeout(3):
            await driver.close()
        await asyncio.sleep(0)
        assert len(asyncio.all_tasks()) < tasks


@pytest.mark.parametrize("by", ["address", "name", "service"])
async def test_a_connection_left_behind_by_a_program_that_was_killed_is_taken_over(by):
    async with peer() as pack:
        code = (
            "import asyncio, os, json, sys\n"
            "from drivers.bluetooth_le import BluetoothLeDriver\n"
            "from telemetry.driver import DriverContext\n"
            "from telemetry.model.clock import SystemClock\n"
            "async def main():\n"
            "    await BluetoothLeDriver(DriverContext('p', json.loads(sys.argv[1]), SystemClock())).open()\n"
            "    os._exit(7)\n"
            "asyncio.run(main())\n"
        )
        killed = await asyncio.create_subprocess_exec(
            sys.executable, "-c", code, json.dumps(pack.settings), cwd=Path(__file__).parents[2]
        )
        assert await killed.wait() == 7
        assert pack.service.connected
        rest = {key: value for key, value in pack.settings.items() if key != "address"}
        found = {"address": ADDRESS, "name": NAME, "service": "180F"}[by]
        driver = made({**rest, "scan_s": 0.2}, **{by: found})
        await driver.open()
        await heard(driver, has("pack_voltage"))
        await driver.close()
        assert not pack.service.connected


async def test_the_second_source_on_an_adapter_waits_its_turn():
    async with peer() as pack:
        first = made(pack.settings)
        async with adapter_lock(None):
            opening = asyncio.create_task(first.open())
            await asyncio.sleep(0.3)
            assert pack.service.connections == 0
        await opening
        await first.close()


async def opened_and_read(driver):
    await driver.open()
    await heard(driver, has("pack_temperature_1"))


@pytest.mark.parametrize(
    ("trouble", "adapter", "sentence"),
    [
        (lambda pack: pack.service.switch_adapter(False), None, "the Bluetooth adapter is off; switch it on"),
        (lambda pack: pack.service.switch_adapter(False), "hci0", "the Bluetooth adapter is off; switch it on"),
        (lambda pack: pack.service.remove_adapter(), None, "there is no Bluetooth adapter; plug one in"),
        (lambda pack: None, "hci7", "there is no Bluetooth adapter hci7; leave adapter out"),
        (lambda pack: pack.service.die(), None, "the system's Bluetooth service is not running; start it"),
        (lambda pack: pack.service.forbid(), None, "this user may not use Bluetooth; sudo usermod -aG bluetooth"),
        (lambda pack: pack.service.want_pairing(), None, "the device wants to be paired first; pair it"),
    ],
    ids=["off", "named adapter off", "none", "no such adapter", "no service", "no permission", "not paired"],
)
async def test_each_trouble_is_one_sentence_with_its_remedy(trouble, adapter, sentence):
    async with peer() as pack:
        trouble(pack)
        driver = made(pack.settings, **({} if adapter is None else {"adapter": adapter}))
        with pytest.raises(LinkError) as error:
            await opened_and_read(driver)
        await driver.close()
    assert sentence in str(error.value)
    assert str(error.value).startswith(f"Bluetooth device {ADDRESS}")
    assert "\n" not in str(error.value)


async def test_no_bus_at_all_is_one_sentence_with_its_remedy(tmp_path):
    driver = made({"address": ADDRESS, "system_bus": f"unix:path={tmp_path}/no-bus"})
    with pytest.raises(LinkUnavailable, match=r"Bluetooth service is not running; start it"):
        await driver.open()
    await driver.close()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"notify": "2A19"}, f"that notifies; for notify, choose from: {STREAM}"),
        ({"write": STREAM}, f"that can be written; for write, choose from: {REQUESTS}"),
    ],
)
async def test_a_characteristic_that_is_not_there_is_named_with_those_that_are(change, sentence):
    async with peer("frames on request") as pack:
        driver = made(pack.settings, **change)
        with pytest.raises(LinkUnavailable, match=sentence):
            await driver.open()
        await driver.close()


def test_the_simulated_machine_is_read_by_another_process(tmp_path):
    program = [sys.executable, "-m", "telemetry.cli"]
    machine_file = tmp_path / "simulated.toml"
    serving = subprocess.Popen(
        [*program, "simulate", "--link", "bluetooth-le", "--write", str(machine_file), "--for", "30"],
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    try:
        serving.stdout.readline()
        (source,) = tomllib.loads(machine_file.read_text("utf-8"))["source"]
        assert source.pop("driver") == "bluetooth-le"

        async def read():
            driver = made(source)
            await driver.open()
            try:
                return await heard(driver, has("pack_voltage", "pack_current", "soc_reported"))
            finally:
                await driver.close()

        assert asyncio.run(read())["pack_voltage"] > 20
    finally:
        serving.terminate()
        serving.communicate()


# settings


@pytest.mark.parametrize(
    ("settings", "key", "what"),
    [
        ({}, "address", "is missing"),
        ({"address": ADDRESS, "name": "pack"}, "address", "and name are both given"),
        ({"address": "pack"}, "address", "is no Bluetooth address"),
        ({"address": 5}, "address", "is no Bluetooth address"),
        ({"service": "180"}, "service", "is no UUID"),
        ({"name": ""}, "name", "where a name belongs"),
        (
            {"name": "pack", "adaptor": "hci0"},
            "adaptor",
            "is an unknown key; did you mean adapter?",
        ),
        ({"name": "pack", "adapter": 0}, "adapter", "is 0 where text belongs"),
        ({"name": "pack", "silence_s": 0}, "silence_s", "is 0 s, and must be above 0"),
        ({"name": "pack", "interval_s": True}, "interval_s", "is true where a number belongs"),
        ({"name": "pack", "interval_s": 10}, "interval_s", "is not shorter than silence_s"),
        ({"name": "pack", "scan_s": 20}, "scan_s", "is 20 s, more than is plausible; write a number from 0.1 to 12"),
        ({"name": "pack", "notify": "2A19"}, "notify", "is for a frame map"),
        ({"name": "pack", "notify": "x"}, "notify", "is no UUID"),
        ({"name": "pack", "map": "no-such-file.toml", "notify": "2A19"}, "map", "cannot be read"),
        ({"name": "pack", "map": "no-such-file.toml"}, "notify", "is missing"),
        ({"service": 6159}, "service", "is no UUID"),
        (
            {"name": "pack", "map": {"poll": {"request": [{"bytes": "01"}]}}, "notify": "2A19", "interval_s": 1},
            "interval_s",
            "is for reading without a map; state it in the map under [poll]",
        ),
        ({"name": "pack", "map": 5, "notify": "2A19"}, "map", "is neither a table nor a file's name"),
        ({"name": "pack", "map": {"poll": {"request": [{"bytes": "01"}]}}, "notify": "2A19"}, "map", "frame"),
    ],
)
def test_each_mistake_in_the_settings_is_told_with_its_key(settings, key, what):
    problems = [str(problem) for problem in problems_of(BluetoothLeDriver, settings)]
    assert any(problem.startswith(key) and what in problem for problem in problems), problems


def test_requests_need_somewhere_to_be_written():
    frame_map = {
        "byte_order": "big",
        "frame": {"start": "5E A7", "length": 6},
        "message": {"pack": {"fields": {"pack_voltage": {"byte": 2, "width": 16}}}},
        "poll": {"request": [{"bytes": "01"}]},
    }
    settings = {"name": "pack", "map": frame_map, "notify": "2A19"}
    assert [problem.where for problem in problems_of(BluetoothLeDriver, settings)] == ["write"]
    assert problems_of(BluetoothLeDriver, {**settings, "write": OWN_SERVICE}) == []


@pytest.fixture(autouse=True)
def _bus(monkeypatch):
    """Leave no bus address behind for the next test: set it through the patch, so that it is taken back."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/no/such/bus")
