"""How far a compressed file may expand. No recording shrinks to a hundredth; a file made to fill memory does."""

from __future__ import annotations

from telemetry.model.errors import RecordingError

ALWAYS_ALLOWED = 64_000_000
MOST_TIMES = 100


def check_expansion(file: str, packed: int, unpacked: int) -> None:
    """Refuse a file that expands too far.

    Args:
        file: its name for the message.
        packed: its size, bytes.
        unpacked: bytes it has given so far, or states that it holds.

    Raises:
        RecordingError: ``unpacked`` is more than 64 MB and more than 100 times ``packed``.

    """
    if unpacked > max(ALWAYS_ALLOWED, MOST_TIMES * packed):
        raise RecordingError(
            f"{file}: it expands to more than {MOST_TIMES} times its size, more than any recording does; unpack it"
            " and look inside"
        )
