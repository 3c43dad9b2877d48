"""What must hold for frames of any map: splits, noise, there and back, rows made of several frames."""

from __future__ import annotations

import random
import tomllib

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drivers.decode.frame_cutter import (
    BAD_CHECKSUM,
    BAD_END,
    BAD_ESCAPE,
    BAD_LENGTH,
    BAD_START,
    CUT_SHORT,
    TOO_LONG,
    FrameCutter,
)
from drivers.decode.frame_decoder import NO_MESSAGE, TOO_SHORT, FrameDecoder
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_layout import FrameField
from drivers.decode.frame_map import read_frame_map
from drivers.decode.frame_reader import FieldReader, write_field

# Four ways to frame the same two messages; 32 bits of checksum, so that chance makes no good frame of noise.
FIELDS = """
[message.state]
group = "pack"
when = { byte = 3, is = 0x01 }
STATE_LENGTH
[message.state.fields]
pack_voltage = { byte = 4, width = 16, scale = 0.01, unknown = 0xFFFF }
pack_current = { byte = 6, width = 16, type = "signed", scale = 0.1, unknown = 0x8000 }
discharge_allowed = { byte = 8, bit = 7 }

[message.cells]
group = "pack"
when = { byte = 3, is = 0x02 }
CELLS_LENGTH
[message.cells.fields]
"cell_*_voltage" = { byte = 4, width = 12, step = 2, scale = 0.001, count = 4, unknown = 0xFFF }
"""
CHECK = 'checksum = { kind = "CRC-32", covers = [2, COVERED] }\n'
ENVELOPES = {
    "length in the frame": 'byte_order = "big"\n[frame]\nstart = "A5 5A"\nlength = { byte = 2, uncounted = 3 }\n'
    + CHECK.replace("COVERED", "-5"),
    "length by kind": 'byte_order = "big"\n[frame]\nstart = "A5 5A"\n' + CHECK.replace("COVERED", "-5"),
    "two flags": 'byte_order = "big"\n[frame]\nstart = "A5 5A"\nend = "0D"\nescape = { byte = "7D", xor = "20" }\n'
    + CHECK.replace("COVERED", "-6"),
    "one flag": 'byte_order = "big"\n[frame]\nstart = "7E"\nend = "7E"\nescape = { byte = "7D", xor = "20" }\n'
    + CHECK.replace("COVERED", "-6"),
}
NEEDS_LENGTH = {"length by kind"}


def a_map(text):
    frame_map, problems = read_frame_map(tomllib.loads(text))
    assert frame_map is not None, [str(problem) for problem in problems]
    return frame_map


def framed(name):
    lengths = ("length = 13", "length = 16") if name in NEEDS_LENGTH else ("", "")
    return a_map(ENVELOPES[name] + FIELDS.replace("STATE_LENGTH", lengths[0]).replace("CELLS_LENGTH", lengths[1]))


MAPS = {name: framed(name) for name in ENVELOPES}
any_map = st.sampled_from(sorted(MAPS))
states = st.fixed_dictionaries(
    {
        "pack_voltage": st.integers(0, 0xFFFE).map(lambda n: n * 0.01),
        "pack_current": st.integers(-0x7FFF, 0x7FFF).map(lambda n: n * 0.1),
        "discharge_allowed": st.integers(0, 1),
    }
)
cells = st.lists(st.integers(0, 0xFFE).map(lambda n: n * 0.001), min_size=4, max_size=4).map(
    lambda volts: {f"cell_{n:02}_voltage": v for n, v in enumerate(volts, 1)}
)
readings = st.lists(st.tuples(st.just("state"), states) | st.tuples(st.just("cells"), cells), max_size=6)
# Noise that likes to look like the beginning of a frame.
noise = st.lists(
    st.sampled_from([b"\xa5\x5a", b"\xa5", b"\x5a", b"\x7e", b"\x7d", b"\x0d", b"\xff", b"\x01", b"\x02", b"\x10"])
    | st.binary(max_size=6),
    max_size=8,
).map(b"".join)


def pieces_of(data, cuts):
    places = sorted({min(cut, len(data)) for cut in cuts})
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]


def frames_in(frame_map, pieces):
    """The good frames and the figures of some pieces."""
    decoder = FrameDecoder(frame_map, "peer")
    cutter = decoder._cutter
    found = [frame for n, piece in enumerate(pieces) for frame, _ in cutter.feed(piece, n)]
    held = cutter.held
    found += [frame for frame, _ in cutter.flush()]
    return found, cutter.bad, cutter.bytes_passed_over, held


@given(any_map, st.lists(st.tuples(noise, readings), max_size=3), st.lists(st.integers(0, 200), max_size=12))
def test_any_split_of_the_stream_gives_the_same_frames(name, parts, cuts):
    frame_map = MAPS[name]
    stream = b"".join(loud + b"".join(encode(frame_map, *reading) for reading in said) for loud, said in parts)
    assert frames_in(frame_map, pieces_of(stream, cuts)) == frames_in(frame_map, [stream])


@given(any_map, st.lists(st.tuples(noise, states), min_size=1, max_size=5), noise)
def test_any_noise_between_frames_loses_no_good_frame(name, parts, last):
    frame_map = MAPS[name]
    stream = b"".join(loud + encode(frame_map, "state", values) for loud, values in parts) + last
    found, _, passed_over, _ = frames_in(frame_map, [stream])
    decoder = FrameDecoder(frame_map, "peer")
    rows = [batch.values for batch in (*decoder.feed(stream, 0), *decoder.overdue(), *decoder.cycle_over())]
    assert len(found) == len(parts)
    voltages = np.concatenate(rows)[:, 0]
    assert voltages == pytest.approx([values["pack_voltage"] for _, values in parts])
    if frame_map.envelope.escape is None:
        assert passed_over == sum(len(loud) for loud, _ in parts) + len(last)


@given(any_map, readings)
def test_what_is_written_is_read_within_half_a_step(name, said):
    frame_map = MAPS[name]
    decoder = FrameDecoder(frame_map, "peer")
    for message, values in said:
        batches = [*decoder.feed(encode(frame_map, message, values), 0), *decoder.cycle_over()]
        row = dict(zip(batches[0].group.signals, batches[0].values[0].tolist(), strict=True))
        for field in frame_map.messages[message].fields:
            for signal in field.signals:
                assert abs(row[signal] - values[signal]) <= field.scale / 2 + 1e-9
    assert decoder.figures.frames.total() == len(said)
    assert decoder.figures.bytes_passed_over == 0


@st.composite
def fields_and_values(draw):
    number = draw(st.sampled_from(["unsigned", "signed", "sign-magnitude"]))
    width = draw(st.integers(2 if number == "sign-magnitude" else 1, 52))
    scale = draw(st.floats(1e-3, 10) | st.floats(-10, -1e-3))
    field = FrameField(
        ("extra_a", "extra_b"),
        byte=draw(st.integers(0, 3)),
        bit=draw(st.integers(0, 7)),
        width=width,
        order=draw(st.sampled_from(["big", "little"])),
        number=number,
        scale=scale,
        offset=draw(st.floats(-100, 100)),
        unknown=(),
        step=9,
    )
    top = 2 ** (width - 1)
    low, high = {"unsigned": (0, 2 * top - 1), "signed": (-top, top - 1)}.get(number, (1 - top, top - 1))
    raw = draw(st.lists(st.floats(low, high), min_size=2, max_size=2))
    return field, [each * scale + field.offset for each in raw]


@given(fields_and_values(), st.randoms(use_true_random=False))
def test_a_field_of_any_place_and_width_is_read_within_half_a_step_and_touches_nothing_else(made, chance):
    field, values = made
    before = bytes(chance.getrandbits(8) for _ in range(24))
    frame = bytearray(before)
    write_field(frame, field, values)
    read = FieldReader(field).read(bytes(frame))
    for there, back in zip(values, read, strict=True):
        step = abs(field.scale)
        assert abs(there - back) <= step / 2 + 1e-9 * max(abs(there), abs(field.offset), step)
    # writing what was read changes no bit, and zeroes in its place leave the rest as it was
    mask = ((1 << field.width) - 1) << field.bit
    for at in (field.byte, field.byte + 9):
        now = int.from_bytes(frame[at : at + field.size], field.order)
        old = int.from_bytes(before[at : at + field.size], field.order)
        assert now & ~mask == old & ~mask
    inside = {byte for at in (field.byte, field.byte + 9) for byte in range(at, at + field.size)}
    assert all(frame[n] == before[n] for n in range(24) if n not in inside)


@given(any_map, states)
def test_a_frame_with_a_byte_changed_is_counted_and_gives_nothing(name, values):
    frame_map = MAPS[name]
    good = encode(frame_map, "state", values)
    changed = bytearray(good)
    place = 6
    changed[place] ^= 0x01
    assume(frame_map.envelope.escape is None or not {0x7D, 0x7E, 0x0D, 0xA5} & {good[place], changed[place], good[5]})
    decoder = FrameDecoder(frame_map, "peer")
    batches = [*decoder.feed(bytes(changed) + good, 0), *decoder.cycle_over()]
    assert [len(batch) for batch in batches] == [1]
    assert decoder.figures.bad[BAD_CHECKSUM] >= 1
    assert decoder.figures.frames == {"state": 1}


def test_bad_frames_are_counted_by_reason():
    flags = FrameDecoder(MAPS["two flags"], "peer")
    good = encode(MAPS["two flags"], "state", {"pack_voltage": 50})
    flags.feed(good[:6] + good, 0)
    assert flags.figures.bad == {CUT_SHORT: 1}
    flags.feed(b"\xa5\x5a\x01\x7d\x0d", 0)
    assert flags.figures.bad == {CUT_SHORT: 1, BAD_ESCAPE: 1}
    flags.feed(b"\xa5\x5a" + b"\x01" * 4000, 0)
    assert flags.figures.bad == {CUT_SHORT: 1, BAD_ESCAPE: 1, TOO_LONG: 1}
    at_once = FrameDecoder(MAPS["two flags"], "peer")
    at_once.feed(b"\xa5\x5a" + b"\x01" * 20_000 + b"\x0d", 0)
    assert at_once.figures.bad == {TOO_LONG: 1}
    without_start = 'byte_order = "big"\n[frame]\nlength = { byte = 0 }\nlongest = 16\nchecksum = "CRC-16/XMODEM"\n'
    noise = FrameDecoder(a_map(f"{without_start}[message.state.fields]\nextra_a = {{ byte = 1 }}\n"), "peer")
    noise.feed(b"\xff\x20\x40", 0)
    assert (noise.figures.bad, noise.figures.bytes_passed_over) == ({}, 3), "any byte may be a length that is none"
    by_kind = FrameDecoder(MAPS["length by kind"], "peer")
    by_kind.feed(b"\xa5\x5a\x00\x77", 0)
    assert by_kind.figures.bad == {BAD_LENGTH: 1}


def test_a_good_frame_of_no_known_kind_is_counted_apart():
    other = a_map(
        ENVELOPES["length in the frame"]
        + "[message.other]\nwhen = { byte = 3, is = 0x77 }\n[message.other.fields]\nextra_a = { byte = 4 }\n"
    )
    short = a_map(
        ENVELOPES["length in the frame"]
        + "[message.other]\nwhen = { byte = 3, is = 0x01 }\n[message.other.fields]\nextra_a = { byte = 4 }\n"
    )
    decoder = FrameDecoder(MAPS["length in the frame"], "peer")
    assert decoder.feed(encode(other, "other", {"extra_a": 1}) + encode(short, "other", {"extra_a": 1}), 0) == []
    assert decoder.figures.unread == {NO_MESSAGE: 1, TOO_SHORT: 1}
    assert not decoder.figures.bad


def test_no_more_is_kept_than_the_longest_frame():
    frame_map = a_map(
        ENVELOPES["length in the frame"]
        + "longest = 64\n"
        + FIELDS.replace("STATE_LENGTH", "").replace("CELLS_LENGTH", "")
    )
    chance = random.Random(3)
    for envelope in (frame_map.envelope, MAPS["two flags"].envelope):
        cutter = FrameDecoder(MAPS["two flags"] if envelope.escape else frame_map, "peer")._cutter
        assert isinstance(cutter, FrameCutter)
        for _ in range(200):
            cutter.feed(b"\xa5\x5a" + chance.randbytes(98), 0)
            assert cutter.held <= 2 * envelope.longest


@pytest.mark.parametrize("name", sorted(MAPS))
def test_work_grows_with_the_bytes_and_not_with_their_square(name, monkeypatch):
    # Counted, not timed: how many bytes are summed up for each byte of the worst noise.
    frame_map = MAPS[name]
    summed = 0
    checksum = frame_map.envelope.checksum

    def count(self, frame):
        nonlocal summed
        summed += len(frame)
        return False

    monkeypatch.setattr(type(checksum), "fits", count)
    costs = []
    for size in (2_000, 16_000):
        summed = 0
        decoder = FrameDecoder(frame_map, "peer")
        decoder.feed(b"\xa5\x5a" * size, 0)
        decoder.overdue()
        costs.append(summed / (2 * size))
    assert costs[1] <= costs[0] * 1.5 + 1


def test_bytes_lost_on_the_way_are_not_joined_over():
    frame_map = MAPS["length in the frame"]
    first, second = (encode(frame_map, "state", {"pack_voltage": v}) for v in (50, 51))
    decoder = FrameDecoder(frame_map, "peer")
    decoder.feed(first[:9], 0)
    decoder.restart()
    batches = [*decoder.feed(second, 0), *decoder.cycle_over()]
    assert [batch.values[0, 0] for batch in batches] == [51]
    assert decoder.figures.bytes_passed_over == 9


def test_a_pause_ends_a_frame_that_has_begun_where_the_map_says_so():
    text = ENVELOPES["length in the frame"] + "gap_s = 0.05\n"
    frame_map = a_map(text + FIELDS.replace("STATE_LENGTH", "").replace("CELLS_LENGTH", ""))
    good = encode(frame_map, "state", {"pack_voltage": 50})
    decoder = FrameDecoder(frame_map, "peer")
    assert decoder.feed(b"\xa5\x5a\xff\x01" + good, 1_000_000) == []
    (batch,) = [*decoder.feed(b"\x00", 1_050_001), *decoder.cycle_over()]
    assert batch.values[0, 0] == 50
    assert batch.t.tolist() == [1_000_000]


# Rows of several frames.


def test_the_parts_of_a_group_make_one_row_at_the_last_parts_arrival():
    frame_map = MAPS["length in the frame"]
    decoder = FrameDecoder(frame_map, "peer")
    assert decoder.feed(encode(frame_map, "state", {"pack_voltage": 50}), 1000) == []
    (batch,) = decoder.feed(encode(frame_map, "cells", {"cell_02_voltage": 3.3}), 2000)
    assert batch.group.signals == (
        *("pack_voltage", "pack_current", "discharge_allowed"),
        *(f"cell_0{n}_voltage" for n in range(1, 5)),
    )
    assert batch.t.tolist() == [2000]
    np.testing.assert_allclose(batch.values[0], [50, np.nan, 0, np.nan, 3.3, np.nan, np.nan])


def test_a_part_that_fails_to_come_is_unknown_and_never_one_of_an_earlier_row():
    frame_map = MAPS["length in the frame"]
    decoder = FrameDecoder(frame_map, "peer")
    state, cell = (encode(frame_map, "state", {"pack_voltage": v}) for v in (50, 51)), {"cell_01_voltage": 3.3}
    first, second = state
    decoder.feed(first, 1000)
    (partial,) = decoder.feed(second, 2000)
    assert partial.t.tolist() == [1000]
    assert partial.values[0, 0] == 50
    assert np.isnan(partial.values[0, 3:]).all()
    (whole,) = decoder.feed(encode(frame_map, "cells", cell), 3000)
    assert whole.values[0, [0, 3]].tolist() == pytest.approx([51, 3.3])
    assert decoder.figures.incomplete_rows == 1


def test_a_part_that_comes_too_late_begins_a_row_of_its_own():
    frame_map = MAPS["length in the frame"]
    decoder = FrameDecoder(frame_map, "peer")
    decoder.feed(encode(frame_map, "state", {"pack_voltage": 50}), 0)
    (partial,) = decoder.feed(b"\x00", frame_map.assemble_within + 1)
    assert np.isnan(partial.values[0, 3:]).all()
    assert decoder.feed(encode(frame_map, "cells", {"cell_01_voltage": 3.3}), 1_100_000) == []
    (other,) = decoder.cycle_over()
    assert np.isnan(other.values[0, :3]).all()


COUNTED = """
byte_order = "big"
[frame]
start = "A5 5A"
length = { byte = 2, uncounted = 5 }
checksum = "CRC-16/MODBUS"
[message.cells.fields]
"cell_*_voltage" = { byte = 4, width = 16, scale = 0.001, count = { byte = 3, most = 24 } }
"""


def test_a_counted_row_of_cells_is_as_wide_as_the_device_has_shown():
    frame_map = a_map(COUNTED)
    decoder = FrameDecoder(frame_map, "peer")
    volts = {f"cell_{n:02}_voltage": 3.2 + n / 1000 for n in range(1, 25)}

    def fed(count):
        (batch,) = decoder.feed(encode(frame_map, "cells", dict(list(volts.items())[:count])), 0)
        return batch

    assert fed(2).group.signals == ("cell_01_voltage", "cell_02_voltage")
    wide = fed(16)
    assert wide.group.signals == tuple(volts)[:16]
    np.testing.assert_allclose(wide.values[0], list(volts.values())[:16])
    fewer = fed(3)
    assert fewer.group.signals == wide.group.signals
    assert np.isnan(fewer.values[0, 3:]).all()


# A device that sends no checksum, with a reading before the cells that it counts.
UNCHECKED = """
byte_order = "big"
[frame]
start = "A5 5A"
length = { byte = 2 }
[message.cells.fields]
pack_current = { byte = 3, scale = 0.5, offset = -20 }
"cell_*_voltage" = { byte = 5, width = 16, scale = 0.001, count = { byte = 4, most = 24 } }
"""


def test_a_counted_field_stands_beside_one_that_is_not():
    frame_map = a_map(UNCHECKED)
    cells = {"cell_01_voltage": 3.301, "cell_02_voltage": 3.302}
    frame = encode(frame_map, "cells", {"pack_current": -3, **cells})
    assert frame == bytes.fromhex("A5 5A 09 22 02 0C E5 0C E6")
    (batch,) = [*FrameDecoder(frame_map, "peer").feed(frame, 0)]
    assert batch.values.tolist() == [[-3.0, pytest.approx(3.301), pytest.approx(3.302)]]
    nothing = encode(frame_map, "cells", {})
    assert nothing[3:5] == b"\0\0", "no code for no reading: a count of 0, and no cells"
    (batch,) = [*FrameDecoder(frame_map, "peer").feed(nothing, 0)]
    assert batch.values[0, 0] == -20


def test_a_message_without_fields_is_an_answer_and_no_row():
    text = ENVELOPES["length in the frame"] + FIELDS.replace("STATE_LENGTH", "").replace("CELLS_LENGTH", "")
    done = '[message.done]\nwhen = { byte = 3, is = 9 }\n[poll]\nrequest = [{ bytes = "01", answer = "done" }]\n'
    frame_map = a_map(text + done)
    decoder = FrameDecoder(frame_map, "peer")
    decoder.asked(frame_map.requests[0])
    assert decoder.feed(encode(frame_map, "done", {}), 0) == []
    assert decoder.answered


def test_a_count_that_reaches_past_the_frame_gives_nothing():
    frame_map = a_map(COUNTED)
    frame = bytearray(encode(frame_map, "cells", {"cell_02_voltage": 3.2}))
    frame[3] = 9
    frame_map.envelope.checksum.put(frame)
    decoder = FrameDecoder(frame_map, "peer")
    assert decoder.feed(bytes(frame), 0) == []
    assert decoder.figures.unread == {TOO_SHORT: 1}


ASKED_APART = """
byte_order = "big"
[frame]
start = "11 03"
length = { byte = 2, uncounted = 5 }
checksum = { kind = "CRC-16/MODBUS", byte_order = "little" }
[poll]
request = [
    { bytes = "11 03 00 00 00 01 86 9A", answer = "voltage" },
    { bytes = "11 03 00 01 00 01 D7 5A", answer = "current" },
]
[message.voltage.fields]
pack_voltage = { byte = 3, width = 16, scale = 0.1 }
[message.current.fields]
pack_current = { byte = 3, width = 16, type = "signed", scale = 0.1 }
"""


def test_answers_alike_are_told_apart_by_what_was_asked():
    frame_map = a_map(ASKED_APART)
    decoder = FrameDecoder(frame_map, "peer")
    frame = encode(frame_map, "voltage", {"pack_voltage": 51.2})
    assert decoder.feed(frame, 0) == []
    assert decoder.figures.unread == {"several messages fit": 1}
    for request, signal in zip(frame_map.requests, ("pack_voltage", "pack_current"), strict=True):
        decoder.asked(request)
        assert not decoder.answered
        (batch,) = decoder.feed(frame, 0)
        assert decoder.answered
        assert batch.group.signals == (signal,)
        assert batch.values[0, 0] == pytest.approx(51.2)


def test_the_length_of_answers_alike_is_told_by_what_was_asked():
    text = ASKED_APART.replace("length = { byte = 2, uncounted = 5 }\n", "")
    text = text.replace("[message.voltage.fields]", "[message.voltage]\nlength = 7\n[message.voltage.fields]")
    text = text.replace("[message.current.fields]", "[message.current]\nlength = 9\n[message.current.fields]")
    frame_map = a_map(text)
    decoder = FrameDecoder(frame_map, "peer")
    for request, (signal, value) in zip(
        frame_map.requests, {"pack_voltage": 51.2, "pack_current": -3.5}.items(), strict=True
    ):
        decoder.asked(request)
        (batch,) = decoder.feed(encode(frame_map, request.answers[0], {signal: value}), 0)
        assert batch.values.tolist() == [[pytest.approx(value)]]


def test_an_answer_in_several_frames_has_come_when_all_have():
    text = ENVELOPES["length in the frame"] + FIELDS.replace("STATE_LENGTH", "").replace("CELLS_LENGTH", "")
    frame_map = a_map(text + '[poll]\nrequest = [{ bytes = "01", answer = ["state", "cells"] }, { bytes = "02" }]\n')
    decoder = FrameDecoder(frame_map, "peer")
    both, either = frame_map.requests
    state, cells = encode(frame_map, "state", {"pack_voltage": 50}), encode(frame_map, "cells", {})
    decoder.asked(both)
    assert decoder.feed(state, 0) == []
    assert not decoder.answered
    assert len(decoder.feed(cells, 1)) == 1
    assert decoder.answered
    decoder.asked(either)
    assert not decoder.answered
    decoder.feed(state, 2)
    assert decoder.answered


def test_an_echo_of_the_request_is_no_answer():
    frame_map = a_map(ASKED_APART)
    decoder = FrameDecoder(frame_map, "peer")
    request = frame_map.requests[0]
    decoder.asked(request)
    assert decoder.feed(request.data, 0) == []
    assert not decoder.answered
    (batch,) = [*decoder.feed(encode(frame_map, "voltage", {"pack_voltage": 51.2}), 0), *decoder.overdue()]
    assert batch.values[0, 0] == pytest.approx(51.2)


def test_rows_that_come_in_one_clump_never_go_back_in_time():
    frame_map = a_map(COUNTED)
    decoder = FrameDecoder(frame_map, "peer")
    frame = encode(frame_map, "cells", {"cell_01_voltage": 3.2})
    times = []
    for clump in range(60):
        times += [t for batch in decoder.feed(frame * 10, clump * 500_000) for t in batch.t.tolist()]
    assert len(times) == 600
    assert times == sorted(times)
    assert np.diff(times[-100:]).max() <= 60_000, "a steady sender's rows are spaced as it sent them"


@pytest.mark.parametrize(("bit", "value"), [(0, 1.0), (1, 0.0)])
def test_a_bit_may_say_the_opposite(bit, value):
    text = "[frame]\nlength = 3\nstart = 'A5'\n[message.state.fields]\n"
    frame_map = a_map(f"{text}charge_allowed = {{ byte = 1, bit = 2, inverted = true }}\nextra_a = {{ byte = 2 }}\n")
    decoder = FrameDecoder(frame_map, "pack")
    (batch,) = [*decoder.feed(bytes([0xA5, bit << 2, 7]), 0), *decoder.overdue()]
    assert batch.values.tolist() == [[value, 7.0]]
    assert encode(frame_map, "state", {"charge_allowed": value, "extra_a": 7}) == bytes([0xA5, bit << 2, 7])


@pytest.mark.parametrize("more", [0, 1])
def test_the_longest_frame_is_taken_and_a_longer_one_is_not(more):
    field = "[message.state.fields]\nextra_a = { byte = 1 }\n"
    decoder = FrameDecoder(a_map(f"[frame]\none_per_piece = true\nstart = 'A5'\nlongest = 16\n{field}"), "pack")
    batches = [*decoder.feed(b"\xa5" + bytes(15 + more), 0), *decoder.overdue()]
    assert len(batches) == 1 - more
    assert decoder.figures.bad == ({BAD_LENGTH: 1} if more else {})


def test_bytes_of_no_good_frame_are_counted_once_and_those_of_good_ones_never():
    frame_map = MAPS["length in the frame"]
    cutter = FrameDecoder(frame_map, "pack")._cutter
    frame = encode(frame_map, "state", {"pack_voltage": 50})
    stream = frame + frame + b"\x01\x02\x03" + frame + b"\xa5\x00" + frame * 3
    for at in range(0, len(stream), 5):
        cutter.feed(stream[at : at + 5], 0)
    assert cutter.bytes_passed_over == 5


WHOLE = """
byte_order = "big"
[frame]
one_per_piece = true
start = "A5"
end = "0D"
length = { byte = 1 }
checksum = { kind = "sum", covers = [1, -3] }
[message.state.fields]
extra_a = { byte = 2, width = 16 }
"""


def test_where_each_piece_is_a_frame_what_is_none_is_counted_by_what_is_wrong_with_it():
    frame_map = a_map(WHOLE)
    good = encode(frame_map, "state", {"extra_a": 515})
    assert good == b"\xa5\x06\x02\x03\x0b\x0d", "the length counts all, the sum 6 + 2 + 3"
    decoder = FrameDecoder(frame_map, "peer")
    wrong = {
        BAD_START: b"\xa6" + good[1:],
        BAD_END: good[:-1] + b"\x0e",
        BAD_LENGTH: good[:1] + b"\x07" + good[2:],
        BAD_CHECKSUM: good[:4] + b"\x0c\x0d",
    }
    for piece in wrong.values():
        assert decoder.feed(piece, 0) == []
    assert decoder.figures.bad == dict.fromkeys(wrong, 1)
    assert decoder.feed(b"", 0) == []
    (batch,) = [*decoder.feed(good, 0), *decoder.overdue()]
    assert batch.values.tolist() == [[515.0]]
    assert decoder.feed(b"\xa5", 0) == [], "start and end are two bytes"
    assert decoder.figures.bad[BAD_END] == 2


def test_what_a_field_cannot_hold_is_refused():
    frame_map = MAPS["length in the frame"]
    with pytest.raises(ValueError, match="does not fit"):
        encode(frame_map, "state", {"pack_voltage": 700})
    with pytest.raises(KeyError):
        encode(frame_map, "stat", {"pack_voltage": 50})


# Frames that only their end bytes tell the length of, and no escape: the values below hold no end byte.
ENDED = """
byte_order = "big"
[frame]
start = "3A"
end = "0D 0A"
checksum = "CRC-16/XMODEM"
[message.state.fields]
extra_a = { byte = 1, width = 16 }
"""
clean = st.integers(0, 0xFFFF)
without_ends = st.binary(max_size=12).map(lambda data: data.replace(b"\x0d", b":").replace(b"\x0a", b":"))


@given(st.lists(st.tuples(without_ends, clean), max_size=5), st.lists(st.integers(0, 80), max_size=8))
def test_frames_told_by_their_end_bytes_survive_noise_and_any_split(parts, cuts):
    frame_map = a_map(ENDED)
    frames = [encode(frame_map, "state", {"extra_a": value}) for _, value in parts]
    assume(not any(b"\x0d\x0a" in frame[:-2] for frame in frames))
    stream = b"".join(noise + frame for (noise, _), frame in zip(parts, frames, strict=True))
    found, bad, passed_over, held = frames_in(frame_map, pieces_of(stream, cuts))
    assert [frame for frame in frames if frame in found] == frames
    assert (found, bad, passed_over, held) == frames_in(frame_map, [stream])
    assert passed_over == sum(len(noise) for noise, _ in parts)


def test_without_start_or_checksum_the_rest_of_a_frame_joined_in_the_middle_is_left_out():
    text = 'byte_order = "big"\n'
    text += '[frame]\nend = "0A"\n[message.state]\nlength = 3\n[message.state.fields]\nextra_a = { byte = 0 }\n'
    listening = FrameDecoder(a_map(text), "peer")
    (batch,) = listening.feed(b"\x07\x08\x0a\x01\x02\x0a", 0)
    assert batch.values.tolist() == [[1.0]]
    asking = FrameDecoder(a_map(text + '[poll]\nrequest = [{ bytes = "01" }]\n'), "peer")
    (batch,) = asking.feed(b"\x07\x08\x0a\x01\x02\x0a", 0)
    assert batch.values.tolist() == [[7.0], [1.0]]
