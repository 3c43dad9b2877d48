"""What went wrong with Bluetooth, as one sentence with its remedy.

Knows errors by their names, as D-Bus and bleak give them, and imports no library.
"""

from __future__ import annotations

import sys

from telemetry.model.errors import printable

_START = "start it (on most Linux systems: sudo systemctl start bluetooth)"
_PERMISSION = (
    "sudo usermod -aG bluetooth $USER, then log in again"
    if sys.platform == "linux"
    else "allow Bluetooth for your terminal program in the system's privacy settings"
)

NOT_RUNNING = f"the system's Bluetooth service is not running; {_START}"
OFF = "the Bluetooth adapter is off; switch it on (on Linux: rfkill unblock bluetooth, then bluetoothctl power on)"
TOO_OLD = "the Bluetooth adapter cannot do Bluetooth LE; use one that can (version 4.0 or later)"
NO_ADAPTER = "there is no Bluetooth adapter; plug one in, or switch it on in the computer's settings"
NOT_ALLOWED = f"this user may not use Bluetooth; {_PERMISSION}"
NOT_PAIRED = (
    "the device wants to be paired first; pair it in the system's Bluetooth settings "
    "(on Linux: bluetoothctl pair ADDRESS)"
)
BUSY = "the Bluetooth adapter is busy with another program; close that, or wait"
GONE = "the device has gone out of reach; bring it nearer, or wake it"
REFUSED = (
    "the device was heard but the connection failed; bring it nearer, and disconnect any telephone or other program "
    "that holds it"
)

# Each sentence with parts of the names and texts of the errors that it explains; the first that fits is taken.
_SENTENCES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (NOT_RUNNING, ("DBus.Error.ServiceUnknown", "DBus.Error.NameHasNoOwner", "DBus.Error.Spawn")),
    (NOT_RUNNING, ("FileNotFoundError", "ConnectionRefusedError")),  # not even the bus that it is reached by
    (OFF, ("POWERED_OFF", "bluez.Error.NotReady")),
    (TOO_OLD, ("NO_BLE_CENTRAL_ROLE",)),
    (NO_ADAPTER, ("NO_BLUETOOTH",)),
    (NOT_PAIRED, ("Not paired", "AuthenticationFailed", "INSUFFICIENT_", "Insufficient", "AuthenticationRejected")),
    (
        NOT_ALLOWED,
        ("DENIED_BY", "DBus.Error.AccessDenied", "bluez.Error.NotAuthorized", "AuthError", "PermissionError"),
    ),
    (BUSY, ("bluez.Error.InProgress",)),
    (GONE, ("BleakDeviceNotFoundError", "bluez.Error.DoesNotExist", "UnknownObject")),
    (REFUSED, ("device disconnected", "le-connection", "bluez.Error.Failed", "bluez.Error.NotConnected")),
    (REFUSED, ("bluez.Error.ConnectionAttemptFailed", "Not connected")),
)


def sentence_for(error: BaseException, what: str, adapter: str | None) -> str:
    """Return one sentence: what was being done, what is wrong, and the remedy.

    Args:
        error: from bleak, from D-Bus or from the system.
        what: what was being opened or done, fit to be shown.
        adapter: the adapter that the settings name, if any.

    """
    known = f"{error!r} {error}"
    if adapter is not None and f"adapter '{adapter}' not found" in known:
        return (
            f"{what}: there is no Bluetooth adapter {printable(adapter)}; leave adapter out for the first one, or "
            "list them with bluetoothctl list"
        )
    if isinstance(error, TimeoutError):
        return f"{what}: no answer in time; bring the device nearer, or wake it"
    for sentence, parts in _SENTENCES:
        if any(part in known for part in parts):
            return f"{what}: {sentence}"
    if isinstance(error, (OSError, EOFError)):
        return f"{what}: the system's Bluetooth service cannot be reached ({_short(error)}); {_START}"
    return f"{what}: {_short(error)}; switch the device and Bluetooth off and on again"


def _short(error: BaseException) -> str:
    return printable(getattr(error, "strerror", None) or str(error) or type(error).__name__, 120)
