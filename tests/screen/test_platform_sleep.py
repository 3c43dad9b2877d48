"""Staying awake: what holds is said, what does not is said too, and nothing of it stops a run."""

from __future__ import annotations

import asyncio
import os
import stat
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from telemetry.runs.platform_sleep import StayAwake

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="tries the way that Linux has")

# A program that keeps to systemd-inhibit(1): takes the lock, runs the command under it, lets go when that ends; fails
# where the right is missing.
INHIBIT = """#!{python}
import os, subprocess, sys
options = dict(a[2:].split("=", 1) for a in sys.argv[1:] if a.startswith("--"))
command = [a for a in sys.argv[1:] if not a.startswith("--")]
if options["what"] in {refused!r}:
    sys.exit("Failed to inhibit: Access denied")
open({held!r}, "w").write(options["what"] + " " + options["mode"])
status = subprocess.call(command)
os.unlink({held!r})
sys.exit(status)
"""


@pytest.fixture
def inhibit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Path]:
    """Return what puts such a program on the path; gives the file that exists while the lock is held."""
    held = tmp_path / "held"
    cat = next(Path(folder) / "cat" for folder in os.environ["PATH"].split(":") if (Path(folder) / "cat").exists())
    (tmp_path / "cat").symlink_to(cat)
    monkeypatch.setenv("PATH", str(tmp_path))

    def make(refused: tuple[str, ...] = ()) -> Path:
        program = tmp_path / "systemd-inhibit"
        program.write_text(INHIBIT.format(python=sys.executable, refused=refused, held=str(held)))
        program.chmod(program.stat().st_mode | stat.S_IXUSR)
        return held

    return make


async def test_sleep_and_lid_are_held_while_entered_and_let_go_after(inhibit: Callable[..., Path]) -> None:
    held = inhibit()
    async with StayAwake() as awake:
        assert held.read_text() == "sleep:idle:handle-lid-switch block"
        assert (awake.holds_sleep, awake.holds_lid) == (True, True)
        assert "even with its lid closed" in awake.describe()
    assert not held.exists()
    assert not awake.holds_sleep


async def test_without_the_right_to_the_lid_sleep_alone_is_held_and_said(inhibit: Callable[..., Path]) -> None:
    held = inhibit(refused=("sleep:idle:handle-lid-switch",))
    async with StayAwake() as awake:
        assert held.read_text() == "sleep:idle block"
        assert (awake.holds_sleep, awake.holds_lid) == (True, False)
        assert "may sleep when its lid is closed" in awake.describe()


async def test_a_refusal_and_a_missing_program_are_said_and_stop_nothing(
    inhibit: Callable[..., Path], tmp_path: Path
) -> None:
    async with StayAwake() as awake:
        assert "systemd-inhibit is missing" in awake.describe()
        assert not awake.holds_sleep
    inhibit(refused=("sleep:idle:handle-lid-switch", "sleep:idle"))
    async with StayAwake() as awake:
        assert "was refused" in awake.describe()
        assert not awake.holds_sleep
    (tmp_path / "systemd-inhibit").write_text("#!/no/such/interpreter\n")
    async with StayAwake() as awake:
        assert "turn off sleep" in awake.describe()


async def test_a_killed_program_holds_nothing(inhibit: Callable[..., Path]) -> None:
    held = inhibit()
    code = (
        "import asyncio, sys\n"
        "from telemetry.runs.platform_sleep import StayAwake\n"
        "async def main():\n"
        "    async with StayAwake():\n"
        "        print('held', flush=True)\n"
        "        await asyncio.sleep(60)\n"
        "asyncio.run(main())\n"
    )
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-c", code, stdout=asyncio.subprocess.PIPE, env=environment
    )
    assert child.stdout is not None
    assert await child.stdout.readline() == b"held\n"
    assert held.exists()
    child.kill()
    await child.wait()
    while held.exists():  # noqa: ASYNC110 - another process removes it
        await asyncio.sleep(0.01)


async def test_what_is_said_is_one_or_two_plain_sentences(inhibit: Callable[..., Path]) -> None:
    inhibit()
    async with StayAwake() as awake:
        said = awake.describe()
    assert said.endswith(".")
    assert "\n" not in said
    assert said.count(". ") <= 1
