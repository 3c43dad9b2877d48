from __future__ import annotations

import csv
import io
import json
import math
import sys
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decode.text_formats import MOST_CELLS
from drivers.decode.text_lines import LONGEST_LINE, LineCutter, TextDecoder, TextSettings
from telemetry.model.signals import find_signal

KNOWN = {"ms", "u", "i"}


def is_known(name):
    return name in KNOWN or find_signal(name) is not None


def decode(data: bytes, *cuts: int, **layout):
    """Rows and reasons for a stream, given in pieces cut at ``cuts``."""
    decoder = TextDecoder(TextSettings(**layout), is_known)
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    rows = [row for start, stop in pairwise(edges) for row in decoder.feed(data[start:stop])]
    return [(row.names, tuple(row.values)) for row in rows], dict(decoder.figures.bad)


def rows_of(data: bytes, **layout):
    return decode(data, **layout)[0]


def same(found, expected):
    """Equal, NaN counting as equal to NaN."""
    return str(found) == str(expected)


NAN = math.nan


class TestCutter:
    @pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
    def test_line_ends(self, end):
        assert LineCutter().feed(b"a" + end + b"" + end + b"b" + end + b"c") == [b"a", b"", b"b"]

    def test_carriage_return_and_line_feed_in_two_pieces_are_one_line_end(self):
        cutter = LineCutter()
        assert [*cutter.feed(b"a\r"), *cutter.feed(b""), *cutter.feed(b"\nb\r"), *cutter.feed(b"\n")] == [b"a", b"b"]

    @given(st.binary(max_size=60), st.lists(st.integers(0, 60), max_size=5))
    @settings(deadline=None, max_examples=100)
    def test_any_split_gives_the_lines_that_python_finds(self, data, cuts):
        # bytes.splitlines knows the same three line ends; what follows the last of them is a line not ended yet
        cutter = LineCutter()
        edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
        lines = [line for a, b in pairwise(edges) for line in cutter.feed(data[a:b])]
        whole = data.splitlines(keepends=True)
        assert lines == [line.rstrip(b"\r\n") for line in whole if line.endswith((b"\r", b"\n"))]

    @given(st.lists(st.integers(0, 20), max_size=8), st.integers(1, 40))
    @settings(deadline=None, max_examples=60)
    def test_lines_above_the_limit_are_left_out_however_they_arrive(self, lengths, step):
        data = b"".join(b"x" * length + b"\n" for length in lengths)
        cutter = LineCutter(longest=10)
        lines = [line for start in range(0, len(data), step) for line in cutter.feed(data[start : start + step])]
        assert [len(line) for line in lines] == [length for length in lengths if length <= 10]
        assert cutter.too_long == sum(length > 10 for length in lengths)

    def test_noise_without_line_ends_is_one_bad_line_and_is_not_kept(self):
        decoder = TextDecoder(TextSettings(), is_known)
        for _ in range(3000):
            decoder.feed(b"\xff" * 1000)
        assert sys.getsizeof(decoder._cutter._partial) <= 2 * LONGEST_LINE
        assert decoder.feed(b"\npack_voltage,ms\n5,1\n") == [(("pack_voltage", "ms"), [5.0, 1.0])]
        assert decoder.figures.bad == {"line too long": 1}


class TestDelimited:
    def test_header_then_rows(self):
        assert rows_of(b"u,i\n1.5,-2\n3,4e1\n") == [(("u", "i"), (1.5, -2.0)), (("u", "i"), (3.0, 40.0))]

    @pytest.mark.parametrize("delimiter", [",", ";", "\t"])
    def test_delimiter_is_told_from_the_header(self, delimiter):
        data = "u,i,extra thing\n1,2,3\n".replace(",", delimiter).encode()
        assert rows_of(data) == [(("u", "i", "extra thing"), (1.0, 2.0, 3.0))]

    def test_a_decimal_comma_is_understood_where_the_comma_does_not_part_cells(self):
        assert rows_of(b"u;i\n52,31;-1,5\n") == [(("u", "i"), (52.31, -1.5))]

    def test_lines_before_the_header_are_skipped_and_counted(self):
        rows, bad = decode(b"3,4\n1,2\nboard ready\nu,i\n1,2\n")
        assert rows == [(("u", "i"), (1.0, 2.0))]
        assert bad == {"joined in the middle": 1, "before a header": 2}

    def test_a_header_cut_by_joining_is_not_taken_for_one(self):
        rows, _ = decode(b"k_voltage,i\n9,9\nu,i\n1,2\n")
        assert rows == [(("u", "i"), (1.0, 2.0))]

    def test_repeated_headers_are_no_rows(self):
        rows, bad = decode(b"u,i\n1,2\nu,i\n3,4\nu,i\n")
        assert [values for _, values in rows] == [(1.0, 2.0), (3.0, 4.0)]
        assert bad == {}

    def test_a_new_header_takes_effect_with_its_first_row(self):
        rows, bad = decode(b"u,i\n1,2\nu,i,lux\n1,2,3\nu\n4\n")
        assert rows == [(("u", "i"), (1.0, 2.0)), (("u", "i", "lux"), (1.0, 2.0, 3.0)), (("u",), (4.0,))]
        assert bad == {}

    def test_columns_in_another_order_are_followed_at_once(self):
        assert rows_of(b"u,i\n1,2\ni,u\n3,4\n")[1] == (("i", "u"), (3.0, 4.0))

    def test_two_lines_run_together_do_not_displace_the_header(self):
        rows, bad = decode(b"u,i,ms\n1,2,3\nu,i,mu,i,ms\n4,5,6\n5,74,5,6\n7,8,9\n")
        assert [values for _, values in rows] == [(1.0, 2.0, 3.0), (4.0, 5.0, 6.0), (7.0, 8.0, 9.0)]
        assert bad == {"does not fit the columns": 2}

    def test_a_header_may_stand_in_a_comment(self):
        rows, bad = decode(b"# ms,u\n# calibrated in spring\n1,2\n")
        assert rows == [(("ms", "u"), (1.0, 2.0))]
        assert bad == {"comment": 1}

    def test_empty_cells_are_unknown_and_text_is_unknown_and_counted(self):
        rows, bad = decode(b"u,i,state\n,2,\n1,,idle\n1_0,2,on\n")
        expected = [(NAN, 2.0, NAN), (1.0, NAN, NAN), (NAN, 2.0, 1.0)]
        assert same([values for _, values in rows], expected)
        assert bad == {"not a number": 2}

    def test_a_trailing_delimiter_is_harmless(self):
        assert rows_of(b"u,i,\n1,2,\n3,4\n") == [(("u", "i"), (1.0, 2.0)), (("u", "i"), (3.0, 4.0))]

    def test_fixed_columns(self):
        rows, bad = decode(b"1,2\n3,4\n3 4\n3;4\n3,4,5\nu,i\n", columns_in_order=("u", "i"))
        assert [values for _, values in rows] == [(3.0, 4.0)] * 3
        assert bad == {"joined in the middle": 1, "does not fit the columns": 2}

    def test_noise_bytes_spoil_their_line_only(self):
        rows, bad = decode(b"u,i\n1,2\n\x00\x17\xff1,2\n1,\xff\n3,4\n")
        assert same([values for _, values in rows], [(1.0, 2.0), (1.0, NAN), (3.0, 4.0)])
        assert bad == {"not text": 1, "not a number": 1}

    @given(st.lists(st.lists(st.floats(allow_nan=False), min_size=3, max_size=3), max_size=5), st.booleans())
    @settings(deadline=None, max_examples=60)
    def test_what_the_csv_module_writes_is_read_back(self, rows, quoted):
        # outside check: Python's csv module, RFC 4180
        text = io.StringIO()
        writer = csv.writer(text, quoting=csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL)
        writer.writerow(["u", "i", "a, b"])
        writer.writerows(rows)
        assert [list(values) for _, values in rows_of(text.getvalue().encode())] == rows


class TestPairs:
    @pytest.mark.parametrize("text", ["u=1 i=-2.5", "u=1,i=-2.5", "u=1; i=-2.5", "u = 1, i = -2.5", "u:1\ti:-2.5"])
    def test_anything_parts_the_pairs(self, text):
        for layout in ({}, {"format": "key=value"}):
            assert rows_of(f"x\n{text}\n".encode(), **layout) == [(("u", "i"), (1.0, -2.5))]

    def test_an_unknown_name_is_passed_on_from_its_second_sighting(self):
        rows, bad = decode(b"\nu=1 lux=5\nu=2 lux=6\nu=3 lyx=7\n")
        assert rows == [(("u",), (1.0,)), (("u", "lux"), (2.0, 6.0)), (("u",), (3.0,))]
        assert bad == {"name seen for the first time": 2}

    def test_noise_cannot_invent_columns_without_end(self):
        decoder = TextDecoder(TextSettings(), is_known)
        names = set()
        for n in range(3000):
            for row in decoder.feed(f"\nn{n}=1\nn{n}=2\n".encode()):
                names.update(row.names)
        assert len(names) <= 256

    def test_rows_of_more_shapes_than_are_kept_are_read_whole(self):
        names = [f"cell_{n:02d}_voltage" for n in range(1, 10)]
        shapes = [tuple(name for bit, name in enumerate(names) if number >> bit & 1) for number in range(1, 300)]
        lines = [" ".join(f"{name}={n}" for n, name in enumerate(shape)) for shape in shapes]
        rows, bad = decode("\n".join(["x", *lines, *lines, ""]).encode(), format="key=value")
        assert rows == [(shape, tuple(map(float, range(len(shape))))) for shape in shapes] * 2
        assert bad == {"joined in the middle": 1}

    def test_lines_run_together_give_nothing_wrong(self):
        rows, bad = decode(b"\nu=1 i=2\nu=1 i=u=3 i=4\nu=5V i=6\n", format="key=value")
        assert same(rows, [(("u", "i"), (1.0, 2.0)), (("u", "i"), (NAN, 6.0))])
        assert bad == {"a name twice in one line": 1, "not a number": 1}


class TestJson:
    def test_inner_objects_and_arrays(self):
        line = b'{"pack": {"u": 6.6, "on": true}, "cells": [3.3, null], "id": "7", "note": "x"}\n'
        names = ("pack.u", "pack.on", "cells.1", "id")  # the others are not known and never held a number
        assert same(rows_of(line * 2), [(names, (6.6, 1.0, 3.3, 7.0))])

    @pytest.mark.parametrize("text", ["[1]", "{", '{"u":1}}', "{" * 5000, '{"a":' * 900 + "1" + "}" * 900, "7"])
    def test_what_is_no_object_is_counted(self, text):
        rows, bad = decode(f"\n{text}\n".encode(), format="json")
        assert rows == []
        assert sum(bad.values()) == 1

    @given(st.lists(st.dictionaries(st.sampled_from(sorted(KNOWN)), st.floats() | st.integers(-(2**70), 2**70))))
    @settings(deadline=None, max_examples=60)
    def test_what_the_json_module_writes_is_read_back(self, objects):
        # outside check: Python's json module, RFC 8259
        data = "".join(json.dumps(thing) + "\n" for thing in objects).encode()
        expected = [(tuple(thing), tuple(map(float, thing.values()))) for thing in objects if thing]
        assert same(rows_of(data), expected)

    def test_more_values_than_a_row_may_have_are_refused_and_as_many_as_it_may_are_not(self):
        for more, bad in ((0, {}), (1, {"too many values": 1})):
            thing = {f"extra_{number}": 1 for number in range(MOST_CELLS + more)}
            rows, said = decode(b'{"u": 1}\n' + json.dumps(thing).encode() + b"\n")
            assert [len(names) for names, _ in rows] == [1, MOST_CELLS][: 2 - more]
            assert said == bad

    def test_a_number_too_large_is_unknown(self):
        assert same(rows_of(b'{"u": 1' + b"0" * 400 + b', "i": 2}\n'), [(("u", "i"), (NAN, 2.0))])


class TestRecords:
    def test_a_line_marks_a_record(self):
        rows, bad = decode(b"u 9\ni 9\nBEGIN\nu 1\ni: 2\nBEGIN\nu=3\ni\t4\nBEGIN\n", record_mark="BEGIN")
        assert rows == [(("u", "i"), (1.0, 2.0)), (("u", "i"), (3.0, 4.0))]
        assert bad == {"joined in the middle": 1, "before a record mark": 1}

    def test_a_name_marks_a_record_and_is_a_value_of_it(self):
        rows, _ = decode(b"\nu\t1\r\ni\t2\r\nu\t3\r\ni\t4\r\nu\t5\r\n", record_mark="u")
        assert rows == [(("u", "i"), (1.0, 2.0)), (("u", "i"), (3.0, 4.0))]

    def test_blank_lines_part_records(self):
        rows, _ = decode(b"i 2\n\nu 1\ni 2\n\n\nu 3\n\n", record_mark="")
        assert rows == [(("u", "i"), (1.0, 2.0)), (("u",), (3.0,))]

    def test_a_record_of_known_shape_is_given_with_its_last_line(self):
        decoder = TextDecoder(TextSettings(record_mark="B"), is_known)
        decoder.feed(b"\nB\nu 1\ni 2\nB\nu 3\n")
        assert [tuple(row.values) for row in decoder.feed(b"i 4\n")] == [(3.0, 4.0)]
        assert decoder.feed(b"ms 5\n") == []
        assert [row.names for row in decoder.feed(b"B\n")] == [("ms",)]

    def test_the_first_line_of_pairs_may_be_the_rest_of_one(self):
        rows, bad = decode(b"u=1 i=2\nu=3 i=4\n", format="key=value")
        assert rows == [(("u", "i"), (3.0, 4.0))]
        assert bad == {"joined in the middle": 1}

    def test_a_blank_line_outside_a_record_is_nothing_and_one_inside_ends_none(self):
        rows, bad = decode(b"x\n\n  \nB\nu 1\n\ni 2\nB\n", record_mark="B")
        assert rows == [(("u", "i"), (1.0, 2.0))]
        assert bad == {"joined in the middle": 1}

    def test_a_delimiter_of_the_owners_parts_name_and_value(self):
        rows, bad = decode(b"x\nB\nu|1\n|2\nms| 3 \nu|4\nB\n", record_mark="B", delimiter="|")
        assert rows == [(("u", "ms"), (1.0, 3.0))]
        assert bad["not a name and a value"] == 1
        assert bad["a name twice in one record"] == 1

    def test_lost_bytes_give_up_the_record(self):
        decoder = TextDecoder(TextSettings(record_mark="B"), is_known)
        decoder.feed(b"\nB\nu 1\n")
        decoder.restart()
        assert decoder.feed(b"7\ni 2\nB\nu 3\n") == []
        assert [tuple(row.values) for row in decoder.feed(b"B\n")] == [(3.0,)]


LINES = st.sampled_from(
    [
        "u,i",
        "1,2",
        "3,,",
        "u;i;ms",
        "4;5;6",
        "u=1 i=2",
        "lux=4",
        '{"u": 1}',
        '{"u": {"x": 2}}',
        "",
        "BEGIN",
        "u 5",
        "# ms,u",
        "text",
        "\x00",
        "ü=5",
        "7,8,9",
        "on,off",
    ]
)
LAYOUTS = st.sampled_from(
    [
        {},
        {"format": "csv"},
        {"columns_in_order": ("u", "i")},
        {"format": "key=value"},
        {"format": "json"},
        {"record_mark": "BEGIN"},
        {"record_mark": ""},
        {"record_mark": "u"},
    ]
)


@given(
    st.lists(st.tuples(LINES, st.sampled_from(["\n", "\r\n", "\r"])), max_size=14),
    LAYOUTS,
    st.lists(st.integers(0, 300), max_size=6),
)
@settings(deadline=None, max_examples=200)
def test_any_split_into_pieces_gives_the_same_rows(lines, layout, cuts):
    data = "".join(text + end for text, end in lines).encode()
    assert same(decode(data, *cuts, **layout), decode(data, **layout))


@given(st.binary(max_size=200), LAYOUTS)
@settings(deadline=None, max_examples=150)
def test_no_noise_is_fatal_and_good_lines_after_it_are_read(noise, layout):
    good = b"\nBEGIN\n" if "record_mark" in layout else b"\n"
    decoder = TextDecoder(TextSettings(**layout), is_known)
    decoder.feed(noise)
    decoder.feed(good)
    assert decoder.figures.bytes == len(noise) + len(good)
