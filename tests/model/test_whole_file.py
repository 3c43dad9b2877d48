"""Files that are whole or not there, and that only their owner may read."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from telemetry.model.errors import InputError
from telemetry.model.whole_file import whole_or_not_at_all

ROOT = Path(__file__).parents[2]


def test_a_killed_writer_leaves_nothing_once_the_file_is_written_again(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    code = """
import os, signal, sys
from pathlib import Path
from telemetry.model.whole_file import whole_or_not_at_all
with whole_or_not_at_all(Path(sys.argv[1]), replace=True) as stream:
    stream.write(b"half")
    stream.flush()
    os.kill(os.getpid(), signal.SIGTERM)
"""
    killed = subprocess.run(
        [sys.executable, "-c", code, str(path)], env=os.environ | {"PYTHONPATH": str(ROOT)}, check=False
    )
    assert killed.returncode != 0
    assert not path.exists()
    others = tmp_path / f".page.html.{os.getpid()}.part"  # of a program that runs
    others.write_bytes(b"another")
    beside = tmp_path / ".other.html.999999999.part"
    beside.write_bytes(b"of another file")
    with whole_or_not_at_all(tmp_path / "." / "page.html", replace=True) as stream:
        stream.write(b"whole")
    assert path.read_bytes() == b"whole"
    assert [each.name for each in tmp_path.iterdir() if each != path] == [beside.name]


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another sort")
def test_only_the_owner_may_read_a_new_file_and_an_old_one_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    for _ in range(2):
        with whole_or_not_at_all(path, replace=True) as stream:
            stream.write(b"positions")
        assert path.stat().st_mode & 0o777 == 0o600
    path.chmod(0o644)
    with whole_or_not_at_all(path, replace=True) as stream:
        stream.write(b"positions")
    assert path.stat().st_mode & 0o777 == 0o644


@pytest.mark.skipif(sys.platform == "win32", reason="needs a right there")
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    path, link = tmp_path / "page.html", tmp_path / "link.html"
    link.symlink_to(path)
    with whole_or_not_at_all(link, replace=True) as stream:
        stream.write(b"whole")
    assert link.is_symlink()
    assert path.read_bytes() == b"whole"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="Linux has it")
def test_a_device_is_written_to_and_not_replaced() -> None:
    with pytest.raises(InputError, match="No space left"), whole_or_not_at_all(Path("/dev/full"), True) as stream:
        stream.write(b"whole")
    assert Path("/dev/full").is_char_device()
