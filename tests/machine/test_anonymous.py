"""A machine file without the owner's words: what is left is a machine file still, and says nothing of him."""

from __future__ import annotations

import tomllib

from telemetry.machine.anonymous import anonymous_machine

OWNERS = """
# built by Anna in the barn at the mill
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100
name = "Anna's second pack"
bought_from = "the mill"

[machine]
name = "Anna's mower"
regenerates = true

[instruments]
current_checks = [[2026-05-01, 20.0, 20.4]]

[limits.cell-spread]
warn = 0.08

[[source]]
driver = "serial-text"
name = "Anna's logger"
port = "/dev/ttyUSB7"
baud_rate = 9600

[[source]]
driver = "annas-own-driver"
port = "COM4"
"""


def test_numbers_switches_and_dates_stay_and_no_word_of_the_owners_does() -> None:
    text = anonymous_machine(OWNERS, {"Anna's logger": "source 1"}, frozenset({"serial-text"}))
    tables = tomllib.loads(text)
    assert tables["pack"] == {"chemistry": "lfp", "cells_in_series": 16, "capacity_ah": 100, "name": "machine"}
    assert tables["machine"]["regenerates"] is True
    assert tables["instruments"] == tomllib.loads(OWNERS)["instruments"]
    assert tables["limits"] == {"cell-spread": {"warn": 0.08}}
    assert [source.get("driver") for source in tables["source"]] == ["serial-text", None]
    assert [source["name"] for source in tables["source"]] == ["source 1", "source"]
    for word in ("Anna", "mill", "barn", "ttyUSB7", "COM4", "annas"):
        assert word not in text


def test_what_is_no_machine_file_leaves_nothing() -> None:
    assert anonymous_machine("[pack\nAnna", {}, frozenset()) == ""


def test_a_broker_stays_out() -> None:
    text = '[pack]\ncapacity_ah = 100\n[[publish]]\nbroker = "farm.example"\nusername = "ann"\nevery_s = 2\n'
    assert anonymous_machine(text, {}, frozenset()) == "[pack]\ncapacity_ah = 100\n"
