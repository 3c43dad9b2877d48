"""A drive judged beside the machine's earlier ones, from the store."""

from __future__ import annotations

import json

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.model.batch import Batch, Group, Span
from telemetry.runs.earlier_drives import motion_resistances
from telemetry.store.writer import StoreWriter
from tests.reference.other_drives import SIGNALS, other_drive

START = 1_780_000_000_000_000


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Three drives of one machine, one of another, one only imported; then one to judge."""
    path = tmp_path_factory.mktemp("drives") / "sessions.sqlite3"
    table = other_drive("healthy", 7, 120.0).table
    with StoreWriter.open(path) as writer:
        machines = ["cart", "cart", "kart", "cart", "cart", "cart"]
        origins = ["live", "live", "live", "import", "live", "live"]
        for place, (machine, origin) in enumerate(zip(machines, origins, strict=True)):
            begun = START + place * 3_600_000_000
            t = begun + np.arange(len(table)) * 50_000
            writer.begin_session(machine, None, origin, "absolute", begun, begun)
            writer.offer(Span(int(t[-1]), (Batch(Group("link", "drive", SIGNALS), t, table.copy()),)))
            writer.end_session(int(t[-1]))
    return path


def test_the_latest_drives_of_the_same_machine_count(store):
    assert len(motion_resistances(store, 6)) == 3
    assert len(motion_resistances(store, 5)) == 2
    assert motion_resistances(store, 1) == ()
    assert motion_resistances(store, 3) == ()


def test_the_letter_gives_them(store, capsys):
    main(["isolate", "6", "--store", str(store), "--json"])
    told = json.loads(capsys.readouterr().out)
    drag = next(each for each in told["ranked"] if each["cause"] == "mechanical-drag")
    assert any(sentence.startswith("on 3 earlier drives of this machine it was ") for sentence in drag["why"])
