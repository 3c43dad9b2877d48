"""Live values out: to a real MQTT broker by the library that publishes, and as JSON lines on standard output.

The broker is mosquitto, as Debian has it; without it these tests skip.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from telemetry.cli import main
from telemetry.machine.machine_file import parse_machine
from telemetry.machine.publish import Publish
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.events import AlarmChange
from telemetry.pipeline.snapshot import Snapshot
from telemetry.runs import publishing
from telemetry.runs.publishing import Publisher

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="needs mosquitto: apt-get install mosquitto")
START = 1_700_000_000_000_000
PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'
BUSY_S = 60.0


def free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


class Broker:
    """A mosquitto that keeps nothing on the disk."""

    def __init__(self, folder: Path) -> None:
        self.port, self._file = free_port(), folder / "mosquitto.conf"
        self._file.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.start()

    def start(self) -> None:
        assert MOSQUITTO is not None
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(self._is_there)

    def _is_there(self) -> bool:
        with socket.socket() as tried:
            return tried.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        self.process.kill()
        self.process.wait()


def wait_for(done: object) -> None:
    until = time.monotonic() + BUSY_S
    while not done():  # type: ignore[operator]
        assert time.monotonic() < until, "waited long enough"
        time.sleep(0.01)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    yield made
    made.stop()


class Reader:
    """Subscribes to everything; ``said`` has the latest of each topic, ``count`` how many messages came."""

    def __init__(self, port: int) -> None:
        self.said: dict[str, str] = {}
        self.statuses: list[str] = []
        self.count, self.ready = 0, threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda *_: self.client.subscribe("#")
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = self._take
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self.ready.wait(BUSY_S)

    def _take(self, _client: object, _user: object, message: object) -> None:
        self.said[message.topic] = message.payload.decode()  # type: ignore[attr-defined]
        self.count += 1
        if message.topic.endswith("/status"):  # type: ignore[attr-defined]
            self.statuses.append(message.payload.decode())  # type: ignore[attr-defined]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def read(port: int, *topics: str) -> dict[str, str]:
    """Return what a broker has kept for who comes later."""
    reader = Reader(port)
    wait_for(lambda: set(topics) <= set(reader.said))
    reader.close()
    return reader.said


def says_offline(port: int, topic: str) -> None:
    reader = Reader(port)
    wait_for(lambda: reader.said.get(f"{topic}/status") == "offline")
    reader.close()


def volts(second: int, value: float = 52.5, signals: int = 1) -> Span:
    names = ("pack_voltage", *(f"extra_of_a_long_name_{n}" for n in range(signals - 1)))
    t = START + second * 1_000_000
    return Span(t, (Batch(Group("pack", "pack", names), np.array([t]), np.full((1, signals), value)),))


ALARM = AlarmChange(
    START, "cell-voltage-low", "cell_01_voltage", "trip", "raised", 2.4, 2.5, "", stands="unacknowledged"
)


def publisher(port: int, **more: object) -> tuple[Publisher, Snapshot]:
    settings = Publish(broker="127.0.0.1", port=port, topic="farm/mower", **more)  # type: ignore[arg-type]
    snapshot = Snapshot({}, START)
    return Publisher(settings, "mower", snapshot), snapshot


def feed(made: Publisher, snapshot: Snapshot, span: Span) -> None:
    snapshot.take(span)
    made.take(span)


def feed_until_said(made: Publisher, snapshot: Snapshot, span: Span, port: int) -> None:
    """Give it a span again and again, as a run does, until the broker has all topics."""
    reader = Reader(port)
    wait_for(lambda: feed(made, snapshot, span) or len(reader.said) == 3)  # type: ignore[func-returns-value]
    reader.close()


@needs_broker
def test_what_is_known_is_kept_by_the_broker_for_who_comes_later(broker: Broker) -> None:
    made, snapshot = publisher(broker.port, signals=("pack_*",))
    with made:
        span = volts(2, signals=3)
        feed_until_said(made, snapshot, Span(span.end, span.batches, (ALARM,)), broker.port)
        said = read(broker.port, "farm/mower/status", "farm/mower/values", "farm/mower/alarms")
        values, alarms = (json.loads(said[f"farm/mower/{name}"]) for name in ("values", "alarms"))
        assert said["farm/mower/status"] == "online"
        assert values["time"] == "2023-11-14T22:13:22.000000Z"
        assert values["t"] == 2.0
        assert values["pack_voltage"] == 52.5
        assert not any(name.startswith("extra_") for name in values), "only the signals asked for"
        assert [each["limit"] for each in alarms["alarms"]] == ["cell-voltage-low"]
        assert alarms["alarms"][0]["stands"] == "unacknowledged"
    says_offline(broker.port, "farm/mower")


@needs_broker
def test_a_stale_value_is_not_said(broker: Broker) -> None:
    made, snapshot = publisher(broker.port)
    feed(made, snapshot, volts(0))
    with made:
        feed_until_said(made, snapshot, Span(START + 60_000_000), broker.port)
        said = json.loads(read(broker.port, "farm/mower/values")["farm/mower/values"])
    assert set(said) == {"kind", "t", "time"}


@needs_broker
def test_a_broker_that_was_started_anew_gets_everything_again(
    broker: Broker, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(publishing, "RETRY_S", (0.05, 0.05))
    made, snapshot = publisher(broker.port)
    with made:
        feed_until_said(made, snapshot, volts(0), broker.port)
        broker.stop()
        for second in range(1, 100):  # goes on while nobody is there
            feed(made, snapshot, volts(second))
        broker.start()
        feed_until_said(made, snapshot, volts(100, 51.25), broker.port)
        assert json.loads(read(broker.port, "farm/mower/values")["farm/mower/values"])["pack_voltage"] == 51.25
    assert "publishing again" in caplog.text
    assert sum("the program tries again" in record.message for record in caplog.records) == 1, "said once"


@needs_broker
def test_a_broker_that_is_stuck_is_not_waited_for_and_nothing_piles_up(broker: Broker) -> None:
    made, snapshot = publisher(broker.port, every_s=0.1)
    rounds = 700
    with made:
        feed_until_said(made, snapshot, volts(0), broker.port)
        reader = Reader(broker.port)
        broker.process.send_signal(signal.SIGSTOP)
        for second in range(1, rounds):
            feed(made, snapshot, volts(second, 50 + second / rounds, signals=300))
        broker.process.send_signal(signal.SIGCONT)
        last = volts(rounds, 48.0)
        wait_for(
            lambda: (
                feed(made, snapshot, last)  # type: ignore[func-returns-value]
                or json.loads(reader.said.get("farm/mower/values", "{}")).get("pack_voltage") == 48.0
            )
        )
        reader.close()
    assert reader.count < rounds, "what was not taken in time was replaced by what came after"


@needs_broker
def test_a_connection_that_breaks_without_a_word_is_offline_until_it_is_back(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publishing, "RETRY_S", (0.05, 0.05))
    made, snapshot = publisher(broker.port)
    reader = Reader(broker.port)
    with made:
        feed_until_said(made, snapshot, volts(0), broker.port)
        made._client.socket().shutdown(socket.SHUT_RDWR)  # type: ignore[union-attr]
        wait_for(lambda: feed(made, snapshot, volts(1)) or reader.statuses == ["online", "offline", "online"])  # type: ignore[func-returns-value]
    reader.close()


@needs_broker
def test_watch_publishes_what_the_machine_file_says_and_prints_the_values(
    broker: Broker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "m.toml"
    source = '[[source]]\ndriver = "simulated-machine"\n'
    path.write_text(f'{PACK}{source}[[publish]]\nbroker = "127.0.0.1"\nport = {broker.port}\ntopic = "mower"\n')
    options = ["--yes", "--json", "--every", "200ms", "--for", "0.7", "--silent", "--store", f"{tmp_path}/s.sqlite3"]
    assert main(["watch", str(path), *options]) == 0
    says_offline(broker.port, "mower")
    said, out = read(broker.port, "mower/values"), capsys.readouterr()
    lines = [json.loads(line) for line in out.out.splitlines()]
    values = [line for line in lines if line["kind"] == "values"]
    assert len(values) > 1
    assert set(json.loads(said["mower/values"])) <= {name for line in values for name in line}
    assert any(line.get("pack_voltage", 0) > 40 for line in values)
    assert "publishes to 127.0.0.1 under mower" in out.err


def test_nothing_goes_to_a_broker_before_somebody_agreed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "m.toml"
    path.write_text(f'{PACK}[[source]]\ndriver = "simulated-machine"\n[[publish]]\nbroker = "far.example"\n')
    with pytest.MonkeyPatch.context() as patch, Path(os.devnull).open() as nobody:
        patch.setattr("sys.stdin", nobody)
        assert main(["watch", str(path), "--no-screen", "--for", "1", "--store", f"{tmp_path}/s.sqlite3"]) == 2
    said = capsys.readouterr().err
    assert "far.example, port 1883: shakedown/m/..." in said
    assert "add --yes" in said


def test_values_need_json_lines(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", "--demo", "--no-screen", "--every", "1s"]) == 2
    assert "add --json" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ('topic = "a/#"', "is not a topic"),
        ('broker = "b"\nsignals = ["pak_voltage"]', "pack_voltage"),
        ("every_s = 0", "0.1"),
        ("port = 1883", "is missing"),
        ('broker = "b"\n[[publish]]\nbroker = "b"', "as an earlier one does"),
        ('broker = "b"\npassword = "x"', "unknown key"),
    ],
)
def test_what_is_wrong_with_a_table_is_said(lines: str, says: str) -> None:
    machine, problems = parse_machine(f"{PACK}[[publish]]\n{lines}\n", "m.toml")
    assert machine is None
    assert any(says in str(problem) for problem in problems), problems
    assert all("[[publish]] number" in str(problem) for problem in problems)


def test_a_table_without_brackets_in_pairs_is_explained() -> None:
    _, problems = parse_machine(f'{PACK}[publish]\nbroker = "b"\n', "m.toml")
    assert "write [[publish]] with two brackets" in str(problems[0])


def test_a_machine_without_the_table_publishes_nothing() -> None:
    machine, _ = parse_machine(PACK, "m.toml")
    assert machine is not None
    assert machine.publish == ()
