"""What is entered by hand comes back as it was entered."""

from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from telemetry.model.errors import StoreError
from telemetry.store.ledger import Ledger, LedgerEntry
from telemetry.store.reader import StoreReader

START = 1_700_000_000_000_000
VOLTS = LedgerEntry(START + 5, "first-power pack voltage", 51.2, "V", "meter")
SKIPPED = LedgerEntry(START + 9, "first-power insulation", math.nan, "ohm", "skipped")


def test_entries_come_back_in_their_order_and_a_session_ends_with_its_last(store: Path) -> None:
    with Ledger.open(store) as ledger:
        assert ledger.latest("cart") is None
        first = ledger.begin("cart", "[pack]", START)
        assert ledger.latest("cart") is None, "one without an entry is none"
        for entry in (VOLTS, SKIPPED):
            ledger.add(first, entry)
        second = ledger.begin("cart", "[pack] # later", START + 100)
        ledger.add(second, VOLTS)
        ledger.begin("mower", "", START)
        found = ledger.entries(first)
        assert found[0] == VOLTS
        assert found[1].method == "skipped"
        assert math.isnan(found[1].amount)
        assert [ledger.latest(name) for name in ("cart", "mower", "kart")] == [second, None, None]
        assert [ledger.machine_text(number) for number in (first, second)] == ["[pack]", "[pack] # later"]
    with StoreReader.open(store) as reader:
        one, two, three = reader.sessions()
    assert [each.origin for each in (one, two, three)] == ["bench"] * 3
    assert (one.started, one.ended, one.ended_how) == (START, START + 9, "normal")
    assert two.ended == START + 100, "an entry dated before its session ends it no sooner"


def test_a_store_that_fails_is_one_sentence(store: Path) -> None:
    with Ledger.open(store) as ledger:
        session = ledger.begin("cart", "", START)
        with closing(sqlite3.connect(store)) as other:
            other.execute("DROP TABLE ledger")
        for ask in (
            lambda: ledger.add(session, VOLTS),
            lambda: ledger.entries(session),
            lambda: ledger.latest("cart"),
        ):
            with pytest.raises(StoreError, match=f"the store {store} failed .*no such table"):
                ask()
