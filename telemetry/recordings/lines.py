"""Whole lines of a text file in blocks of bounded size, plain or gzip-compressed.

However long a line is, no more than two pieces are held: a file without line ends is refused after that much was
read, and so is one that unpacks to such.
"""

from __future__ import annotations

import codecs
import gzip
import io
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from telemetry.model.errors import RecordingError, printable
from telemetry.model.expansion import check_expansion

PIECE_BYTES = 1 << 20
LINE_LIMIT_BYTES = 1 << 20


class _Stream(Protocol):
    def read1(self, size: int, /) -> bytes: ...


@dataclass(frozen=True)
class Block:
    """Some whole lines.

    Attributes:
        data: the bytes, line ends included; only the file's last line may lack one.
        first_line: the number of the first of them, from 1.
        is_last: nothing follows in the file.

    """

    data: bytes
    first_line: int
    is_last: bool


class _InUtf8:
    """A stream in another encoding as UTF-8, its line ends as line feeds; what cannot be read becomes U+FFFD."""

    def __init__(self, stream: _Stream, encoding: str) -> None:
        self._stream = stream
        decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
        self._decoder = io.IncrementalNewlineDecoder(decoder, translate=True)
        self._ended = False

    def read1(self, size: int, /) -> bytes:
        text = ""
        while not text and not self._ended:
            data = self._stream.read1(size)
            self._ended = not data
            text = self._decoder.decode(data, final=self._ended)
        return text.encode()


class LineBlocks:
    """Reads ``path`` from its beginning, once; where ``encoding`` is stated the blocks are UTF-8, without a mark.

    Attributes:
        cut: what to tell the user where a compressed file ends too early; None where it does not.

    """

    def __init__(self, path: Path, file: str, encoding: str = "") -> None:
        self._path = path
        self._file = file
        self._encoding = encoding
        self._ended = False
        self._size = self._given = 0
        self._failure: RecordingError | None = None
        self.cut: str | None = None

    def __iter__(self) -> Iterator[Block]:
        """Give the blocks.

        Raises:
            RecordingError: a line is longer than ``LINE_LIMIT_BYTES``, the file cannot be read, or it is no sound
                gzip file; whole lines before the mistake have been given out.

        """
        try:
            with self._path.open("rb") as stream:
                packed = self._path.suffix.lower() == ".gz"
                self._size = os.fstat(stream.fileno()).st_size
                plain: _Stream = gzip.GzipFile(fileobj=stream) if packed else stream
                yield from self._blocks(_InUtf8(plain, self._encoding) if self._encoding else plain)
        except OSError as error:
            raise self._unreadable(error) from error

    def _blocks(self, stream: _Stream) -> Iterator[Block]:
        rest, line = b"", 1
        piece = self._piece(stream)
        while piece:
            following = self._piece(stream)
            data = rest + piece
            is_last = not following and self.cut is None and self._failure is None
            whole = len(data) if is_last else data.rfind(b"\n") + 1
            first_end = data.find(b"\n")
            if (first_end if first_end >= 0 else len(data)) > LINE_LIMIT_BYTES:
                raise RecordingError(
                    f"{self._file}, line {line}: the line is longer than {LINE_LIMIT_BYTES} bytes, so this is no"
                    " table of readings; check that it is the right file and that its lines end"
                )
            if whole:
                yield Block(data[:whole], line, is_last)
                line += data.count(b"\n", 0, whole)
            rest = data[whole:]
            piece = following
        if self._failure is not None:
            raise self._failure

    def _piece(self, stream: _Stream) -> bytes:
        """Read up to ``PIECE_BYTES``; what was read before a mistake is returned, and the mistake kept."""
        parts: list[bytes] = []
        size = 0
        while size < PIECE_BYTES and not self._ended:
            try:
                part = stream.read1(PIECE_BYTES - size)
            except EOFError:
                self.cut = f"{self._file}: the compressed file ends too early; what came before is used"
                part = b""
            except (zlib.error, OSError) as error:
                self._failure = self._unreadable(error)
                part = b""
            self._ended = not part
            self._given += len(part)
            check_expansion(self._file, self._size, self._given)
            parts.append(part)
            size += len(part)
        return b"".join(parts)

    def _unreadable(self, error: Exception) -> RecordingError:
        if isinstance(error, gzip.BadGzipFile | zlib.error):
            return RecordingError(
                f"{self._file}: it is not a sound gzip file ({printable(error)}); copy it again, or name it .csv if"
                " it is plain text"
            )
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        return RecordingError(f"{self._file}: it cannot be read: {reason}")
