"""A capture of raw bytes as a recording, decoded by the sources of a machine file as they would be live.

So a drive that was recorded with a wrong map, sign or lag is not lost: mend the machine file, and play the capture.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from telemetry.driver import DecodesCaptures, DriverContext
from telemetry.machine.machine_file import Machine, SourceSettings
from telemetry.model.batch import MICROSECONDS, Batch, Group, Span
from telemetry.model.capture import CapturedPiece, read_capture
from telemetry.model.clock import SystemClock
from telemetry.model.errors import InputError, printable
from telemetry.model.recording import TimeBasis
from telemetry.pipeline.gather import gather_for
from telemetry.pipeline.registry import load_driver, with_paths

FIRST_WORDS = b"capture 1 began "
_SPAN_US = MICROSECONDS


def is_capture(path: Path) -> bool:
    """Tell whether a file is a capture, by its first words."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(FIRST_WORDS)) == FIRST_WORDS
    except OSError:
        return False


class CaptureRecording:
    """A capture decoded; a :class:`telemetry.model.recording.Recording`, held in memory.

    Args:
        path: the capture.
        machine: its sources decode the pieces of the same name.

    Raises:
        InputError: none of its sources is in the machine file, nothing readable is in it, or either file is wrong.

    """

    def __init__(self, path: Path, machine: Machine) -> None:
        self.name, self.machine_text = path.name, machine.text
        self.time_basis: TimeBasis = "absolute"
        file, pieces = printable(path, 200), list(read_capture(path))
        heard = {piece.source for piece in pieces}
        sources = [source for source in machine.sources if source.name in heard]
        if not sources:
            named = ", ".join(sorted(map(printable, heard))) or "nothing"
            stated = ", ".join(source.name for source in machine.sources) or "none"
            raise InputError(
                f"{file} holds bytes of {named}, and the machine file has the sources {stated}; name them alike"
            )
        self._spans = list(_decoded(pieces, sources, Path(machine.file).parent))
        groups: dict[tuple[str, str], Group] = {}
        for span in self._spans:
            groups |= {batch.group.key: batch.group for batch in span.batches}
        if not groups:
            counts = ", ".join(
                f"{sum(len(p.data) for p in pieces if p.source == s.name)} of {s.name}" for s in sources
            )
            raise InputError(
                f"{file}: no reading was found in its bytes ({counts}); check the settings of these sources, and see"
                " what decode-check makes of them"
            )
        self.groups = tuple(groups.values())
        self.start = min(int(batch.t[0]) for span in self._spans for batch in span.batches)
        others = sorted(heard - {source.name for source in sources})
        left = (
            f"{file}: bytes of {', '.join(map(printable, others))} are left out; the machine file has no such source"
        )
        self.warnings: tuple[str, ...] = (left,) if others else ()

    def spans(self, rows: int = 8192) -> Iterator[Span]:  # noqa: ARG002 - spans are of a second here
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        widest = {group.key: group for group in self.groups}
        for span in self._spans:
            yield Span(span.end, tuple(batch.as_wide_as(widest[batch.group.key]) for batch in span.batches))


def _decoded(pieces: list[CapturedPiece], sources: list[SourceSettings], folder: Path) -> Iterator[Span]:
    """Give the spans of a second that the pieces make, gathered as in a live run."""
    gather = gather_for(sources)
    batches = [batch for source in sources for batch in _of_source(pieces, source, folder) if len(batch)]
    batches.sort(key=lambda batch: int(batch.t[-1]))
    end: int | None = None
    for batch in batches:
        last = int(batch.t[-1])
        if end is not None and last > end + _SPAN_US:
            span = gather.close(end)
            if span.batches:
                yield span
            end = last
        end = last if end is None else end
        gather.post(batch)
    if end is not None:
        yield gather.close(end, final=True)


def _of_source(pieces: list[CapturedPiece], source: SourceSettings, folder: Path) -> Iterator[Batch]:
    driver = load_driver(source.driver)
    if not isinstance(driver, DecodesCaptures):
        raise InputError(
            f"source {source.name}: a capture of {source.driver} cannot be played; those of serial ports and CAN can"
        )
    context = DriverContext(source.name, with_paths(source.driver, source.settings, folder), SystemClock())
    return driver.decoded(context, (piece for piece in pieces if piece.source == source.name))
