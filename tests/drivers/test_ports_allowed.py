"""A machine file from a stranger cannot make the serial or the CAN library write a file or load a library."""

from __future__ import annotations

import inspect
import os
from pathlib import Path

import pytest

from drivers.links.can_settings import ALLOWED, BusSettings
from drivers.links.ports import port_problem
from drivers.links.serial_port import PortSettings, open_serial
from telemetry.cli import main
from telemetry.model.errors import LinkUnavailable
from telemetry.model.tables import read_table

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


@pytest.mark.parametrize(
    "port",
    [
        *("/dev/ttyUSB0", "/dev/serial/by-id/usb-board_1-if00", "COM4", r"\\.\COM12", "./ttyV0"),
        *("socket://radio.local:4000", "socket://192.0.2.10:4000", "rfc2217://[fe80::1]:2217", "loop://"),
        *("rfc2217://radio:2217?ign_set_control",),
    ],
)
def test_devices_and_three_network_forms_are_allowed(port: str) -> None:
    assert port_problem(port) is None


@pytest.mark.parametrize(
    "port",
    [
        *("spy:///dev/ttyUSB0?file={file}", "SPY://loop://?file={file}", "alt:///dev/ttyS0?class=Serial"),
        *("hwgrep://.", "cp2110://1", "loop://?logging=debug", "socket://a:1?logging=debug", "socket://a"),
        *("socket://a:1/../x", "socket://a:1\n", "rfc2217://a:1?logging=debug", r"\\server\share\x", "//server/x"),
    ],
)
def test_no_other_url_reaches_the_serial_library(port: str, tmp_path: Path) -> None:
    mine = tmp_path / "mine.txt"
    mine.write_text("mine", "utf-8")
    port = port.format(file=mine)
    assert port_problem(port) is not None
    with pytest.raises(LinkUnavailable):
        open_serial(PortSettings(port=port))
    assert read_table(BusSettings, {"interface": "slcan", "channel": port})[1]
    assert mine.read_text("utf-8") == "mine"


@pytest.mark.parametrize(
    ("driver", "keys"),
    [
        ("serial-text", ""),
        ("satellite-position", ""),
        ("modbus", "[[source.register]]\naddress = 1\nsignal = 'pack_voltage'\n"),
        ("serial-frames", "[source.map]\n"),
    ],
)
def test_watch_refuses_and_the_named_file_stays(
    driver: str, keys: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, machine = tmp_path / "mine.txt", tmp_path / "m.toml"
    mine.write_text("mine", "utf-8")
    machine.write_text(f"{PACK}[[source]]\ndriver = '{driver}'\nport = 'spy://loop://?file={mine}'\n{keys}", "utf-8")
    assert main(["watch", str(machine), "--no-screen", "--for", "1", "--store", str(tmp_path / "s")]) == 2
    assert "spy://loop://?file=" in (said := capsys.readouterr().err)
    assert "is not allowed" in said
    assert mine.read_text("utf-8") == "mine"


@pytest.mark.parametrize(
    ("interface", "option"),
    [
        ("usb2can", "dll"),
        ("neovi", "override_library_name"),
        ("socketcan", "bustype"),
        ("slcan", "btr"),
        ("etas", "x"),
    ],
)
def test_can_options_have_a_list_for_each_interface(interface: str, option: str) -> None:
    _, problems = read_table(BusSettings, {"interface": interface, "options": {option: "evil.dll"}})
    told = [str(problem) for problem in problems if problem.where != "interface"]
    assert len(told) == 1
    assert f"options.{option}: is not an option of {interface}" in told[0]


def test_can_options_that_are_of_use_pass() -> None:
    of_use = {"tty_baudrate": 2000000, "sleep_after_open": 0.1}
    assert read_table(BusSettings, {"interface": "slcan", "options": of_use})[1] == []
    assert read_table(BusSettings, {"interface": "slcan", "options": {"timeout": {"a": 1}}})[1]


def test_the_lists_name_arguments_that_python_can_has() -> None:
    """Against python-can itself, for the interfaces that can be imported everywhere."""
    from can.interfaces.serial.serial_can import SerialBus
    from can.interfaces.slcan import slcanBus
    from can.interfaces.socketcan import SocketcanBus
    from can.interfaces.udp_multicast import UdpMulticastBus

    buses = {"slcan": slcanBus, "serial": SerialBus, "udp_multicast": UdpMulticastBus}
    if os.name == "posix":
        buses["socketcan"] = SocketcanBus
    for name, bus in buses.items():
        assert set(ALLOWED[name]) <= set(inspect.signature(bus.__init__).parameters)
