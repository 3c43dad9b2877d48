"""Sentences of a satellite receiver, against the NMEA 0183 standard.

The worked sentences are published examples of the standard's sentences; their values were worked out by pynmea2,
and here again by hand from degrees and minutes. 1 knot = 1.852 km/h: SI brochure, table 8.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, time
from functools import reduce

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decode.position_sentences import QUIET_US, SIGNALS, PositionSentences, read_sentence
from drivers.links.pump import Piece
from drivers.simulated.position_peer import sentences, with_checksum

RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
VTG = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
SOUTH = "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D"


def rows_of(data, size=None, source="receiver"):
    """The rows of a stream, cut into pieces of ``size``, each arriving a millisecond after the last."""
    reader = PositionSentences(source, "position")
    size = size or max(1, len(data))
    batches = [reader.feed([Piece(1000 * at, data[at : at + size])]) for at in range(0, len(data), size)]
    batches.append(reader.finish())
    rows = [dict(zip(SIGNALS, row, strict=True)) for b in batches if b is not None for row in b.values.tolist()]
    return rows, reader.figures


def line(*texts):
    return b"".join(f"{text}\r\n".encode() for text in texts)


def sentence(body):
    return with_checksum(body).decode().strip()


def test_the_worked_recommended_minimum_sentence():
    fix = read_sentence(RMC)
    assert (fix.kind, fix.has_fix, fix.instant) == ("RMC", True, time(12, 35, 19, tzinfo=UTC))
    assert fix.values["latitude"] == pytest.approx(48 + 7.038 / 60, abs=1e-9) == pytest.approx(48.1173, abs=1e-6)
    assert fix.values["longitude"] == pytest.approx(11 + 31 / 60, abs=1e-9)
    assert fix.values["vehicle_speed"] == pytest.approx(41.485, abs=0.0005)
    assert fix.values["vehicle_speed"] / 3.6 == pytest.approx(11.5236, abs=0.0001)
    assert fix.values["extra_course"] == 84.4
    assert fix.values["extra_device_time"] == datetime(1994, 3, 23, 12, 35, 19, tzinfo=UTC).timestamp()


def test_the_worked_fix_data_sentence():
    fix = read_sentence(GGA)
    assert (fix.kind, fix.has_fix) == ("GGA", True)
    assert (fix.values["extra_fix_quality"], fix.values["extra_satellites"]) == (1, 8)
    assert fix.values["extra_altitude"] == 545.4
    assert fix.values["extra_dilution_of_precision"] == 0.9


def test_the_worked_speed_sentence():
    fix = read_sentence(VTG)
    assert fix.values == {"extra_course": 54.7, "vehicle_speed": 10.2}
    assert fix.has_fix
    assert fix.instant is None


def test_the_worked_sentence_south_of_the_equator():
    fix = read_sentence(SOUTH)
    assert fix.values["latitude"] == pytest.approx(-19.484083, abs=1e-6)
    assert fix.values["longitude"] == pytest.approx(24.1751, abs=1e-6)
    assert fix.instant == time(18, 43, 53, 70_000, tzinfo=UTC)


def test_the_sentences_of_one_instant_are_one_row_and_the_finer_speed_goes_first():
    [row], figures = rows_of(line(RMC, GGA, VTG))
    assert row["vehicle_speed"] == pytest.approx(41.4848)
    assert (row["extra_fix_quality"], row["extra_satellites"]) == (1, 8)
    assert (figures.sentences, figures.rows, figures.rows_without_fix) == (3, 1, 0)


@pytest.mark.parametrize(
    "texts",
    [
        [RMC.replace(",A,", ",V,")[:-2] + "7D"],
        [sentence("GPGGA,123519,4807.038,N,01131.000,E,0,00,,,M,,M,,")],
        [sentence("GPGGA,123519,4807.038,N,01131.000,E,6,00,,,M,,M,,")],
        [sentence("GNRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,,,E")],
        [sentence("GPGLL,4916.45,N,12311.12,W,225444,V")],
        [sentence("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K,N")],
        # One sentence of the instant says so, and that holds for all of it.
        [RMC, sentence("GPGGA,123519,4807.038,N,01131.000,E,0,00,,,M,,M,,"), VTG],
    ],
)
def test_without_a_measured_fix_position_and_speed_are_unknown_and_not_the_last_ones(texts):
    before = [sentence("GPRMC,123518,A,4807.038,N,01131.000,E,022.4,084.4,230394,,"), VTG]
    rows, figures = rows_of(line(*before, *texts))
    assert rows[0]["latitude"] == pytest.approx(48.1173)
    assert figures.rows_without_fix == 1
    for signal in ("latitude", "longitude", "vehicle_speed"):
        assert math.isnan(rows[-1][signal])


def test_the_status_letter_v_in_the_worked_sentence_has_its_own_checksum():
    body = RMC[1:-3].replace(",A,", ",V,")
    checksum = reduce(lambda a, b: a ^ b, body.encode())
    assert f"${body}*{checksum:02X}" == RMC.replace(",A,", ",V,")[:-2] + "7D"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (RMC[:-1] + "B", "checksum missing or wrong"),
        (RMC[:-3], "checksum missing or wrong"),
        ("$", "not a sentence"),
        (sentence("GPRMC,123519,A,9107.038,N,01131.000,E,022.4,084.4,230394,,"), "position out of range"),
        (sentence("GPRMC,123519,A,4807.038,Q,01131.000,E,022.4,084.4,230394,,"), "position out of range"),
        (sentence("GPRMC,123519,A,48o7.038,N,01131.000,E,022.4,084.4,230394,,"), "position out of range"),
    ],
)
def test_a_bad_sentence_is_counted_by_its_reason_and_gives_nothing(text, reason):
    with pytest.raises(ValueError, match=reason):
        read_sentence(text)
    rows, figures = rows_of(line(text, GGA))
    assert len(rows) == 1
    assert figures.bad == {reason: 1}


def test_what_is_no_sentence_is_counted_and_blank_lines_are_nothing():
    rows, figures = rows_of(b"\r\n  \r\nhello\r\n" + line(GGA) + b"$GPGGA,\xff*00\r\n")
    assert len(rows) == 1
    assert figures.bad == {"not a sentence": 1, "not text": 1}


def test_a_line_that_never_ends_is_counted_and_the_next_is_read():
    rows, figures = rows_of(b"x" * 5000 + b"\r\n" + line(GGA), 400)
    assert len(rows) == 1
    assert figures.bad == {"line too long": 1}


def test_what_bytes_were_lost_from_is_not_joined_to_what_follows():
    reader = PositionSentences("receiver", "position")
    half, rest = RMC[:30].encode(), line(GGA)
    assert reader.feed([Piece(0, half), Piece(1000, rest, lost_before=2)]) is None
    assert reader.finish().column("extra_satellites").tolist() == [8]
    assert reader.figures.bad == {}
    assert PositionSentences("receiver", "position").finish() is None, "nothing held, no row"


def test_an_empty_position_is_unknown_and_not_nought():
    fix = read_sentence(sentence("GPRMC,123519,A,,,,,022.4,084.4,230394,,"))
    assert "latitude" not in fix.values
    assert "longitude" not in fix.values


def test_other_sentences_are_passed_over():
    others = [sentence("GPGSV,1,1,01,21,,,42"), sentence("GPXYZ,1"), sentence("GPGGQ,GGA")]
    rows, figures = rows_of(line(*others, GGA))
    assert len(rows) == 1
    assert (figures.other, figures.bad) == (3, {})


def test_a_sentence_begun_in_the_middle_of_another_is_read():
    rows, figures = rows_of(RMC[:30].encode() + b"\xff\x00" + line(GGA))
    assert rows[0]["latitude"] == pytest.approx(48.1173)
    assert figures.bad == {"noise before a sentence": 1}


def test_a_row_is_given_out_when_the_line_falls_quiet_or_the_next_instant_begins():
    reader = PositionSentences("receiver", "position")
    first, second = (b"".join(sentences(t, (46.5, 7.25), 12.0, 90.0, True)) for t in (0, 1_000_000))
    assert reader.wake is None
    assert reader.feed([Piece(5_000, first[:90])]) is None
    assert reader.wake == 5_000 + QUIET_US
    assert reader.feed([Piece(60_000, first[90:])]) is None
    assert reader.quiet(60_000 + QUIET_US - 1) is None
    assert reader.quiet(60_000 + QUIET_US).t.tolist() == [60_000 + QUIET_US]
    assert reader.wake is None
    assert reader.quiet(900_000) is None
    # A line so full that it is never quiet.
    assert reader.feed([Piece(1_000_000, first)]) is None
    assert reader.feed([Piece(1_050_000, second)]).t.tolist() == [1_050_000]


def test_a_sentence_that_is_held_up_makes_a_row_of_its_own_and_nothing_is_lost():
    reader = PositionSentences("receiver", "position")
    reader.feed([Piece(0, line(RMC))])
    assert reader.quiet(QUIET_US).column("latitude")[0] == pytest.approx(48.1173)
    reader.feed([Piece(QUIET_US + 1, line(GGA))])
    assert reader.quiet(3 * QUIET_US).column("extra_satellites").tolist() == [8]


@settings(max_examples=60)
@given(st.integers(1, 400))
def test_however_the_stream_is_cut_the_rows_are_the_same(size):
    data = b"".join(
        b"".join(sentences(tenth * 100_000, (46.5 + tenth / 1e4, -7.25), tenth, 10.0 * tenth, tenth % 4 != 0))
        for tenth in range(12)
    )
    whole, cut = rows_of(data)[0], rows_of(data, size)[0]
    assert repr(cut) == repr(whole)
    assert len(whole) == 12


@settings(max_examples=100)
@given(st.floats(-89.99, 89.99), st.floats(-179.99, 179.99), st.floats(0, 200), st.integers(0, 2**51))
def test_what_the_peer_prints_pynmea2_and_we_read_alike(latitude, longitude, speed, t):
    texts = [text.decode() for text in sentences(t, (latitude, longitude), speed, 12.0, True)]
    ours = [read_sentence(text.strip()) for text in texts]
    for text, fix in zip(texts[:2], ours[:2], strict=True):
        theirs = pynmea2.parse(text.strip(), check=True)
        assert fix.values["latitude"] == pytest.approx(theirs.latitude, abs=1e-12)
        assert fix.values["longitude"] == pytest.approx(theirs.longitude, abs=1e-12)
        # Within half a step: the fifth decimal of a minute.
        assert fix.values["latitude"] == pytest.approx(latitude, abs=0.5e-5 / 60 + 1e-12)
        assert fix.values["longitude"] == pytest.approx(longitude, abs=0.5e-5 / 60 + 1e-12)
    assert ours[0].values["vehicle_speed"] == pytest.approx(speed, abs=0.0005 * 1.852 + 1e-9)
    assert ours[2].values["vehicle_speed"] == pytest.approx(speed, abs=0.0005 + 1e-9)


@settings(max_examples=200)
@given(
    st.sampled_from(["GPRMC,", "GPGGA,", "GPVTG,", "GPGLL,", "P", ""]),
    st.text("0123456789.,ANSEWVKMTQPG*-", max_size=60),
)
def test_no_sentence_with_a_good_checksum_raises_anything_but_a_reason(head, rest):
    text = sentence(head + rest)
    try:
        fix = read_sentence(text)
    except ValueError:
        return
    if fix is not None:
        assert all(math.isfinite(value) for value in fix.values.values())
        assert abs(fix.values.get("latitude", 0)) <= 90


@settings(max_examples=60)
@given(st.binary(max_size=300))
def test_noise_between_sentences_loses_no_good_sentence(noise):
    _, figures = rows_of(line(RMC, GGA) + noise.replace(b"$", b"") + line(VTG))
    assert figures.sentences == 3


def test_a_number_of_any_length_is_read_or_passed_over():
    # pynmea2 makes an integer of it, which no float can hold
    body = "GNGGA,092725.00,4717.11,N,00833.91,E," + 400 * "9" + ",08,1.01,499.6,M,48,M,,"
    fix = read_sentence(with_checksum(body).decode().strip())
    assert fix is not None
    assert "extra_fix_quality" not in fix.values
