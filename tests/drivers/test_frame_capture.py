"""Captures: kept, read again, and run through a map line by line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.capture_check import check_capture, fitting_checksums
from drivers.decode.checksums import CATALOGUE
from drivers.decode.cut_layout import ChecksumPlace
from drivers.decode.frame_encoder import encode
from drivers.decode.frame_map import load_frame_map, read_frame_map
from drivers.simulated.frames_peer import PLAIN_PACK
from telemetry.model.capture import CapturedPiece, CaptureWriter, read_capture
from telemetry.model.errors import InputError

BEGAN = 1_764_079_331_250_000
PLAIN = load_frame_map(PLAIN_PACK)
STATE = encode(PLAIN, "state", {"pack_voltage": 51.47, "pack_current": -35.1, "soc_reported": 80})

pieces = st.lists(
    st.builds(
        CapturedPiece,
        st.integers(-(10**7), 10**12).map(lambda t: BEGAN + t),
        st.text(min_size=1, max_size=8),
        st.sampled_from(["in", "out"]),
        st.binary(max_size=30),
    ),
    max_size=6,
)


def written(path, said, began=BEGAN):
    with path.open("w", encoding="ascii") as file:
        writer = CaptureWriter(file, began)
        for piece in said:
            writer.write(piece)
    return path


@given(said=pieces)
def test_what_is_kept_is_read_again(tmp_path_factory, said):
    path = written(tmp_path_factory.mktemp("capture") / "a.capture", said)
    assert list(read_capture(path)) == said


def test_a_last_line_cut_off_in_the_middle_is_left_out(tmp_path):
    said = [CapturedPiece(BEGAN + n, "pack", "in", bytes(20)) for n in range(3)]
    path = written(tmp_path / "a.capture", said)
    text = path.read_text("ascii")
    for cut in range(1, 62):
        path.write_text(text[:-cut], "ascii")
        kept = list(read_capture(path))
        assert kept[:2] == said[:2]
        assert len(kept) <= 3


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "first line"),
        ("t,pack_voltage\n0,51\n", "first line"),
        ("capture 1 began yesterday\n", "first line"),
        ("GOOD0.000000 pack in A5 5\n", "line 2"),
        ("GOOD# a note\n\n0.000000 pack up A5\n", "line 4"),
        ("GOODnow pack in A5\n", "line 2"),
        ("GOOD0.000000 pack\n", "line 2"),
        ("GOOD\x1b[2J pack in A5\n", "line 2"),
    ],
)
def test_what_is_no_capture_has_one_sentence(tmp_path, text, said):
    path = tmp_path / "bad.capture"
    path.write_text(text.replace("GOOD", "capture 1 began 2026-11-25T14:02:11.250000Z\n"), "ascii")
    with pytest.raises(InputError, match=said) as caught:
        list(read_capture(path))
    assert str(caught.value).isprintable()


def test_a_file_that_is_not_there_or_not_text(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        list(read_capture(tmp_path / "none"))
    (tmp_path / "raw").write_bytes(b"\xa5\x5a\xff" * 10)
    with pytest.raises(InputError, match="is not a capture"):
        list(read_capture(tmp_path / "raw"))


def checked(frame_map, *said):
    return list(check_capture(frame_map, [CapturedPiece(BEGAN + t, "pack", way, data) for t, way, data in said]))


def test_each_frame_is_told_with_what_was_read_and_from_where():
    request = PLAIN.requests[0].data
    lines = checked(PLAIN, (0, "out", request), (22_000, "in", b"\xa5" + STATE[:4]), (23_000, "in", STATE[4:]))
    assert lines == [
        "     0.000 s  request    A5 5A 01 00 00 20  (answer: state)",
        "     0.023 s  passed     1 byte of no good frame before",
        "     0.023 s  state      A5 5A 81 07 14 1B FE A1 03 20 00 93 42",
        "              pack_voltage         = 51.47 V         [bytes 4-5: 14 1B = 5147]",
        "              pack_current         = -35.1 A         [bytes 6-7: FE A1 = 65185]",
        "              soc_reported         = 80 %            [bytes 8-9: 03 20 = 800]",
        "              discharge_allowed    = 0               [byte 10, 1 bit from bit 0: 00 = 0]",
        "              charge_allowed       = 0               [byte 10, 1 bit from bit 1: 00 = 0]",
        "read: 1 state",
        "14 bytes came, 1 of them in no good frame; 1 requests sent",
    ]


def test_what_is_no_frame_and_why_comes_in_its_place():
    changed = bytearray(STATE)
    changed[5] ^= 1
    lines = checked(PLAIN, (0, "in", STATE + bytes(changed) + STATE), (9, "out", b"\x01\x02"))
    heads = [line[14:25].strip() for line in lines if line.startswith("  ") and line[10] == " " and line[11] == "s"]
    assert heads == ["state", "no frame", "passed", "state", "sent"]
    assert any("checksum (bytes 2 to 10 give" in line and "the frame says 93 42" in line for line in lines)


def test_an_impossible_reading_and_one_that_is_none_are_told():
    lines = checked(PLAIN, (0, "in", encode(PLAIN, "cells", {"cell_01_voltage": 60, "cell_03_voltage": 3.2})))
    assert any("cell_01_voltage      = 60 V (impossible, so unknown)" in line for line in lines)
    assert any("cell_02_voltage      = no reading      [bytes 7-8: FF FF = 65535]" in line for line in lines)
    assert not any("cell_04_voltage" in line for line in lines)


@pytest.mark.parametrize(("source", "read"), [(None, "read: 1 state"), ("pump", "read: none")])
def test_of_several_sources_one_is_looked_at(source, read):
    said = [CapturedPiece(BEGAN, "pack", "in", STATE), CapturedPiece(BEGAN + 1, "pump", "in", b"\x00\x01")]
    lines = list(check_capture(PLAIN, said, source))
    assert read in lines
    assert lines[-1].startswith("2 bytes came" if source else f"{len(STATE)} bytes came")


def test_a_good_frame_that_the_map_does_not_know_is_shown_as_not_read():
    frame = bytearray(STATE)
    frame[2] = 0x77
    PLAIN.envelope.checksum.put(frame)
    lines = checked(PLAIN, (0, "in", bytes(frame)))
    assert lines[0] == f"     0.000 s  not read   no message for it: {frame.hex(' ').upper()}"
    assert "not read: 1 no message for it" in lines


def test_what_is_no_frame_for_another_reason_than_its_checksum_says_which():
    lines = checked(PLAIN, (0, "in", b"\xa5\x5a\x81\xff" + bytes(300)))
    assert any("no frame" in line and "length" in line for line in lines), lines


def test_a_frame_too_short_for_its_checksum_and_many_wrong_ones_that_no_checksum_fits():
    text = 'byte_order = "big"\n'
    text += '[frame]\nlength = { byte = 0 }\nchecksum = { kind = "CRC-16/XMODEM", covers = [0, -3] }\nend = "0A"\n'
    frame_map, problems = read_frame_map(
        tomllib.loads(text + "[message.state]\n[message.state.fields]\nextra_a = { byte = 1 }\n")
    )
    assert problems == []
    noise = b"".join(bytes([6, n, 7 * n % 251, 11, n // 2, 10]) for n in range(11, 60))
    lines = checked(frame_map, (0, "in", b"\x02\x0a" + noise))
    assert any(line.endswith("checksum (the frame is too short for it): 02 0A") for line in lines), lines
    assert lines[-1] == (
        "no frame's checksum fits, and no other that is known here would; check length, start and end first"
    )


def test_an_empty_capture_says_so():
    assert checked(PLAIN) == ["the capture holds no bytes"]


def test_the_checksum_that_would_fit_is_found():
    text = PLAIN_PACK.read_text("utf-8").replace("CRC-16/MODBUS", "CRC-16/XMODEM")
    wrong, _ = read_frame_map(tomllib.loads(text))
    lines = checked(wrong, (0, "in", STATE), (1, "in", encode(PLAIN, "cells", {"cell_01_voltage": 3.2})))
    found = [line.strip() for line in lines if "CRC-16/MODBUS" in line]
    assert found == ['checksum = { kind = "CRC-16/MODBUS", covers = [2, -3], byte_order = "little" }  # 2 frames']
    # and as it is told, it does
    stated = found[0].partition("  #")[0]
    line = next(line for line in text.splitlines() if line.startswith("checksum"))
    right, problems = read_frame_map(tomllib.loads(text.replace(line, stated)))
    assert problems == []
    assert any("pack_voltage" in line for line in checked(right, (0, "in", STATE)))


@pytest.mark.parametrize("width", [8, 16])
@pytest.mark.parametrize(("kind", "complement"), [("sum", 0), ("ones-complement", 1), ("twos-complement", 2)])
def test_a_sum_is_found_and_told_by_its_kind(kind, complement, width):
    # By arithmetic: the sum of bytes; all bits of it turned round; and that plus one (two's complement).
    top = 1 << width
    frames = []
    for body in (b"\x10\x80\xff", b"\x22\x01\x07\xf3", b"\x10\xfe\xc0\xa0\x05"):
        total = sum(body) % top
        check = {0: total, 1: top - 1 - total, 2: (top - total) % top}[complement]
        frames.append(body + check.to_bytes(width // 8, "big"))
    stated = ChecksumPlace(CATALOGUE["CRC-16/XMODEM"].crc, -2, 0, -3, "big")
    order = ', byte_order = "big"' if width == 16 else ""
    wanted = f'{{ kind = "{kind}", width = {width}, covers = [0, {-width // 8 - 1}]{order} }}  # 3 frames'
    assert wanted in list(fitting_checksums(frames, stated, 0))


# Modbus RTU frames whose checksums pymodbus and crccheck agree on: found without being told.
def test_the_checksum_of_published_modbus_frames_is_found():
    frames = [bytes.fromhex(text) for text in ("110306022B00000064C8BA", "110402000AF8F4", "110306AE415652434049AD")]
    stated = ChecksumPlace(CATALOGUE["CRC-16/XMODEM"].crc, -2, 0, -3, "big")
    (found,) = fitting_checksums(frames, stated, 0)
    assert found == '{ kind = "CRC-16/MODBUS", covers = [0, -3], byte_order = "little" }  # 3 frames'


def test_the_page_shows_lines_as_they_are_written(tmp_path):
    page = (Path(__file__).parents[2] / "docs" / "frame-map.md").read_text("utf-8")
    path = tmp_path / "page.capture"
    path.write_text(page[page.index("capture 1 began") :].partition("```")[0], "ascii")
    lines = list(check_capture(PLAIN, read_capture(path)))
    shown = page[page.index("     0.000 s  request") :].partition("```")[0].splitlines()
    assert lines[: len(shown)] == shown
