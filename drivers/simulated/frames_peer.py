"""A pack that speaks in frames, played on a pseudo-terminal by a frame map.

With a map that has requests it answers each, from the newest readings, and says nothing else; with one that has none
it sends a frame for each row by itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from telemetry.model.batch import Batch
from telemetry.model.clock import Clock

from ..decode.frame_encoder import encode
from ..decode.frame_layout import Message
from ..decode.frame_map import load_frame_map
from .peer import Machine, SerialPeer

PLAIN_PACK = Path(__file__).parent / "plain_pack.toml"
"""The map of the pack that ``simulate`` plays; printed in docs/frame-map.md."""


class FramesPeer(SerialPeer):
    """The pack; see :class:`.peer.Peer`.

    Args:
        machine, clock: as for every peer.
        map_file: the frame map that it speaks by.

    Attributes:
        received: how often each request has come.
        strange: bytes that have come and are no request.

    """

    def __init__(self, machine: Machine, clock: Clock, map_file: Path = PLAIN_PACK) -> None:
        super().__init__(machine, clock)
        self._map_file = map_file
        self.map = load_frame_map(map_file)
        self._newest: dict[str, float] = {}
        self._heard = b""
        self.received: Counter[bytes] = Counter()
        self.strange = bytearray()

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a ``[[source]]`` that reach this pack."""
        return super().settings | {"map": str(self._map_file)}

    def pieces(self, batches: Sequence[Batch]) -> Iterator[bytes]:
        """Take note of every row in time order, and give the frames that tell of it, unless they are asked for."""
        rows = [
            (t, batch.group.signals, row)
            for batch in batches
            for t, row in zip(batch.t.tolist(), batch.values.tolist(), strict=True)
        ]
        for _, signals, row in sorted(rows, key=lambda each: each[0]):
            self._newest.update(zip(signals, row, strict=True))
            for message in self.map.messages.values():
                if not self.map.requests and not set(signals).isdisjoint(message.signals):
                    yield self._frame(message)

    def _frame(self, message: Message) -> bytes:
        return encode(self.map, message.name, self._newest)

    def heard(self, data: bytes) -> None:
        """Answer each request as it has come whole."""
        self._heard += data
        while self._heard:
            request = next((r for r in self.map.requests if self._heard.startswith(r.data)), None)
            if request is not None:
                self._heard = self._heard[len(request.data) :]
                self.received[request.data] += 1
                if self._newest:
                    self.speak([self._frame(self.map.messages[name]) for name in request.answers])
            elif any(r.data.startswith(self._heard) for r in self.map.requests):
                return
            else:
                self.strange += self._heard[:1]
                self._heard = self._heard[1:]
