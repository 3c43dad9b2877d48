"""A frame map's requests are sent only once the operator agreed to their bytes: a real process, a real line."""

from __future__ import annotations

import os
import select
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

ROOT = Path(__file__).parents[2]
REQUEST = bytes.fromhex("A55A01000020")
FILE = """\
[pack]
chemistry = "lfp"
cells_in_series = 16
capacity_ah = 100

[[source]]
driver = "serial-frames"
name = "pack"
port = "{port}"
[source.map]
byte_order = "big"

[source.map.frame]
start = "A5 5A"
length = 8
[source.map.poll]
interval_s = 0.2
request = [{{ bytes = "{data}" }}]
[source.map.message.state]
fields.pack_voltage = {{ byte = 4, width = 16, scale = 0.01 }}
"""


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    far, near = os.openpty()
    yield far, os.ttyname(near)
    os.close(far)
    os.close(near)


@pytest.fixture
def file(tmp_path: Path, line: tuple[int, str]) -> Path:
    path = tmp_path / "m.toml"
    path.write_text(FILE.format(port=line[1], data=REQUEST.hex(" ")), "utf-8")
    return path


def watch(file: Path, line: tuple[int, str], *options: str, answer: str | None = None) -> tuple[int, str, bytes]:
    """Watch until something is sent or the run ends; return exit status, what it said and what was sent.

    ``answer`` is typed at a terminal, None means that there is none.
    """
    far = near = -1
    if answer is not None:
        far, near = os.openpty()
        os.write(far, answer.encode())
    command = [sys.executable, "-m", "telemetry.cli", "watch", str(file), "--no-screen", "--silent", "--for", "60"]
    process = subprocess.Popen(
        [*command, "--store", str(file.with_suffix(".sqlite3")), *options],
        stdin=subprocess.DEVNULL if answer is None else near,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(file.parent), "HOME": str(file.parent)},
    )
    while process.poll() is None and not select.select([line[0]], [], [], 0.05)[0]:
        pass
    if process.poll() is None:
        process.terminate()
    said = process.communicate()[1]
    if answer is not None:
        os.close(far)
        os.close(near)
    sent = os.read(line[0], 4096) if select.select([line[0]], [], [], 0)[0] else b""
    return process.returncode, said, sent


def test_without_a_terminal_it_refuses_and_sends_nothing(file: Path, line: tuple[int, str]) -> None:
    status, said, sent = watch(file, line)
    assert status == 2
    assert "pack: A5 5A 01 00 00 20" in said
    assert "add --yes" in said
    assert sent == b""


def test_no_sends_nothing(file: Path, line: tuple[int, str]) -> None:
    status, said, sent = watch(file, line, answer="\n")
    assert status == 2
    assert "nothing was sent" in said
    assert sent == b""


def test_yes_is_asked_once_and_again_after_a_change(file: Path, line: tuple[int, str]) -> None:
    _, said, sent = watch(file, line, answer="yes\n")
    assert "Send them?" in said
    assert REQUEST in sent
    _, said, sent = watch(file, line)
    assert "Send them?" not in said
    assert REQUEST in sent
    file.write_text(file.read_text("utf-8").replace(REQUEST.hex(" "), "a5 5a 02 00 00 20"), "utf-8")
    status, _, sent = watch(file, line)
    assert status == 2
    assert sent == b""


def test_an_option_agrees_for_scripts(file: Path, line: tuple[int, str]) -> None:
    _, said, sent = watch(file, line, "--yes")
    assert "Send them?" not in said
    assert REQUEST in sent
