"""Value tables of a message catalogue: which of their names are faults. Invented catalogues."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.can_messages import CanMessagesDriver
from drivers.decode.message_catalogue import read_catalogue
from telemetry.driver import NamesFaults
from telemetry.machine.fault_codes import LONGEST, fault_codes_text
from telemetry.machine.machine_file import parse_machine
from telemetry.model.errors import printable
from telemetry.model.fault_names import FaultNames

CATALOGUE = """\
VERSION ""

NS_ :

BS_:

BU_: Pack Recorder

BO_ 512 PackState: 8 Pack
 SG_ Voltage : 0|16@1+ (0.01,0) [0|0] "V" Recorder
 SG_ FaultBits : 16|8@1+ (1,0) [0|0] "" Recorder
 SG_ FaultCode : 24|8@1+ (1,0) [0|0] "" Recorder
 SG_ Mode : 32|4@1+ (1,0) [0|0] "" Recorder
 SG_ LastAlarm : 40|8@1+ (1,10) [0|0] "" Recorder
 SG_ Spare : 48|2@1+ (1,0) [0|0] "" Recorder

VAL_ 512 FaultBits 0 "none" 1 "CELL_OVER_VOLTAGE" 2 "CELL_UNDER_VOLTAGE" 4 "Too hot" ;
VAL_ 512 FaultCode 0 "No fault" 3 "Error: current sensor" 7 "Throttle" 14 "Error" 15 "Not available" ;
VAL_ 512 Mode 0 "Init" 1 "Drive" 2 "Charge" 3 "Faulted" 4 "Pre-charge failed" 5 "Drive not allowed" ;
VAL_ 512 LastAlarm 0 "OK" 5 "Fuse" ;
VAL_ 512 Spare 0 "on" 1 "off" ;
"""
SIGNALS = {
    "Voltage": "pack_voltage",
    "FaultBits": "extra_bms_faults",
    "FaultCode": "extra_bms_code",
    "Mode": "extra_mode",
    "LastAlarm": "extra_last",
    "Spare": "extra_spare",
}


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    path = tmp_path / "pack.dbc"
    path.write_text(CATALOGUE, encoding="utf-8")
    return path


def named(path: Path, signals: dict[str, str]) -> dict[str, FaultNames]:
    assert isinstance(CanMessagesDriver, NamesFaults)
    settings = {"interface": "virtual", "channel": "bus", "catalogue": str(path), "signals": signals}
    return dict(CanMessagesDriver.fault_names(settings))


def test_faults_are_picked_out_of_the_value_tables(pack: Path) -> None:
    assert named(pack, SIGNALS) == {
        "extra_bms_faults": FaultNames(bits={0: "cell over voltage", 1: "cell under voltage", 2: "Too hot"}),
        "extra_bms_code": FaultNames(codes={3: "Error: current sensor", 7: "Throttle"}),
        "extra_mode": FaultNames(codes={3: "Faulted", 4: "Pre-charge failed"}),
        "extra_last": FaultNames(codes={15: "Fuse"}),
    }


def test_a_named_fault_is_no_missing_reading_and_a_plain_error_is(pack: Path) -> None:
    (layout,) = read_catalogue(pack)
    assert layout.fields["FaultCode"].unknown == {14, 15}


def test_what_is_a_signal_of_ours_has_no_fault_names(pack: Path) -> None:
    assert named(pack, {"Voltage": "pack_voltage", "FaultBits": "discharge_allowed"}) == {}
    assert CanMessagesDriver.fault_names({"interface": "virtual", "standard": ["rv-c"]}) == {}


WORDS = st.text(min_size=1, max_size=60).map(lambda text: printable(text, LONGEST)).filter(str.strip)


@given(
    st.dictionaries(st.integers(0, 52), WORDS, max_size=4),
    st.dictionaries(st.integers(0, 9_999_999_999), WORDS, max_size=4),
)
def test_names_pass_through_the_machine_files_text_unchanged(bits: dict[int, str], codes: dict[int, str]) -> None:
    names = FaultNames(*({n: words.strip() for n, words in each.items()} for each in (bits, codes)))
    text = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
    machine, problems = parse_machine(text + fault_codes_text({"extra_x": names}), "cart.toml")
    assert not problems
    assert machine is not None
    assert machine.fault_codes == ({"extra_x": names} if bits or codes else {})
