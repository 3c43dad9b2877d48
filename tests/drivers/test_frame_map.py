"""A frame map is checked when it is loaded: all problems at once, each with its key and the remedy."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.frame_map import MOST_BYTES, FrameMapError, MapSettings, load_frame_map, read_frame_map
from telemetry.model.tables import read_table

ROOT = Path(__file__).parents[2]
GOOD = """
byte_order = "big"
[frame]
start = "A5 5A"
length = 12
checksum = "CRC-16/MODBUS"
[message.state]
when = { byte = 2, is = 0x01 }
[message.state.fields]
pack_voltage = { byte = 3, width = 16, scale = 0.01 }
"""


def frame_map_of(value):
    settings, problems = read_table(MapSettings, {"map": value})
    return None if settings is None else settings.map, problems


def problems_of(text):
    frame_map, problems = read_frame_map(tomllib.loads(text))
    assert (frame_map is None) == bool(problems)
    return [str(problem) for problem in problems]


def test_a_good_map_has_no_problem():
    assert problems_of(GOOD) == []


# What is put in place of what, and what the sentence must say.
WRONG = [
    ("length = 12", "lenght = 12", ["frame.lenght: is an unknown key; did you mean length?"]),
    ("length = 12", "", ["frame.length", "nothing else tells where a frame ends"]),
    ("length = 12", "length = 0", ["frame.length", "must be above 0"]),
    ("length = 12", "length = { byte = 1, uncounted = 6 }", ["frame.length.byte", "one of the start bytes"]),
    (
        "length = 12",
        "length = { byte = 2, width = 12 }",
        ["frame.length.width: is 12, which is not known; write one of 8, 16, 24, 32"],
    ),
    ("length = 12", "length = { uncounted = 4 }", ["frame.length.byte: is missing"]),
    ("length = 12", "length = 12\nlongest = 8", ["frame.length", "more than longest, 8"]),
    ("length = 12", "length = 6", ["state.fields.pack_voltage: reads byte 4, past byte 3"]),
    ('"A5 5A"', '"A5 5"', ["frame.start: is no row of bytes", "two hexadecimal digits"]),
    ('"CRC-16/MODBUS"', '"CRC-16/MODBUSS"', ["there is no checksum CRC-16/MODBUSS", "did you mean CRC-16/MODBUS"]),
    ('"CRC-16/MODBUS"', '"crc16"', ["frame.checksum: there is no checksum crc16", "did you mean CRC-16"]),
    ('"CRC-16/MODBUS"', '{ kind = "crc" }', ["frame.checksum: states no width and polynomial"]),
    ('"CRC-16/MODBUS"', '{ kind = "crc", width = 8, polynomial = 0x131 }', ["polynomial: does not fit in 8 bits"]),
    (
        '"CRC-16/MODBUS"',
        '{ kind = "xor", width = 8 }',
        ["frame.checksum.width: has no meaning for xor; leave it out"],
    ),
    ('"CRC-16/MODBUS"', '{ kind = "sum", width = 12 }', ["frame.checksum.width: is no whole number of bytes"]),
    ('"CRC-16/MODBUS"', '{ kind = "sum", covers = [5, 2] }', ["frame.checksum.covers: is no first and last byte"]),
    ('"CRC-16/MODBUS"', '{ kind = "sum", byte = 3 }', ["frame.checksum.covers: is missing"]),
    ("byte = 2, is = 0x01", "byte = 1, is = 0x01", ["message.state.when: can never hold at byte 1"]),
    ("byte = 2, is = 0x01", "byte = 14, is = 0x01", ["message.state.when: looks past the frame's last byte, 11"]),
    ("byte = 2, is = 0x01", "byte = 2, is = 'x'", ["message.state.when[1].is: is no byte"]),
    ("byte = 2, is = 0x01", "byte = 2", ["message.state.when[1].is: is missing; write is = "]),
    ("byte = 3", "byte = 9", ["message.state.fields.pack_voltage: reads byte 10, past byte 9"]),
    ("byte = 3", "byte = 1", ["pack_voltage: takes bits that belong to the start bytes", "overlaps = true"]),
    ("byte = 3", "byte = -3", ["message.state.fields.pack_voltage: reads byte 10, past byte 9"]),
    ("byte = 3, ", "", ["message.state.fields.pack_voltage.byte: is missing"]),
    (
        "width = 16",
        "width = 65",
        ["pack_voltage.width: is 65, more than is plausible; write a whole number from 1 to 64"],
    ),
    ("width = 16", 'width = 24, type = "float"', ["no width of a floating-point number", "16, 32 or 64"]),
    (
        "width = 16",
        'width = 16, type = "sgined"',
        ['is "sgined", which is not known', "did you mean signed"],
    ),
    ("width = 16", "width = 16, unknown = 0x1FFFF", ["pack_voltage.unknown: holds what 16 bits cannot: 131071"]),
    ("width = 16", "width = 16, unknown = [[9, 3]]", ["a range that ends before it begins"]),
    ("width = 16", "width = 16, count = 4", ["pack_voltage.count: is for a name with a *"]),
    ("width = 16", "width = 16, inverted = true", ["pack_voltage.inverted: is for a single bit"]),
    ("scale = 0.01", "scale = 0", ["pack_voltage.scale: is 0"]),
    (
        "scale = 0.01",
        "scale = 0.01, formula = 'x+1'",
        ["pack_voltage.formula: is an unknown key; the keys here are byte"],
    ),
    ("pack_voltage =", "pack_volts =", ["there is no signal pack_volts", "did you mean pack_voltage"]),
    ("pack_voltage =", "pack_power =", ["pack_power is computed here and not read", "extra_pack_power"]),
    ("pack_voltage =", '"cell_*_voltage" =', ["fields.cell_*_voltage.count: is missing"]),
    ("pack_voltage = {", '"cel_*_voltage" = { count = 2,', ["there is no signal cel_1_voltage", "cell_*_voltage"]),
    ("pack_voltage = {", '"pack_temperature_*" = { count = 100,', ["there is no signal pack_temperature_100"]),
    ("[message.state]", "[message.State]", ["message.State: is not a plain name"]),
    ('"CRC-16/MODBUS"', '{ kind = "crc", width = 16 }', ["frame.checksum: states no width and polynomial"]),
    ('"CRC-16/MODBUS"', '{ kind = "crc", polynomial = 0x8005 }', ["frame.checksum: states no width and polynomial"]),
    ("is = 0x01", "is = 0x01, mask = 3", ["message.state.when[1].mask: is an unknown key"]),
    ("length = 12", "length = { byte = 3 }", ["pack_voltage: takes bits that belong to the length"]),
    ('"CRC-16/MODBUS"', '{ kind = "sum", byte = 4, covers = [0, 3] }', ["takes bits that belong to the checksum"]),
    ("[frame]", "[fram]", ["frame: is missing", "fram: is an unknown key; did you mean frame?"]),
    ('byte_order = "big"', 'byte_order = "middle"', ['byte_order: is "middle", which is not known']),
    ("[frame]", "assemble_within_s = 0\n[frame]", ["assemble_within_s: is 0 s, and must be above 0"]),
    (
        "length = 12",
        "length = 12\none_per_piece = 1",
        ["frame.one_per_piece: is 1 where true or false belongs; write one_per_piece = true"],
    ),
    (
        "length = 12",
        'end = "7E"\none_per_piece = true\nescape = { byte = "7D", xor = "20" }',
        ["frame.one_per_piece: cannot be used with escape"],
    ),
    (
        "[message.state]",
        "[message.state]\nlength = 5000",
        ["state.length: is more than longest, ", "frame's length"],
    ),
    ("when = {", "when = 3\nx = {", ["message.state.when[1]: is 3 where a table belongs"]),
    ("width = 16", 'width = 1, type = "sign-magnitude"', ["pack_voltage.width: leaves no bit beside the sign"]),
    (
        "scale = 0.01",
        'scale = "one"',
        ['pack_voltage.scale: is "one" where a number belongs; write a number'],
    ),
    ("pack_voltage =", '"cell_*_*" =', ["cell_*_*: has more than one *"]),
    ("pack_voltage = {", '"cell_*_voltage" = { count = { byte = 2 },', ["count.most: is missing"]),
    ("[message.state]", "[message.state]\ngroup = 7", ["message.state.group: is 7 where text belongs"]),
    ('byte_order = "big"', "", ["byte_order: is missing, and frame.checksum takes several bytes"]),
    (
        "width = 16",
        'width = 18, type = "bcd"',
        ["pack_voltage.width: does not hold a whole number of decimal digits"],
    ),
    (
        "width = 16",
        'width = 16, word_order = "low-first"',
        ["word_order: is for two or more whole words of 16 bits"],
    ),
    (
        "width = 16",
        'width = 16, type = "signed", direction = { byte = 7 }',
        ["pack_voltage.direction: cannot be used with signed, which has its own sign"],
    ),
    ("scale = 0.01", "points = [[0, 1]]", ["pack_voltage.points: is not a list of pairs of numbers"]),
    ("scale = 0.01", "points = [[5, 1], [2, 3]]", ["pack_voltage.points: has numbers that do not ascend"]),
    (
        "scale = 0.01",
        "scale = 0.01, points = [[0, 1], [2, 3]]",
        ["points: cannot be used with scale, offset or inverted"],
    ),
    ("scale = 0.01", 'meanings = { "1" = "on" }', ["pack_voltage.meanings: is only for extra signals"]),
    (
        "pack_voltage =",
        'extra_a = { byte = 8, meanings = { on = "on" } }\npack_voltage =',
        ["on: is not a whole number"],
    ),
    ("width = 16", "width = 16, packed = true", ["pack_voltage.packed: is for repeats"]),
    (
        "pack_voltage = {",
        '"cell_*_voltage" = { count = 9, first_number = { byte = 8, most = 4 },',
        ["first_number.most: is less than one frame holds"],
    ),
    ("length = 12", "length = 12\nhexadecimal = true", ["frame.hexadecimal: needs end bytes"]),
    (
        '"CRC-16/MODBUS"',
        '{ kind = "sum", of_characters = true }',
        ["checksum.of_characters: has a meaning only with hexadecimal"],
    ),
    ('"CRC-16/MODBUS"', '{ kind = "sum", initial = 0x155 }', ["checksum.initial: does not fit in 8 bits"]),
]


@pytest.mark.parametrize(("right", "wrong", "said"), WRONG, ids=[f"{w[1][:40]}" for w in WRONG])
def test_each_mistake_has_its_sentence(right, wrong, said):
    assert right in GOOD
    problems = problems_of(GOOD.replace(right, wrong))
    assert problems
    for words in said:
        assert any(words in problem for problem in problems), problems


def test_something_must_tell_where_a_frame_begins():
    told_by = {"start": 'start = "A5"', "end": 'end = "0D"', "checksum": 'checksum = "CRC-8/SMBUS"', "when": ""}
    field = "[message.m.fields]\nextra_a = { byte = 1 }\n"
    assert problems_of(f"[frame]\nlength = 8\n{field}") == [
        'frame.start: is missing, and nothing else tells where a frame begins; write start = "A5 5A", say'
    ]
    for what, stated in told_by.items():
        when = "[message.m]\nwhen = { byte = 0, is = 1 }\n" if what == "when" else ""
        assert problems_of(f"[frame]\nlength = 8\n{stated}\n{when}{field}") == [], what


def test_every_problem_is_reported_at_once():
    text = (
        GOOD.replace("length = 12", "lenght = 12")
        .replace("MODBUS", "NOBUS")
        .replace("pack_voltage =", "pack_volts =")
        .replace("is = 0x01", "is = 0x1FF")
        .replace("width = 16", "width = 160")
    )
    problems = problems_of(text)
    for words in ("lenght", "NOBUS", "pack_volts", "when[1].is", "width: is 160, more than is plausible"):
        assert any(words in problem for problem in problems), (words, problems)


TWO = (
    GOOD
    + """
[message.cells]
when = { byte = 2, is = 0x02 }
[message.cells.fields]
"cell_*_voltage" = { byte = 3, width = 16, count = 3 }
"""
)


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ("is = 0x02", "is = 0x01", "message.cells.when: does not tell it from message state"),
        ("is = 0x02", "is = [0x01, 0x02]", "message.cells.when: does not tell it from message state"),
        ("byte = 2, is = 0x02", "byte = 9, is = 0x02", "message.cells.when: does not tell it from message state"),
        ("when = { byte = 2, is = 0x02 }", "", "message.cells.when: does not tell it from message state"),
        (
            '"cell_*_voltage" =',
            "pack_voltage = { byte = 10 }\n'cell_*_voltage' =",
            "pack_voltage is read a second time",
        ),
        ("width = 16, count = 3", "width = 16, count = 3, step = 1", "cell_*_voltage.step: is less than the 2 bytes"),
        ("count = 3", "count = 3, step = 4", "cell_01_voltage..cell_03_voltage: reads byte 12, past byte 9"),
        ("count = 3", "count = 9", "cell_01_voltage..cell_09_voltage: reads byte 20, past byte 9"),
    ],
)
def test_messages_that_do_not_fit_together(right, wrong, said):
    assert problems_of(TWO) == []
    problems = problems_of(TWO.replace(right, wrong))
    assert any(said in problem for problem in problems), problems


def test_two_messages_may_differ_by_their_length_alone():
    text = GOOD.replace("length = 12", "length = { byte = 2 }").replace(
        "when = { byte = 2, is = 0x01 }", "length = 9"
    )
    assert (
        problems_of(text + "[message.long]\nlength = 10\n[message.long.fields]\npack_current = { byte = 3 }\n") == []
    )


def test_overlaps_are_found_bit_by_bit_in_either_byte_order():
    def overlap(order, first, second):
        fields = f"[message.m.fields]\nextra_a = {{ {first} }}\nextra_b = {{ {second} }}\n"
        return problems_of(f'byte_order = "{order}"\n[frame]\nlength = 8\none_per_piece = true\n{fields}')

    # little-endian: 12 bits from byte 0 leave the upper half of byte 1; big-endian, the upper half of byte 0
    assert overlap("little", "byte = 0, width = 12", "byte = 1, bit = 4, width = 4") == []
    assert overlap("little", "byte = 0, width = 12", "byte = 0, bit = 4, width = 4") != []
    assert overlap("big", "byte = 0, width = 12", "byte = 0, bit = 4, width = 4") == []
    assert overlap("big", "byte = 0, width = 12", "byte = 1, bit = 4, width = 4") != []
    assert overlap("big", "byte = 0, width = 12", "byte = 1, bit = 4, width = 4, overlaps = true") == []


ESCAPED = GOOD.replace("length = 12", 'end = "7E"\nescape = { byte = "7D", xor = "20" }')


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ('end = "7E"\n', "", "frame.escape: needs end bytes"),
        (', xor = "20"', "", "says neither xor nor pairs"),
        ('xor = "20"', 'pairs = { "7E 7D" = "5E" }', "frame.escape.pairs.7E 7D: is no byte"),
        ('xor = "20"', 'pairs = { "7E" = "5E" }', "frame.escape.pairs: leaves 7D, A5 as it is"),
        ('xor = "20"', 'pairs = { "7E" = "5E", "7D" = "5E", "A5" = "01" }', "sends two bytes alike"),
        ('xor = "20"', 'xor = "03"', "one as a byte that it should hide"),
        ('byte = "7D"', 'byte = "7D 7E"', "frame.escape.byte: is not one byte"),
    ],
)
def test_escapes_that_hide_nothing(right, wrong, said):
    assert problems_of(ESCAPED) == []
    problems = problems_of(ESCAPED.replace(right, wrong))
    assert any(said in problem for problem in problems), problems


POLLED = GOOD + '[poll]\nrequest = [{ bytes = "01 02", answer = "state" }]\n'


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ('answer = "state"', 'answer = "stat"', "there is no message stat"),
        ('answer = "state"', "answer = 3", "poll.request[1].answer[1]: is 3 where text belongs"),
        ('bytes = "01 02", ', "", "poll.request[1].bytes: is missing"),
        ('"01 02"', '"0x01"', "poll.request[1].bytes: is no row of bytes"),
        ('answer = "state"', "every = 0", "poll.request[1].every"),
        ('request = [{ bytes = "01 02", answer = "state" }]', "", "poll.request: is missing"),
        ('request = [{ bytes = "01 02", answer = "state" }]', "request = []", "poll.request: is empty"),
        ("[poll]\n", "[poll]\ninterval_s = -1\n", "poll.interval_s: is -1 s, and must be above 0"),
        ("[poll]\n", "[poll]\nresponse_timeout = 1\n", "did you mean response_timeout_s"),
    ],
)
def test_requests_that_cannot_be_sent(right, wrong, said):
    assert problems_of(POLLED) == []
    problems = problems_of(POLLED.replace(right, wrong))
    assert any(said in problem for problem in problems), problems


def test_the_default_place_of_a_checksum_is_before_the_end_bytes():
    frame_map, _ = read_frame_map(tomllib.loads(GOOD.replace("length = 12", 'length = 12\nend = "0D 0A"')))
    assert frame_map.envelope.checksum.span(12) == (8, 0, 8)
    assert frame_map.envelope.trailer == 4


# CRC-16/MODBUS by its parameters and its check value, as the catalogue of parametrised CRC algorithms has them.
def test_a_checksum_may_be_stated_by_its_parameters():
    crc = '{ kind = "crc", width = 16, polynomial = 0x8005, initial = 0xFFFF, reflect_in = true, reflect_out = true }'
    for stated, of_nine in ((crc, 0x4B37), ('{ kind = "xor" }', 0x31)):
        frame_map, problems = read_frame_map(tomllib.loads(GOOD.replace('"CRC-16/MODBUS"', stated)))
        assert problems == []
        assert frame_map.envelope.checksum.checksum.of(b"123456789") == of_nine


def test_a_file_that_is_no_map_has_one_sentence(tmp_path):
    missing = tmp_path / "none.toml"
    with pytest.raises(FrameMapError, match=r"none\.toml.*cannot be read"):
        load_frame_map(missing)
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"[frame\n\x1b[2J")
    with pytest.raises(FrameMapError) as caught:
        load_frame_map(broken)
    assert "is not TOML" in str(caught.value)
    assert "\x1b" not in str(caught.value)
    capture = tmp_path / "capture.toml"
    capture.write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(FrameMapError, match="is far too large for a frame map"):
        load_frame_map(capture)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b"# \xe9\n")
    with pytest.raises(FrameMapError, match="no UTF-8"):
        load_frame_map(latin)
    with pytest.raises(FrameMapError, match="cannot be read"):
        load_frame_map(tmp_path)


def test_a_source_names_a_file_or_holds_the_map_itself(tmp_path):
    file = tmp_path / "pack.toml"
    file.write_text(GOOD, "utf-8")
    by_name, problems = frame_map_of(str(file))
    assert problems == []
    embedded, problems = frame_map_of(tomllib.loads(GOOD))
    assert problems == []
    assert by_name.messages == embedded.messages
    assert by_name.envelope == embedded.envelope
    for bad in (None, 3, "", ["a"]):
        assert [p.where for p in frame_map_of(bad)[1]] == ["map"]
    file.write_text(GOOD.replace("length = 12", "lenght = 12"), "utf-8")
    assert any("lenght" in str(problem) and problem.where.startswith("map") for problem in frame_map_of(str(file))[1])


junk = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
places = st.sampled_from(
    [
        ("frame",),
        ("frame", "start"),
        ("frame", "length"),
        ("frame", "length", "byte"),
        ("frame", "checksum"),
        ("frame", "checksum", "covers"),
        ("frame", "escape"),
        ("frame", "escape", "pairs"),
        ("poll",),
        ("poll", "request"),
        ("message",),
        ("message", "state"),
        ("message", "state", "when"),
        ("message", "state", "fields"),
        ("message", "state", "fields", "pack_voltage"),
        ("message", "state", "fields", "pack_voltage", "unknown"),
        ("message", "state", "fields", "pack_voltage", "count"),
    ]
)


@given(places, junk)
def test_whatever_stands_in_a_map_is_a_problem_or_good_and_never_an_exception(place, value):
    table = tomllib.loads(POLLED)
    inner = table
    for key in place[:-1]:
        if not isinstance(inner.get(key), dict):
            inner[key] = {}
        inner = inner[key]
    inner[place[-1]] = value
    frame_map, problems = read_frame_map(table)
    assert (frame_map is None) == bool(problems)
    for problem in problems:
        assert str(problem).isprintable()


def test_the_page_shows_the_map_that_is_shipped_and_only_good_ones():
    page = (ROOT / "docs" / "frame-map.md").read_text("utf-8")
    blocks = [part.partition("\n```")[0] for part in page.split("```toml\n")[1:]]
    assert (ROOT / "drivers" / "simulated" / "plain_pack.toml").read_text("utf-8").strip() in blocks
    maps = [tomllib.loads(block) for block in blocks]
    embedded = [
        source["map"] for table in maps for source in table.get("source", ()) if isinstance(source["map"], dict)
    ]
    whole = [table for table in maps if "frame" in table]
    assert len(embedded) == len(whole) == 1
    for table in (*embedded, *whole):
        assert read_frame_map(table)[1] == []
