"""The command ``align`` as a user calls it: on a stored session, on files, and where it cannot tell.

The drive is invented; the way is the real one: rows through the gather into a store, read back by the command.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import main
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Batch, Group
from telemetry.pipeline.gather import Gather
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter

START = 1_700_000_000_000_000
MACHINE = """[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100
[[source]]
driver = "serial-text"
name = "pedal"
port = "COM7"
[[source]]
driver = "serial-frames"
name = "pack"
port = "COM8"
"""


def blips(lag: float, pack_rate: float = 2.0) -> list[Batch]:
    """Return what a pedal board at 50 Hz and a pack behind a controller (0.15 s) send, the pack later by ``lag``."""
    pedal_t, pack_t = np.arange(0, 24, 0.02), np.arange(0.13, 24, 1 / pack_rate)
    edges = [(6.0, 6.6), (7.4, 8.1), (9.6, 10.2), (11.1, 11.8), (13.4, 14.0)]

    def pressed(t: np.ndarray) -> np.ndarray:
        return sum(np.clip((t - a) / 0.1, 0, 1) - np.clip((t - b) / 0.1, 0, 1) for a, b in edges)

    pedal = np.stack([0.8 + 3 * pressed(pedal_t), 0 * pedal_t], axis=1)
    current = np.stack([2 + 55 * pressed(pack_t - lag - 0.15)], axis=1)
    return [
        Batch(Group("pedal", "lines", ("throttle_voltage", "vehicle_speed")), micro(pedal_t), pedal),
        Batch(Group("pack", "frames", ("pack_current",)), micro(pack_t), current),
    ]


def micro(t: np.ndarray) -> np.ndarray:
    return START + np.round(t * 1e6).astype(np.int64)


@pytest.fixture
def record(tmp_path: Path) -> Callable[..., str]:
    """Record batches as a run does, row by row in time order, and return the store's path."""

    def run(batches: list[Batch], text: str | None = MACHINE) -> str:
        lags: dict[str, int] = {}
        if text is not None:
            machine, problems = parse_machine(text, "cart.toml")
            assert machine is not None, problems
            lags = {s.name: round(s.lag_s * 1e6) for s in machine.sources if s.lag_s is not None}
        gather = Gather(lags=lags)
        path = tmp_path / "sessions.sqlite3"
        with StoreWriter.open(path) as writer:
            writer.begin_session("cart", text, "live", "absolute", START, start=START)
            for end in range(START, START + 24_000_000, 50_000):
                for batch in batches:
                    first, last = np.searchsorted(batch.t, [end - 50_000, end])
                    gather.post(batch.rows(int(first), int(last)))
                writer.offer(gather.close(end))
            writer.offer(gather.close(START + 24_000_000, final=True))
            writer.end_session(START + 24_000_000)
        assert gather.late == 0
        return str(path)

    return run


def pasted(out: str) -> dict[str, float]:
    """Return what the text says to paste, by source."""
    found = re.findall(r"^in the \[\[source\]\] table of (\S+?)(?: \(.*\))?:\n +(lag_s = \S+)$", out, re.MULTILINE)
    return {source: float(line.removeprefix("lag_s = ")) for source, line in found}


@pytest.mark.parametrize(("lag", "late"), [(0.42, "pack"), (-0.3, "pedal")])
def test_the_pedal_beside_a_slow_pack(record, capsys, lag, late) -> None:
    store = record(blips(lag))
    assert main(["align", "last", "--store", store]) == 0
    out = capsys.readouterr().out
    assert pasted(out) == {late: pytest.approx(abs(lag), abs=0.06)}
    assert "5 throttle blips" in out
    assert main(["align", "1", "--store", store, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["found"] is True
    assert told["pairs"][0]["way"] == "pedal blips"
    assert told["pairs"][0]["delay_s"] == pytest.approx(lag, abs=0.06)
    assert 0.05 <= told["pairs"][0]["uncertainty_s"] < 0.1
    assert [(each["source"], each["earliest"]) for each in told["sources"]][1][0] == late


def test_what_is_pasted_brings_them_together_and_is_found_whole_again(record, capsys) -> None:
    store = record(blips(0.42))
    assert main(["align", "last", "--store", store]) == 0
    stated = pasted(capsys.readouterr().out)["pack"]
    store = record(blips(0.42), MACHINE + f"lag_s = {stated}\n")
    assert main(["align", "last", "--store", store, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["pairs"][0]["delay_s"] == pytest.approx(0, abs=0.02)
    pack = next(each for each in told["sources"] if each["source"] == "pack")
    assert (pack["stated_s"], pack["lag_s"]) == (stated, pytest.approx(stated, abs=0.02))
    assert main(["align", "last", "--store", store]) == 0
    out = capsys.readouterr().out
    assert "in force during the recording" in out
    assert pasted(out)["pack"] == pytest.approx(stated, abs=0.02)


def test_watch_holds_the_others_back_by_a_stated_lag(tmp_path, capsys) -> None:
    pack = '[pack]\nchemistry = "lfp"\ncells_in_series = 24\ncapacity_ah = 100\n'
    sources = "".join(
        f'[[source]]\ndriver = "simulated-machine"\nname = "{name}"\nlag_s = {lag}\n'
        for name, lag in (("late", 0.6), ("prompt", 0.1))
    )
    (tmp_path / "cart.toml").write_text(pack + sources)
    store = str(tmp_path / "live.sqlite3")
    assert main(["watch", str(tmp_path / "cart.toml"), "--json", "--for", "1.2", "--silent", "--store", store]) == 0
    assert "came late" not in capsys.readouterr().err
    with StoreReader.open(Path(store)) as reader:
        told = reader.arrays("last", ["pack_voltage", "extra_prompt_pack_voltage"])
    late, prompt = (t for t, _ in told.values())
    # Both began within the same moment; the prompt one's rows then bear times half a second later.
    assert (prompt[0] - late[0]) / 1e6 == pytest.approx(0.5, abs=0.2)


def test_an_exported_session_tells_the_same(record, tmp_path, capsys) -> None:
    store = record(blips(0.42))
    assert main(["export", "last", str(tmp_path / "cart.csv"), "--store", store]) == 0
    capsys.readouterr()
    assert main(["align", str(tmp_path / "cart.csv"), "--json"]) == 0
    (pair,) = json.loads(capsys.readouterr().out)["pairs"]
    assert {pair["first"], pair["second"]} == {"the source with throttle_voltage", "the source with pack_current"}
    assert abs(pair["delay_s"]) == pytest.approx(0.42, abs=0.06)


def test_no_blips_says_how_to_make_them_safely(record, capsys) -> None:
    pedal, pack = blips(0.42)
    pedal = Batch(pedal.group, pedal.t, np.where(pedal.values > 1, 0.8, pedal.values))
    assert main(["align", "last", "--store", record([pedal, pack])]) == 1
    out = capsys.readouterr().out
    assert "fewer than three throttle blips at standstill" in out
    assert "driven wheels off the ground" in out
    assert "every interlock in place" in out


def test_one_source_has_no_lag_to_find(record, capsys) -> None:
    store = record(blips(0.42)[:1])
    assert main(["align", "last", "--store", store]) == 1
    assert "all comparable signals come from pedal; there is no lag within one source" in capsys.readouterr().out
    assert main(["align", "last", "--store", store, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["found"], told["sources"], told["pairs"]) == (False, [], [])
    assert "within one source" in told["reason"]


def test_a_file_of_one_source_or_without_any_signal(tmp_path, capsys) -> None:
    path = tmp_path / "one.csv"
    path.write_text("t,pack_voltage,pack_current\n" + "".join(f"{n},52,{n % 7}\n" for n in range(50)))
    assert main(["align", str(path)]) == 1
    assert "there is no lag within one source" in capsys.readouterr().out
    path.write_text("t,soc_reported\n0,90\n1,90\n")
    assert main(["align", str(path)]) == 1
    assert "no voltage, current, speed or throttle signal" in capsys.readouterr().out


def test_the_machine_file_of_a_session_counts(record, tmp_path, capsys) -> None:
    other = tmp_path / "other.toml"
    other.write_text(MACHINE + "lag_s = 5\n")
    assert main(["align", "last", "--store", record(blips(0.42)), "--machine", str(other)]) == 0
    told = capsys.readouterr()
    assert pasted(told.out) == {"pack": pytest.approx(0.42, abs=0.06)}
    assert "--machine is ignored" in told.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.csv"], "no such file"),
        (["7"], "there is no session 7: nothing has been recorded in"),
        (["one.csv", "--machine", "nowhere.toml"], "there is no such file"),
    ],
)
def test_bad_input_is_one_sentence(tmp_path, monkeypatch, capsys, arguments, words) -> None:
    monkeypatch.chdir(tmp_path)
    Path("one.csv").write_text("t,pack_voltage\n0,52\n")
    assert main(["align", *arguments]) == 2
    told = capsys.readouterr()
    assert words in told.err
    assert told.out == ""
    assert "Traceback" not in told.err
