"""Raw bytes and logs of devices as recordings, decoded by the sources of a machine file as they would be live.

So a drive that was recorded with a wrong map, sign or lag is not lost: mend the machine file, and play it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from telemetry.driver import DecodesCaptures, DriverContext, ReadsLogs
from telemetry.machine.machine_file import Machine, SourceSettings
from telemetry.model.batch import Batch, Group, Span
from telemetry.model.capture import CapturedPiece, read_capture
from telemetry.model.clock import SystemClock
from telemetry.model.errors import InputError, NothingReadable, printable
from telemetry.model.recording import HeldRecording, Recording, TimeBasis
from telemetry.pipeline.gather import gather_for
from telemetry.pipeline.registry import drivers_that, load_driver, with_paths

FIRST_WORDS = b"capture 1 began "


def is_capture(path: Path) -> bool:
    """Tell whether a file is a capture, by its first words."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(FIRST_WORDS)) == FIRST_WORDS
    except OSError:
        return False


def context_of(source: SourceSettings, machine: Machine) -> DriverContext:
    """Return what the driver of a source is given to decode what was kept of its link."""
    settings = with_paths(source.driver, source.settings, Path(machine.file).parent)
    return DriverContext(source.name, settings, SystemClock())


def capture_recording(path: Path, machine: Machine) -> Recording:
    """Return a capture as a recording, held in memory; the machine's sources decode the pieces of the same name.

    Raises:
        NothingReadable: no reading is in it, with what was seen.
        InputError: none of its sources is in the machine file, or either file is wrong.

    """
    file, pieces = printable(path, 200), list(read_capture(path))
    heard = {piece.source for piece in pieces}
    sources = [source for source in machine.sources if source.name in heard]
    if not sources:
        named = ", ".join(sorted(map(printable, heard))) or "nothing"
        stated = ", ".join(source.name for source in machine.sources) or "none"
        raise InputError(
            f"{file} holds bytes of {named}, and the machine file has the sources {stated}; use the same names"
        )
    batches, silent = list[Batch](), list[str]()
    for source in sources:
        try:
            batches += [batch for batch in _of_source(pieces, source, machine) if len(batch)]
        except NothingReadable as error:
            silent.append(f"{source.name}: {error}")
    if not batches:
        counts = [
            f"{source.name}: {sum(len(p.data) for p in pieces if p.source == source.name)} bytes"
            for source in sources
        ]
        raise NothingReadable(
            f"{file}: no reading was found in it ({'; '.join(silent or counts)}); see what decode-check makes of it"
        )
    others = sorted(map(printable, heard - {source.name for source in sources}))
    left = f"{file}: bytes of {', '.join(others)} are left out; the machine file has no such source"
    gather = gather_for(sources)
    for batch in sorted(batches, key=lambda each: int(each.t[-1])):
        gather.post(batch)
    rows = gather.close(0, final=True).batches
    warnings = (*([left] if others else []), *(f"{file}, {each}" for each in silent))
    return HeldRecording(path.name, rows, "absolute", machine.text, warnings)


def _of_source(pieces: list[CapturedPiece], source: SourceSettings, machine: Machine) -> Iterator[Batch]:
    driver = load_driver(source.driver)
    if not isinstance(driver, DecodesCaptures):
        raise InputError(
            f"source {source.name}: a capture of {source.driver} cannot be played; those of serial ports and CAN can"
        )
    return driver.decoded(context_of(source, machine), (piece for piece in pieces if piece.source == source.name))


def link_recording(path: Path, machine: Machine | None) -> Recording | None:
    """Return what was kept of a link as a recording; None where the file does not show that it is such a thing.

    Raises:
        NothingReadable: nothing of it is read, with what was seen.
        InputError: there is no machine file with a source for it, or the file cannot be read.

    """
    if is_capture(path):
        if machine is None:
            raise InputError(
                f"{printable(path, 200)} holds raw bytes; give --machine FILE with the [[source]] tables that say how"
                " to decode them"
            )
        return capture_recording(path, machine)
    for name, driver in drivers_that(ReadsLogs).items():
        if driver.reads_any_text or not driver.is_log(path):
            continue
        log = _decoded(path, name, driver, machine)
        if log is None:
            raise InputError(
                f"{printable(path, 200)} is a device log; give --machine FILE with a [[source]] whose driver is"
                f" {' or '.join((name, *driver.log_of))}, which says how to decode it"
            )
        return log
    return None


def may_be_log(path: Path) -> bool:
    """Tell whether a file is text that a device may have sent; a source of a machine file would decode it."""
    return any(driver.reads_any_text and driver.is_log(path) for driver in drivers_that(ReadsLogs).values())


def text_log_recording(path: Path, machine: Machine | None) -> Recording | None:
    """Return lines of text as a recording, decoded by a source of the machine file; None where it has none for them.

    Raises:
        NothingReadable: nothing of them is read, with what was seen.
        InputError: they have no times, or the file cannot be read.

    """
    for source in machine.sources if machine is not None else ():
        driver = load_driver(source.driver)
        if isinstance(driver, ReadsLogs) and driver.reads_any_text and driver.is_log(path):
            return _decoded(path, source.driver, driver, machine)
    return None


def _decoded(path: Path, name: str, driver: ReadsLogs, machine: Machine | None) -> Recording | None:
    """Return a log as the first source that reads anything of it decodes it; None where there is no source for it."""
    heard = list[str]()
    for source in machine.sources if machine is not None else ():
        if machine is not None and source.driver in (name, *driver.log_of):
            try:
                return Gathered(driver.recording(path, context_of(source, machine)), source, machine)
            except NothingReadable as error:
                heard.append(str(error))
    if heard:
        raise NothingReadable("; ".join(heard))
    return None


class Gathered:
    """A log of one source with its rows gathered as in a live run: the current's sign, no impossible values.

    A :class:`telemetry.model.recording.Recording`.

    Args:
        log: as its driver reads it.
        source: what the machine file says of it.
        machine: that machine.

    """

    def __init__(self, log: Recording, source: SourceSettings, machine: Machine) -> None:
        self._log, self._source = log, source
        self.name, self.machine_text, self.start = log.name, machine.text, log.start
        self.time_basis: TimeBasis = log.time_basis
        self.groups: tuple[Group, ...] = log.groups
        self._unknown: tuple[str, ...] = ()

    @property
    def warnings(self) -> tuple[str, ...]:
        """See :class:`telemetry.model.recording.Recording`."""
        return (*self._log.warnings, *self._unknown)

    def spans(self, rows: int = 8192) -> Iterator[Span]:
        """See :meth:`telemetry.model.recording.Recording.spans`."""
        gather = gather_for([self._source])
        for span in self._log.spans(rows):
            for batch in span.batches:
                gather.post(batch)
            yield gather.close(span.end)
        self._unknown = tuple(f"{self.name}: {told}" for told in gather.possible.told())
