"""Live values out to an MQTT broker, as the machine file's ``[[publish]]`` asks. The only file that imports paho.

Each topic is a state: what it says now replaces what it said. So what the broker did not take in time is not kept
for later, and a broker that is slow, stuck or gone costs the run neither time nor memory.
"""

from __future__ import annotations

import json
import logging
import os
import threading
from importlib.util import find_spec
from typing import Any, Self

from telemetry.machine.publish import Publish
from telemetry.model.batch import Span
from telemetry.model.errors import InputError, printable
from telemetry.model.events import AlarmChange
from telemetry.pipeline.snapshot import Snapshot
from telemetry.report.printer import LiveValues, alarms_object

log = logging.getLogger(__name__)

PASSWORD_VARIABLE = "SHAKEDOWN_MQTT_PASSWORD"  # noqa: S105 - where it is, not what it is
KEEP_ALIVE_S = 15
"""A broker that does not answer for one and a half times as long says that we are offline (MQTT 5.0, 3.1.2.10)."""
RETRY_S = (1, 30)
"""Seconds between two tries to reach the broker, at first and at the most; doubled each time."""
END_AT_MOST_S = 1.0
"""How long the end of a run waits for the broker to take that it is over."""


def check_installed() -> None:
    """Raise InputError where what publishes is not installed."""
    if find_spec("paho") is None:
        raise InputError(
            "[[publish]] needs the package paho-mqtt; run: pip install 'shakedown[publish]', or take [[publish]] out"
        )


class Publisher:
    """Keeps three retained topics up to date: ``status``, ``values`` and ``alarms``; a direct listener of the bus.

    Args:
        settings: the broker, and what goes to it.
        machine: what the topics are called by where the file does not say.
        snapshot: what is known; it has heard a span before this does.

    """

    def __init__(self, settings: Publish, machine: str, snapshot: Snapshot) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self._settings, self._snapshot = settings, snapshot
        self._topic, self._name = settings.topic_for(machine), printable(f"{settings.broker}")
        self._values = LiveValues(snapshot, settings.every_s, settings.takes)
        self._latest = {"status": "online"}
        self._sent: dict[str, tuple[int, str, Any]] = {}  # by topic: on which connection, what, and how it went
        self._connection, self._trouble = 0, ""
        self._client = client = Client(CallbackAPIVersion.VERSION2)
        client.will_set(self._place("status"), "offline", retain=True)
        client.username_pw_set(settings.username, os.environ.get(PASSWORD_VARIABLE))
        client.reconnect_delay_set(*RETRY_S)
        client.on_connect = self._connected
        client.on_connect_fail = lambda *_: self._troubled("cannot be reached")
        client.on_disconnect = self._disconnected
        if settings.tls:
            client.tls_set()

    def _place(self, topic: str) -> str:
        return f"{self._topic}/{topic}"

    def __enter__(self) -> Self:
        host, port = self._settings.address
        self._client.connect_async(host, port, KEEP_ALIVE_S)
        self._client.loop_start()
        return self

    def __exit__(self, *failure: object) -> None:
        self._client.publish(self._place("status"), "offline", retain=True)  # goes before the farewell in any case
        self._client.disconnect()
        ending = threading.Thread(target=self._client.loop_stop, daemon=True)  # a stuck broker holds it up
        ending.start()
        ending.join(END_AT_MOST_S)

    def take(self, span: Span) -> None:
        """Bring the topics up to ``span``, as far as the broker takes them without being waited for."""
        if "alarms" not in self._latest or any(isinstance(event, AlarmChange) for event in span.events):
            self._latest["alarms"] = json.dumps(alarms_object(self._snapshot, span.end), allow_nan=False)
        if (shown := self._values.due(span.end)) is not None:
            self._latest["values"] = json.dumps(shown, allow_nan=False)
        self._pass_on()

    def _pass_on(self) -> None:
        """Hand over what each topic says now, unless what it said before is still on its way."""
        if not self._client.is_connected():
            return
        for topic, text in self._latest.items():
            connection, said, message = self._sent.get(topic, (0, "", None))
            if connection == self._connection and (said == text or not message.is_published()):
                continue
            message = self._client.publish(self._place(topic), text, retain=True)
            if not message.rc:
                self._sent[topic] = (self._connection, text, message)

    def _connected(self, _client: object, _user: object, _flags: object, code: Any, _properties: object) -> None:
        """Have every topic sent again: a broker that was started anew may have forgotten them."""
        if code.is_failure:
            self._troubled(f"refused the connection ({code}); check username and {PASSWORD_VARIABLE}")
            return
        self._connection += 1
        if self._trouble:
            log.warning("broker %s: publishing again", self._name)
        self._trouble = ""

    def _disconnected(self, _client: object, _user: object, _flags: object, code: Any, _properties: object) -> None:
        if code.is_failure:
            self._troubled(f"was lost ({code})")

    def _troubled(self, what: str) -> None:
        """Say once what is wrong with the broker."""
        if not self._trouble:
            log.warning("broker %s %s; the recording goes on, and the program tries again", self._name, what)
        self._trouble = what
