"""What the user reads is one line that cannot steer a terminal, whatever came over the air or out of a file."""

from __future__ import annotations

import inspect
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.model import errors
from telemetry.model.errors import (
    InputError,
    LinkError,
    MachineFileError,
    Problem,
    RecordingError,
    ShakedownError,
    StoreError,
    did_you_mean,
    nearest,
    printable,
)

# Unicode general categories: Cc control, Cf format (bidirectional controls, zero width), Cs surrogate, Zl and Zp
# line and paragraph separators. The Unicode Standard, chapter 4.
STEERING = {"Cc", "Cf", "Cs", "Zl", "Zp"}
# Drawn as nothing though their category is letter or mark: from Default_Ignorable_Code_Point in the Unicode Character
# Database's DerivedCoreProperties.txt.
DRAWN_AS_NOTHING = {"Hangul filler": "\u3164", "grapheme joiner": "\u034f", "variation selector": "\U000e0100"}

HOSTILE = {
    # ECMA-48 control sequences, as any terminal obeys them
    "clear the screen": "\x1b[2J\x1b[H",
    "one-byte control sequence introducer": "\x9b31m",
    "set the window's title": "\x1b]0;mine\x07",
    "bell": "\x07",
    "overwrite by carriage return": "safe\rdanger",
    "a second line": "one\ntwo",
    "backspaces": "12\x08\x08",
    "null": "a\x00b",
    "delete": "a\x7fb",
    "next line": "a\x85b",
    "line separator": "a\u2028b",
    # Unicode Standard Annex 9
    "right-to-left override": "mow\u202egpj.vsc",
    "isolate": "a\u2066b\u2069",
    "zero width space": "a\u200bb",
    "byte order mark": "\ufeffa",
    "lone surrogate": "a\udc9bb",
}

ALL_ERRORS = [e for _, e in inspect.getmembers(errors, inspect.isclass) if issubclass(e, ShakedownError)]
any_text = st.text(st.characters(), max_size=120)


def steers(text: str) -> bool:
    return any(unicodedata.category(c) in STEERING for c in text)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_hostile_text_is_shown_and_obeyed_by_nothing(text):
    assert steers(text)
    assert not steers(printable(text))
    assert len(printable(text)) > 0


@pytest.mark.parametrize("hidden", DRAWN_AS_NOTHING.values(), ids=DRAWN_AS_NOTHING)
def test_two_names_that_differ_look_different(hidden):
    assert hidden.isprintable()
    assert printable(f"mower{hidden}.toml") == f"mower{hidden.encode('unicode_escape').decode()}.toml"


def test_an_escape_is_shown_as_what_it_is():
    assert printable("\x1b[2Jmow\n") == r"\x1b[2Jmow\n"
    assert printable("a\u202eb") == r"a\u202eb"


@pytest.mark.parametrize("text", ["mow.csv", "Größe 12 µV", "日本", "−4 °C … 20 %", "🚜", ""])
def test_plain_text_of_any_script_stays_as_it_is(text):
    assert printable(text) == text


@given(any_text, st.integers(1, 100))
def test_whatever_comes_the_result_is_printable_and_short(text, limit):
    line = printable(text, limit)
    assert line.isprintable()
    assert not steers(line)
    assert len(line) <= limit
    assert len(line.splitlines()) <= 1


@given(any_text)
def test_making_it_harmless_twice_changes_nothing_more(text):
    once = printable(text, 10_000)
    assert printable(once, 10_000) == once


def test_a_cut_is_shown():
    assert printable("a" * 61) == "a" * 59 + "…"
    assert printable("a" * 60) == "a" * 60


def test_any_object_can_be_shown():
    assert printable(12.5) == "12.5"
    assert printable(None) == "None"


@pytest.mark.parametrize("kind", [e for e in ALL_ERRORS if e is not MachineFileError], ids=lambda e: e.__name__)
@given(text=any_text)
def test_the_sentence_of_an_error_is_one_harmless_line(kind, text):
    assert str(kind(text)).isprintable()


@given(any_text, any_text, any_text)
def test_the_problems_of_a_machine_file_are_harmless_and_a_line_each(where, what, right):
    error = MachineFileError("mower\x1b[2J.toml", [Problem(where, what, right), Problem("a", "b", "c")])
    lines = str(error).split("\n")
    assert len(lines) == 3
    assert all(line.isprintable() for line in lines)
    assert lines[0] == r"mower\x1b[2J.toml has 2 problems:"
    assert lines[2] == "  a: b; c"


def test_one_problem_is_one_problem():
    assert str(MachineFileError("mower.toml", [Problem("pack", "no chemistry", "state it")])) == (
        "mower.toml has 1 problem:\n  pack: no chemistry; state it"
    )


def test_exit_statuses_follow_the_tree():
    assert {e.__name__: e.exit_status for e in ALL_ERRORS} == {
        "ShakedownError": 3,
        "InputError": 2,
        "MachineFileError": 2,
        "RecordingError": 2,
        "NothingReadable": 2,
        "LinkError": 3,
        "LinkUnavailable": 3,
        "LinkLost": 3,
        "LinkSilent": 3,
        "StoreError": 3,
    }
    assert issubclass(RecordingError, InputError)
    assert not issubclass(StoreError, (InputError, LinkError))


def test_every_error_is_drawn_in_the_tree_and_says_when_it_comes():
    for kind in ALL_ERRORS:
        assert kind.__name__ in errors.__doc__
        assert kind.__doc__


def test_near_names_are_proposed_best_first_and_far_ones_not_at_all():
    known = ["pack_voltage", "pack_current", "motor_current"]
    assert nearest("pack_curent", known)[0] == "pack_current"
    assert nearest("xyz", known) == []
    assert did_you_mean("pack_curent", known).startswith("; did you mean pack_current")
    assert did_you_mean("xyz", known) == ""
