"""Remembers what was found good, so that the screen need not wait until it is looked at once more.

To read a machine file takes a sixth of the time in which the screen appears, and a source's own keys are checked by
its driver, which takes as long as the screen itself. So a machine file that was found good before, and is as it was
then, is checked again behind the screen; any other before it.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path

from telemetry.model.toml_text import LARGEST_TEXT, parse_toml
from telemetry.store.place import own_folder

_FILE_AT_MOST = 10_000_000
_KEPT = 200


class FoundGood:
    """The digests of what was found good and the machines' names, in a file of the program's own folder.

    Where it cannot be written nothing is remembered.
    """

    def __init__(self, name: str) -> None:
        self._path = own_folder() / name

    def name_of(self, digest: str) -> str | None:
        """Return the name of the machine that this stands for; None where it was not found good."""
        return self._entries().get(digest)

    def add(self, digest: str, machine_name: str) -> None:
        """Take that it is good."""
        entries = self._entries()
        if entries.pop(digest, None) != machine_name:
            self._write(entries | {digest: machine_name})

    def discard(self, digest: str) -> None:
        """Take that it no longer is."""
        entries = self._entries()
        if entries.pop(digest, None) is not None:
            self._write(entries)

    def _entries(self) -> dict[str, str]:
        try:
            lines = self._path.read_text("utf-8").splitlines()
        except (OSError, ValueError):
            return {}
        return {digest: name for digest, _, name in (line.partition(" ") for line in lines)}

    def _write(self, entries: dict[str, str]) -> None:
        lines = [f"{digest} {name}\n" for digest, name in entries.items()]
        with suppress(OSError):  # then it is looked at again the next time
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._path.write_text("".join(lines[-_KEPT:]), "utf-8")


def digest_of(*texts: str) -> str:
    """Return what stands for these texts."""
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def file_digest(path: Path) -> str:
    """Return what stands for a machine file and the files that its sources name, as they are now.

    Empty where it cannot be read as one, which whoever reads it in earnest explains.
    """
    try:
        if not path.is_file() or path.stat().st_size > 4 * LARGEST_TEXT:
            return ""
        text = path.read_text("utf-8-sig")
        sources = parse_toml(text).get("source", [])
    except (OSError, ValueError):
        return ""
    if not isinstance(sources, list):
        return ""
    values = [value for source in sources if isinstance(source, dict) for value in source.values()]
    named = [_content_digest(path.parent, value) for value in values if isinstance(value, str)]
    return digest_of(text, *filter(None, named))


def _content_digest(folder: Path, name: str) -> str:
    with suppress(OSError, ValueError, RuntimeError):  # many a text is no name of a file
        path = folder / Path(name).expanduser()
        if path.is_file() and path.stat().st_size <= _FILE_AT_MOST:
            return hashlib.sha256(path.read_bytes()).hexdigest()
    return ""
