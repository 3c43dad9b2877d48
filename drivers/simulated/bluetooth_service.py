"""A small stand-in for the system's Bluetooth service, on a private D-Bus: enough for a real client to speak to.

It answers for one adapter and one peripheral with the D-Bus interfaces of the Linux Bluetooth service, as published
with it: object manager, adapter, device, service and characteristic. Needs the program ``dbus-daemon``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

ADVERTISED_EVERY_S = 0.1
ADAPTER_NAME = "hci0"
_ADAPTER = f"/org/bluez/{ADAPTER_NAME}"
_OWNER = "org.bluez"
_ADAPTER_INTERFACE = "org.bluez.Adapter1"
_DEVICE_INTERFACE = "org.bluez.Device1"
_SERVICE_INTERFACE = "org.bluez.GattService1"
_CHARACTERISTIC_INTERFACE = "org.bluez.GattCharacteristic1"
_GENERIC_ATTRIBUTE = "00001801-0000-1000-8000-00805f9b34fb"
_MANAGER_INTERFACE = "org.freedesktop.DBus.ObjectManager"

Properties = dict[str, Variant]


@dataclass(eq=False)
class SimulatedCharacteristic:
    """A characteristic that the peripheral offers.

    Attributes:
        uuid: 128 bits.
        flags: ``read``, ``notify``, ``write``, ``write-without-response``.
        value: what a read gives.
        on_write: takes what a client writes.
        subscribed: whether a client has asked for notifications.
        path: its D-Bus object.

    """

    uuid: str
    flags: tuple[str, ...]
    value: bytes = b""
    on_write: Callable[[bytes], None] | None = None
    subscribed: bool = False
    path: str = ""


@dataclass(eq=False)
class SimulatedPeripheral:
    """The device behind the adapter.

    Attributes:
        address: Bluetooth address.
        name: what it gives out as its name, whatever that is.
        services: characteristics by the UUID of their service.
        advertised: UUIDs of services that it gives out while it is not connected.

    """

    address: str
    name: str
    services: Mapping[str, Sequence[SimulatedCharacteristic]]
    advertised: tuple[str, ...] = ()
    paths: list[str] = field(default_factory=list)


class RefusedCall(Exception):
    """Answers a call with an error of this D-Bus name."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text)
        self.name, self.text = name, text


class BluetoothService:
    """The service. :meth:`start` puts it on the bus; :meth:`die` takes it off without a word to anybody.

    Attributes:
        in_reach: whether the peripheral is heard and can be connected to.

    """

    def __init__(self, bus_address: str, peripheral: SimulatedPeripheral) -> None:
        self.peripheral = peripheral
        self.in_reach = True
        self._bus_address = bus_address
        self._bus: MessageBus | None = None
        self._objects: dict[str, dict[str, Properties]] = {}
        self._device = f"{_ADAPTER}/dev_{peripheral.address.replace(':', '_')}"
        self._by_path: dict[str, SimulatedCharacteristic] = {}
        self._advertising: asyncio.TimerHandle | None = None
        self._replying: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Come up on the bus, with the adapter on and the peripheral known but not connected."""
        self._bus = MessageBus(bus_address=self._bus_address)
        await self._bus.connect()
        self._bus.add_message_handler(self._answer)
        await self._bus.request_name(_OWNER)
        self._add(_ADAPTER, _ADAPTER_INTERFACE, {
            "Address": Variant("s", "00:00:5E:00:53:01"), "Name": Variant("s", "simulated"),
            "Alias": Variant("s", "simulated"), "Powered": Variant("b", True),
            "Discovering": Variant("b", False), "Roles": Variant("as", ["central"]),
        })  # fmt: skip
        peripheral = self.peripheral
        self._add(self._device, _DEVICE_INTERFACE, {
            "Address": Variant("s", peripheral.address), "AddressType": Variant("s", "random"),
            "Name": Variant("s", peripheral.name), "Alias": Variant("s", peripheral.name),
            "Adapter": Variant("o", _ADAPTER), "Paired": Variant("b", False), "Connected": Variant("b", False),
            "ServicesResolved": Variant("b", False), "UUIDs": Variant("as", list(peripheral.advertised)),
            "RSSI": Variant("n", -50),
        })  # fmt: skip

    def die(self) -> None:
        """Leave the bus as a killed process does: nothing is said about devices that were connected."""
        self._stop_advertising()
        for task in self._replying:
            task.cancel()
        for characteristic in self._by_path.values():
            characteristic.subscribed = False
        self._by_path.clear()
        self._objects.clear()
        if self._bus is not None:
            self._bus.disconnect()
            self._bus = None

    @property
    def connected(self) -> bool:
        """Whether a client is connected to the peripheral."""
        device = self._objects.get(self._device)
        return device is not None and bool(device[_DEVICE_INTERFACE]["Connected"].value)

    def drop(self) -> None:
        """Break the connection, as when the device goes out of reach or is switched off."""
        if not self.connected:
            return
        for path, characteristic in self._by_path.items():
            characteristic.subscribed = False
            self._remove(path, _CHARACTERISTIC_INTERFACE)
        for path in self.peripheral.paths:
            self._remove(path, _SERVICE_INTERFACE)
        self.peripheral.paths.clear()
        self._by_path.clear()
        self._set(
            self._device, _DEVICE_INTERFACE, ServicesResolved=Variant("b", False), Connected=Variant("b", False)
        )

    def notify(self, characteristic: SimulatedCharacteristic, value: bytes) -> bool:
        """Send ``value`` to a client that has subscribed; tell whether one had."""
        characteristic.value = value
        if not characteristic.subscribed or characteristic.path not in self._by_path:
            return False
        self._set(characteristic.path, _CHARACTERISTIC_INTERFACE, Value=Variant("ay", value))
        return True

    # the bus

    def _send(self, message: Message) -> None:
        if self._bus is not None and self._bus.connected:
            self._bus.send(message)

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._send(Message.new_signal(path, interface, member, signature, body))

    def _add(self, path: str, interface: str, properties: Properties) -> None:
        self._objects.setdefault(path, {})[interface] = properties
        self._signal("/", _MANAGER_INTERFACE, "InterfacesAdded", "oa{sa{sv}}", [path, {interface: properties}])

    def _remove(self, path: str, interface: str) -> None:
        if self._objects.pop(path, None) is not None:
            self._signal("/", _MANAGER_INTERFACE, "InterfacesRemoved", "oas", [path, [interface]])

    def _set(self, path: str, interface: str, **changed: Variant) -> None:
        if path in self._objects:
            self._objects[path][interface].update(changed)
            body = [interface, changed, []]
            self._signal(path, "org.freedesktop.DBus.Properties", "PropertiesChanged", "sa{sv}as", body)

    def _answer(self, message: Message) -> Message | bool | None:
        """Answer one call; what is not for us is left to the library."""
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.interface == _MANAGER_INTERFACE:
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects])
        if message.interface == _DEVICE_INTERFACE and message.member == "Connect":
            task = asyncio.ensure_future(self._connect(message))
            self._replying.add(task)
            task.add_done_callback(self._replying.discard)
            return True
        try:
            return self._call(message)
        except RefusedCall as refused:
            return Message.new_error(message, refused.name, refused.text)

    def _call(self, message: Message) -> Message | None:
        if message.path not in self._objects:
            raise RefusedCall("org.freedesktop.DBus.Error.UnknownObject", "no such object")
        if message.interface == _ADAPTER_INTERFACE:
            self._call_adapter(message.member)
        elif message.interface == _DEVICE_INTERFACE and message.member == "Disconnect":
            self.drop()
        elif message.interface == _CHARACTERISTIC_INTERFACE:
            return self._call_characteristic(message, self._by_path[message.path])
        else:
            return None
        return Message.new_method_return(message)

    def _call_adapter(self, member: str | None) -> None:
        if not self._objects[_ADAPTER][_ADAPTER_INTERFACE]["Powered"].value:
            raise RefusedCall("org.bluez.Error.NotReady", "Resource Not Ready")
        if member == "StartDiscovery":
            if self._advertising is not None:
                raise RefusedCall("org.bluez.Error.InProgress", "Operation already in progress")
            self._set(_ADAPTER, _ADAPTER_INTERFACE, Discovering=Variant("b", True))
            self._advertising = asyncio.get_running_loop().call_later(0.005, self._advertise)
        elif member == "StopDiscovery":
            self._stop_advertising()
            self._set(_ADAPTER, _ADAPTER_INTERFACE, Discovering=Variant("b", False))

    def _advertise(self) -> None:
        """Be heard once: a client only sees what changes, so the signal strength goes up and down."""
        self._advertising = asyncio.get_running_loop().call_later(ADVERTISED_EVERY_S, self._advertise)
        if self.in_reach and not self.connected and self._device in self._objects:
            strength = self._objects[self._device][_DEVICE_INTERFACE]["RSSI"].value
            self._set(self._device, _DEVICE_INTERFACE, RSSI=Variant("n", -51 if strength == -50 else -50))

    def _stop_advertising(self) -> None:
        if self._advertising is not None:
            self._advertising.cancel()
            self._advertising = None

    async def _connect(self, message: Message) -> None:
        await asyncio.sleep(0.005)
        if not self.in_reach:
            self._send(Message.new_error(message, "org.bluez.Error.Failed", "br-connection-page-timeout"))
            return
        self._set(self._device, _DEVICE_INTERFACE, Connected=Variant("b", True))
        self._send(Message.new_method_return(message))
        await asyncio.sleep(0.005)
        self._show_services()

    def _show_services(self) -> None:
        """Let the client see what the connected device has; nothing, if it was dropped meanwhile."""
        if not self.connected:
            return
        handle = 10
        for uuid, characteristics in self.peripheral.services.items():
            service = f"{self._device}/service{handle:04x}"
            self.peripheral.paths.append(service)
            self._add(service, _SERVICE_INTERFACE, {
                "UUID": Variant("s", uuid), "Primary": Variant("b", True), "Device": Variant("o", self._device),
            })  # fmt: skip
            for characteristic in characteristics:
                handle += 3
                self._add_characteristic(f"{service}/char{handle:04x}", service, characteristic)
            handle += 3
        known = Variant("as", [_GENERIC_ATTRIBUTE, *self.peripheral.services])
        self._set(self._device, _DEVICE_INTERFACE, UUIDs=known, ServicesResolved=Variant("b", True))

    def _add_characteristic(self, path: str, service: str, characteristic: SimulatedCharacteristic) -> None:
        characteristic.path = path
        self._by_path[path] = characteristic
        self._add(path, _CHARACTERISTIC_INTERFACE, {
            "UUID": Variant("s", characteristic.uuid), "Service": Variant("o", service),
            "Value": Variant("ay", characteristic.value), "Notifying": Variant("b", False),
            "Flags": Variant("as", list(characteristic.flags)), "MTU": Variant("q", 247),
        })  # fmt: skip

    def _call_characteristic(self, message: Message, characteristic: SimulatedCharacteristic) -> Message:
        if message.member == "ReadValue":
            if "read" not in characteristic.flags:
                raise RefusedCall("org.bluez.Error.NotPermitted", "Read not permitted")
            if characteristic.subscribed:  # as the real service does: the answer comes as a notification, too
                self.notify(characteristic, characteristic.value)
            return Message.new_method_return(message, "ay", [characteristic.value])
        if message.member == "WriteValue":
            return self._write(message, characteristic)
        if message.member in ("StartNotify", "StopNotify"):
            if "notify" not in characteristic.flags:
                raise RefusedCall("org.bluez.Error.NotSupported", "Operation is not supported")
            characteristic.subscribed = message.member == "StartNotify"
            return Message.new_method_return(message)
        raise RefusedCall("org.freedesktop.DBus.Error.UnknownMethod", "no such method")

    def _write(self, message: Message, characteristic: SimulatedCharacteristic) -> Message:
        if not {"write", "write-without-response"} & set(characteristic.flags):
            raise RefusedCall("org.bluez.Error.NotPermitted", "Write not permitted")
        data = bytes(message.body[0])
        if characteristic.on_write is not None:
            characteristic.on_write(data)
        return Message.new_method_return(message)
