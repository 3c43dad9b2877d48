"""A simulated Bluetooth LE pack that misbehaves, or speaks frames; Linux only."""

from __future__ import annotations

import asyncio
from typing import Any

from dbus_fast import Message, MessageType, Variant

from drivers.simulated import bluetooth_service as service
from drivers.simulated.bluetooth_peer import OWN_SERVICE, BluetoothPeer, StandardSpeech
from drivers.simulated.bluetooth_service import BluetoothService, SimulatedCharacteristic
from tests.drivers.bluetooth_frames import PIECE_BYTES, REQUEST, START, FrameWriter
from tests.drivers.peers import Unruly

STREAM = "6f1d0011-5c1e-4d2a-9b1e-0c5e00530001"
REQUESTS = "6f1d0012-5c1e-4d2a-9b1e-0c5e00530001"


class FrameSpeech:
    """Rows as frames on one characteristic; by itself, or the newest of every kind for a request on another."""

    advertised = OWN_SERVICE

    def __init__(self, groups: Any, on_request: bool) -> None:
        self.on_request = on_request
        self.writer = FrameWriter(groups)
        self.stream = SimulatedCharacteristic(STREAM, ("notify",))
        self.requests = SimulatedCharacteristic(REQUESTS, ("write", "write-without-response"), on_write=self._asked)
        self.services = {OWN_SERVICE: [self.stream, self.requests]}
        self._asked_for = False
        self._newest: dict[int, bytes] = {}

    def _asked(self, data: bytes) -> None:
        self._asked_for = self._asked_for or data == REQUEST

    def values(self, batches: Any) -> list[tuple[SimulatedCharacteristic, bytes]]:
        """The pieces of every row's frame, or of what a request is owed."""
        frames = self.writer.frames(batches)
        if self.on_request:
            self._newest |= {frame[2]: frame for frame in frames}
            if not self._asked_for or not self._newest:
                return []
            frames = [b"".join(self._newest.values())]
            self._newest, self._asked_for = {}, False
        return [(self.stream, piece) for frame in frames for piece in pieces(frame)]


def pieces(frame: bytes) -> list[bytes]:
    """``frame`` cut as small radios cut it."""
    return [frame[at : at + PIECE_BYTES] for at in range(0, len(frame), PIECE_BYTES)]


class UnrulyService(BluetoothService):
    """The system's Bluetooth service in every trouble it can be in.

    ``refusals``: connections to refuse from now on. ``writes``: all that clients wrote. ``connections``: made so far.
    ``unanswered``: D-Bus methods that are never answered.
    """

    def __init__(self, *arguments: Any) -> None:
        self.refusals = 0
        self.writes: list[tuple[str, bytes]] = []
        self.connections = 0
        self.unanswered: set[str] = set()
        self._forbidden = self._wants_pairing = False
        super().__init__(*arguments)

    def switch_adapter(self, on: bool) -> None:
        if not on:
            self.drop()
        self._set(service._ADAPTER, service._ADAPTER_INTERFACE, Powered=Variant("b", on))

    def remove_adapter(self) -> None:
        self.drop()
        self._remove(self._device, service._DEVICE_INTERFACE)
        self._remove(service._ADAPTER, service._ADAPTER_INTERFACE)

    def forbid(self) -> None:
        """Refuse everything, as a bus does to a user without the right to it."""
        self._forbidden = True

    def want_pairing(self) -> None:
        """Refuse reading and subscribing, as a device does that talks only to what it is paired with."""
        self._wants_pairing = True

    def _answer(self, message: Message) -> Any:
        is_call = message.message_type is MessageType.METHOD_CALL
        if is_call and message.member in self.unanswered:
            return True
        if is_call and self._forbidden:
            return Message.new_error(message, "org.freedesktop.DBus.Error.AccessDenied", "Rejected send message")
        return super()._answer(message)

    async def _connect(self, message: Message) -> None:
        if self.refusals:
            self.refusals -= 1
            await asyncio.sleep(0.005)
            self._send(Message.new_error(message, "org.bluez.Error.Failed", "br-connection-page-timeout"))
            return
        self.connections += self.in_reach
        await super()._connect(message)

    def _call_characteristic(self, message: Message, characteristic: SimulatedCharacteristic) -> Message:
        if self._wants_pairing:
            said = "Operation failed with ATT error: 0x05 (Insufficient Auth)"
            raise service.RefusedCall("org.bluez.Error.Failed", said)
        return super()._call_characteristic(message, characteristic)

    def _write(self, message: Message, characteristic: SimulatedCharacteristic) -> Message:
        answer = super()._write(message, characteristic)
        self.writes.append((characteristic.uuid, bytes(message.body[0])))
        return answer


class UnrulyBluetooth(Unruly, BluetoothPeer):
    """The pack; ``speech`` is "standard", "frames" or "frames on request"."""

    def __init__(self, machine: Any, clock: Any, speech: str = "standard", **more: Any) -> None:
        groups = [(group.name, group.signals) for group in machine.groups]
        spoken = StandardSpeech() if speech == "standard" else FrameSpeech(groups, speech != "frames")
        super().__init__(machine, clock, spoken, **more)

    def make_service(self, *arguments: Any) -> BluetoothService:
        return UnrulyService(*arguments)

    @property
    def settings(self) -> dict[str, Any]:
        reach = super().settings
        if isinstance(self.speech, FrameSpeech):
            path = self.folder / "pack.toml"
            path.write_text(self.speech.writer.map_text(self.speech.on_request), "utf-8")
            reach |= {"map": str(path), "notify": STREAM}
            reach |= {"write": REQUESTS} if self.speech.on_request else {}
        return reach

    def connect(self) -> None:
        """Come back into reach."""
        self.service.in_reach = True

    def disconnect(self) -> None:
        """Go out of reach: a connection breaks, and nothing is heard until :meth:`connect`."""
        self.service.in_reach = False
        self.service.drop()

    def say_half(self) -> None:
        self.say((self._noisy, START[:1]))

    @property
    def _noisy(self) -> SimulatedCharacteristic:
        return self.speech.stream if isinstance(self.speech, FrameSpeech) else self.speech.voltage

    def garbage(self) -> Any:
        return self._noisy, self._noise.randbytes(PIECE_BYTES)
