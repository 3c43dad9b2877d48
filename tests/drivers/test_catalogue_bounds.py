"""A small catalogue with a large number in it is refused before it takes memory; those in use are read."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.decode.can_standards import FOLDER
from drivers.decode.message_catalogue import CatalogueSettings, read_catalogue
from telemetry.model.errors import InputError
from telemetry.model.tables import read_table

HEAD = 'VERSION ""\nBS_:\nBU_: A\n'
GOOD = 'BO_ 512 M: 8 A\n SG_ S M : 0|8@1+ (1,0) [0|0] "" A\n SG_ T m0 : 8|8@1+ (1,0) [0|0] "" A\n'
KCD = (
    '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/><Bus name="b">'
    '<Message id="0x1" name="M" length="8"><Signal name="S" offset="{}" length="8"/></Message></Bus>'
    "</NetworkDefinition>"
)


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        (
            "a.dbc",
            HEAD + GOOD.replace("0|8@", "4294967296|8@"),
            "line 5 places a signal before bit 0 or beyond bit 14280",
        ),
        ("a.dbc", HEAD + GOOD.replace("0|8@", "\n4294967296\n|\n8@", 1), "places a signal before bit 0 or beyond"),
        ("a.dbc", HEAD + GOOD.replace("0|8@", "0|4294967296@"), "places a signal before bit 0 or beyond"),
        ("a.dbc", HEAD + GOOD.replace("M: 8", "M: 4294967296"), "line 4 states a message of more bits"),
        ("a.dbc", HEAD + GOOD + "SG_MUL_VAL_ 512 T S 0-4294967295;\n", "multiplexer values"),
        ("a.dbc", HEAD + GOOD + "SG_MUL_VAL_ 512 T S -32768-3;\n", "multiplexer values"),
        ("a.kcd", KCD.format(4294967296), "places a signal before bit 0 or beyond"),
        ("a.kcd", KCD.format(-4294967296), "places a signal before bit 0 or beyond"),
        ("a.kcd", KCD.format("4_294_967_296"), "places a signal before bit 0 or beyond"),
        ("a.dbc", HEAD + GOOD.replace("0|8@", "-128|8@"), "line 5 places a signal before bit 0"),
        ("a.kcd", KCD.format("&#52;294967296"), "places a signal before bit 0 or beyond"),
        ("a.kcd", '<!DOCTYPE a [<!ENTITY b "c">]>' + KCD.format(0), "defines entities"),
        ("a.kcd", "<a>" * 100_000, "nested more than 64 deep"),
        (
            "a.sym",
            'FormatVersion=6.0\nTitle="x"\n{SIGNALS}\nSig=S unsigned 4294967296\n',
            "places a signal before bit 0 or beyond",
        ),
        ("a.sym", f"FormatVersion=6.0\n{'7' * 401}\n", "line 2 has a number of more than 400 digits"),
        ("a.sym", "FormatVersion=6.0\n" + "//=" * 7000, "line 2 has more than 20000 characters"),
        (
            "a.arxml",
            "<AUTOSAR><START-POSITION>0xFFFFFFFF</START-POSITION></AUTOSAR>",
            "places a signal before bit 0 or beyond",
        ),
    ],
)
def test_it_is_refused_with_its_line(name: str, text: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match=says):
        read_catalogue(path)


def test_ordinary_catalogues_are_read(tmp_path: Path) -> None:
    path = tmp_path / "a.dbc"
    path.write_text(HEAD + GOOD + 'SG_MUL_VAL_ 512 T S 0-15, 20-30;\nCM_ "0-4294967295";\n', "utf-8")
    assert len(read_catalogue(path)) == 1
    (tmp_path / "a.kcd").write_text(KCD.format(0), "utf-8")
    assert len(read_catalogue(tmp_path / "a.kcd")) == 1
    assert all(read_catalogue(each) for each in FOLDER.glob("*.dbc"))


def test_what_no_frame_can_hold_or_nobody_can_name_is_refused_or_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.kcd"
    path.write_text(KCD.format(0).replace("<Bus name", '<Bus name="b"><Message id="0x2" length="8"/></Bus><Bus name'))
    assert [layout.name for layout in read_catalogue(path)] == ["M"]
    path.write_text(KCD.format(0).replace("/></Message>", f'><Value slope="{"9" * 400}"/></Signal></Message>'))
    with pytest.raises(InputError, match="does not parse"):
        read_catalogue(path)


def test_a_signal_behind_the_last_bit_of_the_longest_message_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.dbc"
    last = 'BO_ 512 M: 1785 A\n SG_ Last : 14279|1@1+ (1,0) [0|0] "" A\n SG_ Behind : 14280|1@1+ (1,0) [0|0] "" A\n'
    path.write_text(HEAD + last, "utf-8")
    (layout,) = read_catalogue(path)
    assert list(layout.fields) == ["Last"], "J1939-21 carries up to 1785 bytes"


def test_a_file_that_is_far_too_large_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "a.dbc"
    with path.open("wb") as file:
        file.truncate(9_000_000)
    with pytest.raises(InputError, match="more than 8 MB"):
        read_catalogue(path)


def test_a_message_that_is_read_may_be_defined_once_only(tmp_path: Path) -> None:
    path, twice = tmp_path / "a.dbc", GOOD + GOOD.replace("SG_ S", "SG_ U")
    path.write_text(HEAD + twice + GOOD.replace("512 M", "513 N"), "utf-8")
    names = {"M.U": "pack_voltage", "M.S": "pack_current"}
    _, problems = read_table(CatalogueSettings, {"catalogue": str(path), "signals": names})
    assert [each.what for each in problems] == ["defines message M twice"]
    _, problems = read_table(CatalogueSettings, {"catalogue": str(path), "signals": {"N.S": "pack_voltage"}})
    assert not problems
