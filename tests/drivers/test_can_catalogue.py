"""What an owner may write for a CAN source, and what is said about mistakes."""

from __future__ import annotations

import pytest

from drivers.can_messages import CanMessagesDriver, CanMessagesSettings, messages_of
from drivers.decode.can_batches import CanBatches
from drivers.decode.can_frames import EXTENDED, CanFrame
from drivers.decode.message_catalogue import plain_name, read_catalogue
from telemetry.model.errors import InputError
from telemetry.model.tables import settings_of
from tests.drivers.declared import problems_of

PACK = """\
VERSION ""

NS_ :

BS_:

BU_: Pack Recorder

BO_ 512 PackState: 8 Pack
 SG_ Voltage : 0|16@1+ (0.01,0) [0|0] "V" Recorder
 SG_ Current : 16|16@1- (0.1,0) [0|0] "A" Recorder
 SG_ Charge : 32|8@1+ (1,0) [0|0] "%" Recorder
 SG_ Contactor : 40|2@1+ (1,0) [0|0] "" Recorder

BO_ 528 CellsLow: 4 Pack
 SG_ U1 : 0|16@1+ (0.001,0) [0|0] "V" Recorder
 SG_ U2 : 16|16@1+ (0.001,0) [0|0] "V" Recorder

BO_ 529 CellsHigh: 4 Pack
 SG_ U1 : 0|16@1+ (0.001,0) [0|0] "V" Recorder
 SG_ cell_04_voltage : 16|16@1+ (0.001,0) [0|0] "V" Recorder

VAL_ 512 Contactor 0 "Open" 1 "Closed" 2 "Error" 3 "Not available" ;
"""
SIGNALS = {
    "PackState.Voltage": "pack_voltage",
    "Current": {"signal": "pack_current", "scale": -1.0},
    "Charge": {"signal": "soc_reported", "unknown": [255]},
    "Contactor": "discharge_allowed",
    "CellsLow.U1": "cell_01_voltage",
    "CellsLow.U2": "cell_02_voltage",
    "CellsHigh.U1": "cell_03_voltage",
}


@pytest.fixture
def pack(tmp_path):
    path = tmp_path / "pack.dbc"
    path.write_text(PACK, encoding="utf-8")
    return str(path)


def source(**keys):
    return {"interface": "virtual", "channel": "bus", **keys}


def read_by(settings):
    return messages_of(settings_of(CanMessagesSettings, settings))


def said(**keys):
    return [str(problem) for problem in problems_of(CanMessagesDriver, source(**keys))]


def test_the_table_names_scales_and_knows_codes(pack):
    settings = source(catalogue=pack, signals=SIGNALS)
    assert problems_of(CanMessagesDriver, settings) == []
    batches = CanBatches("pack", read_by(settings), 250_000)
    batches.feed(
        [
            CanFrame(1, 512, bytes.fromhex("3C14 5F01 FF 03 0000")),
            CanFrame(2, 528, bytes.fromhex("E80C E90C")),
            CanFrame(3, 529, bytes.fromhex("EA0C EB0C")),
            CanFrame(4, 512, bytes.fromhex("3C14 A1FE 50 01 0000")),
        ]
    )
    got = {batch.group.name: batch for batch in batches.taken()}
    state = got["pack_state"]
    assert state.group.signals == ("pack_voltage", "pack_current", "soc_reported", "discharge_allowed")
    assert state.values[0] == pytest.approx([51.80, -35.1, float("nan"), float("nan")], nan_ok=True)
    assert state.values[1] == pytest.approx([51.80, 35.1, 80.0, 1.0])
    assert got["cells"].group.signals == tuple(f"cell_0{n}_voltage" for n in range(1, 5))
    assert got["cells"].values.tolist() == [pytest.approx([3.304, 3.305, 3.306, 3.307])]
    assert got["cells"].t.tolist() == [3]


def test_unquoted_names_that_toml_nests_are_understood(pack):
    nested = {"PackState": {"Voltage": "pack_voltage", "Current": {"signal": "pack_current"}}}
    settings = source(catalogue=pack, signals=nested)
    assert problems_of(CanMessagesDriver, settings) == []
    signals = {take.signal for message in read_by(settings) for take in message.wanted.takes}
    assert signals == {"pack_voltage", "pack_current", "cell_04_voltage"}


def test_all_problems_come_at_once_with_the_nearest_names(pack):
    problems = said(
        catalogue=pack,
        signals={
            "PackState.Voltag": "pack_voltage",
            "U1": "cell_01_voltage",
            "Charge": "soc_report",
            "Current": {"signal": "pack_current", "scale": 0},
        },
        bit_rate=1,
        close_after_s=-1,
        chanel="can0",
    )
    text = "\n".join(problems)
    assert len(problems) == 7
    assert "did you mean channel" in text
    assert "did you mean PackState.Voltage" in text
    assert "is in 2 messages; name one: CellsLow.U1, CellsHigh.U1" in text
    assert "did you mean soc_reported" in text
    assert "signals.Current.scale: is 0" in text
    assert "bit_rate" in text
    assert "close_after_s" in text


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        ({}, "catalogue: is missing, and so is standard"),
        ({"standard": ["rvc"]}, "did you mean rv-c?"),
        ({"standard": "rv-c"}, 'a list of names, such as ["rv-c"]'),
        ({"standard": ["rv-c", "rv-c"]}, "names one twice"),
        ({"standard": ["rv-c"], "node": 5}, "has a meaning for canopen-418 only"),
        ({"standard": ["canopen-418"], "node": 128}, "a whole number from 1 to 127"),
        ({"standard": ["canopen-418"], "pdo": {"tpdo9": ["60600020"]}}, "use tpdo1"),
        ({"standard": ["canopen-418"], "pdo": {"tpdo2": ["606000"]}}, "hexadecimal"),
        ({"standard": ["canopen-418"], "pdo": {"tpdo2": ["60600010"]}}, "maps 6060 with 16 bits; it has 32"),
        ({"standard": ["canopen-418"], "pdo": {"tpdo2": ["60600020"] * 3}}, "more than 64 bits"),
        ({"standard": ["canopen-418"], "instance": 0}, "instance: is no battery of the profile; use 1 to "),
        ({"standard": ["rv-c"], "instance": 300}, "from 0 to 250"),
        ({"standard": ["rv-c"], "options": 5}, "options: is 5 where a table belongs"),
        ({"standard": ["rv-c"], "interface": "socketcann"}, "did you mean socketcan"),
        ({"standard": ["rv-c"], "interface": 5}, "interface: is 5 where text belongs"),
        ({"standard": ["rv-c"], "listen_only": "yes"}, 'listen_only: is "yes"'),
        ({"standard": ["rv-c"], "options": {"bitrate": 5}}, "write bit_rate beside options"),
        ({"standard": ["rv-c"], "silence_s": 0}, "must be above 0"),
        ({"standard": ["rv-c"], "signals": {"a": "pack_voltage"}}, "needs a catalogue"),
        ({"signals": 3, "standard": ["rv-c"]}, "signals: is 3 where a table belongs"),
        ({"catalogue": "nowhere.dbc"}, "there is no file nowhere.dbc"),
        ({"catalogue": "pack.xlsx"}, "name a file ending in .dbc"),
        ({"catalogue": "/dev/null/pack.dbc"}, "cannot be read (Not a directory); check its rights"),
    ],
)
def test_one_mistake_is_one_sentence(keys, sentence):
    problems = said(**keys)
    assert len(problems) == 1, problems
    assert sentence in problems[0]


def test_objects_mapped_with_the_bits_that_the_profile_gives_them_are_no_mistake():
    mapped = {"tpdo2": ["60600020", "5FFF0108", "60810008"]}  # the second is not the profile's, and passed over
    assert said(standard=["canopen-418"], pdo=mapped) == []


def test_a_catalogue_that_is_a_folder_or_empty_is_refused(tmp_path):
    (tmp_path / "folder.dbc").mkdir()
    (tmp_path / "empty.dbc").write_text('VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Pack\n', encoding="utf-8")
    for name, says in (
        ("folder.dbc", "is not a file; name the catalogue"),
        ("empty.dbc", "describes no CAN message"),
    ):
        (problem,) = said(catalogue=str(tmp_path / name))
        assert says in problem


def test_a_catalogue_that_does_not_parse_says_why(tmp_path):
    for name, text in (("a.dbc", "BO_ none"), ("b.kcd", "<no"), ("c.arxml", "<x/>"), ("d.sym", "\x1b[2J")):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        (problem,) = said(catalogue=str(path))
        assert "does not parse" in problem or "describes no CAN message" in problem
        assert "\x1b" not in problem
        assert "\n" not in problem


def test_a_catalogue_without_a_signal_of_ours_lists_what_it_holds(tmp_path):
    path = tmp_path / "pack.dbc"
    path.write_text(PACK.replace("cell_04_voltage", "U2"), encoding="utf-8")
    (problem,) = said(catalogue=str(path))
    assert "gives none of our signals" in problem
    assert "PackState.Voltage" in problem


def test_a_changed_catalogue_is_read_anew(tmp_path):
    path = tmp_path / "pack.dbc"
    path.write_text(PACK, encoding="utf-8")
    assert len(read_catalogue(path)) == 3
    path.write_text(PACK.replace("BO_ 529 CellsHigh", "BO_ 777 CellsHigher"), encoding="utf-8")
    assert "CellsHigher" in {layout.name for layout in read_catalogue(path)}
    path.unlink()
    with pytest.raises(InputError, match="there is no file"):
        read_catalogue(path)


# SAE J1939-21: a message is known by its parameter group, whoever sends it at whatever priority.
def test_a_j1939_catalogue_is_matched_by_parameter_group(tmp_path):
    text = PACK.split("BO_ 528")[0].replace("BO_ 512", f"BO_ {0x98FF1000 | 0xFE}") + (
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\n'
        f'BA_ "VFrameFormat" BO_ {0x98FF1000 | 0xFE} 3;\n'
    )
    path = tmp_path / "tractor.dbc"
    path.write_text(text, encoding="utf-8")
    settings = source(catalogue=str(path), signals={"Voltage": "pack_voltage", "Charge": "soc_reported"})
    assert problems_of(CanMessagesDriver, settings) == []
    batches = CanBatches("pack", read_by(settings), 250_000)
    batches.feed([CanFrame(1, EXTENDED | 0x0CFF1033, bytes.fromhex("3C14 5F01 FE 01 0000"))])
    (batch,) = batches.taken()
    assert batch.values[0] == pytest.approx([51.80, float("nan")], nan_ok=True)


J1939_MARK = """\
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "J1939PG";
"""


def two_senders(second):
    text = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: D\n\n'
    for number, key in ((1, 0x98FF1001), (2, second)):
        text += f'BO_ {key} Part{number}: 8 D\n SG_ cell_0{number}_voltage : 0|16@1+ (0.001,0) [0|0] "V" D\n\n'
    marks = "".join(f'BA_ "VFrameFormat" BO_ {key} 3;\n' for key in (0x98FF1001, second))
    return text + J1939_MARK + marks


def test_one_parameter_group_from_two_senders_is_told_apart(tmp_path):
    path = tmp_path / "two.dbc"
    path.write_text(two_senders(0x98FF1002), encoding="utf-8")
    batches = CanBatches("pack", read_by(source(catalogue=str(path))), 250_000)
    for t, sender, volts in ((1, 2, 3302), (2, 1, 3301)):
        batches.feed([CanFrame(t, EXTENDED | 0x18FF1000 | sender, volts.to_bytes(2, "little").ljust(8, b"\xff"))])
    (batch,) = batches.taken()
    assert batch.group.name == "cells"
    assert batch.values.tolist() == [pytest.approx([3.301, 3.302])]


def test_a_catalogue_and_a_standard_may_read_the_same_message(tmp_path):
    path = tmp_path / "speed.dbc"
    path.write_text(two_senders(0x98FEF1FE), encoding="utf-8")  # 65265, which the standard reads too
    settings = source(catalogue=str(path), standard=["j1939"])
    batches = CanBatches("pack", read_by(settings), 250_000)
    batches.feed([CanFrame(1, EXTENDED | 0x18FEF100, bytes.fromhex("E40C0AFFFFFFFFFF"))])
    batches.close_due(300_000)
    got = {s: v for b in batches.taken() for s, v in zip(b.group.signals, b.values[0].tolist(), strict=True)}
    assert got["cell_02_voltage"] == pytest.approx(3.3)
    assert got["vehicle_speed"] == pytest.approx(0x0A0C / 256)


def test_names_of_counts_that_are_no_reading(tmp_path):
    path = tmp_path / "pack.dbc"
    text = PACK.replace('0 "Open" 1 "Closed"', '0 "No error" 1 "Off, no reserve"')
    path.write_text(text, encoding="utf-8")
    (state,) = [layout for layout in read_catalogue(path) if layout.name == "PackState"]
    assert state.fields["Contactor"].unknown == {2, 3}


KCD = """<?xml version="1.0" encoding="UTF-8"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">
  <Document name="pack"/>
  <Bus name="traction">
    <Message id="0x200" name="PackState" length="8">
      <Signal name="pack_voltage" offset="0" length="16"><Value slope="0.01" unit="V"/></Signal>
    </Message>
  </Bus>
</NetworkDefinition>
"""
SYM = """FormatVersion=6.0 // written by hand
Title="pack"

{SEND}

[PackState]
ID=200h
Len=8
Sig=pack_voltage 0

{SIGNALS}
Sig=pack_voltage unsigned 16 /u:V /f:0.01
"""


@pytest.mark.parametrize(("name", "text"), [("pack.kcd", KCD), ("pack.sym", SYM)])
def test_other_formats_are_read_by_the_same_road(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    settings = source(catalogue=str(path))
    assert problems_of(CanMessagesDriver, settings) == []
    batches = CanBatches("pack", read_by(settings), 250_000)
    batches.feed([CanFrame(1, 0x200, bytes.fromhex("3C14000000000000"))])
    assert batches.taken()[0].values.tolist() == [[pytest.approx(51.80)]]


def test_group_names_are_plain():
    assert plain_name("DcSourceStatus1") == "dc_source_status1"
    assert plain_name("1st-Message") == "message_1st_message"
