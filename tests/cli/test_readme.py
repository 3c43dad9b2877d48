"""The commands of README.md work as printed, in their order."""

from __future__ import annotations

import io
import re
import shlex
from pathlib import Path

import pytest

from telemetry.cli import main

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
# A screen, hours of driving and a keyboard are not to be had here; nothing else about a command is changed.
HURRIED = {"watch": ["--no-screen", "--silent", "--for", "3"], "replay": ["--no-screen", "--silent", "--for", "1"]}
TYPED = {"new-machine": "\n" * 40, "first-power": "later\n"}
# With the answers left empty the machine file names no source, as README.md says: nothing to watch or to drive by.
# isolate judges whatever these few seconds hold: 1 says that it names a part.
# review is a screen and nothing else: without a terminal it says so.
STATUS = {
    "shakedown check": {0, 1},
    "shakedown watch mower.toml": {2},
    "shakedown drive mower.toml": {2},
    "shakedown review last": {2},
    "shakedown isolate last": {0, 1},
}


def commands() -> list[str]:
    blocks = re.findall(r"^```sh\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    lines = [line.partition("#")[0].strip() for block in blocks for line in block.splitlines()]
    return [line for line in lines if line]


def test_the_environment_is_activated_before_the_first_bare_command() -> None:
    bare = [line for line in commands() if line.startswith("shakedown ")]
    assert len(bare) > 10
    assert commands().index(". .venv/bin/activate") < commands().index(bare[0])


def test_every_command_works_as_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    rows = "".join(f"{second},{52.8 - 0.02 * (second % 40)},{second % 40}\n" for second in range(120))
    (tmp_path / "drive.csv").write_text(f"Time (s),Volts,Amps\n{rows}")  # what another logger wrote
    for line in commands():
        if not line.startswith("shakedown "):
            continue
        arguments = shlex.split(line)[1:]
        monkeypatch.setattr("sys.stdin", io.StringIO(TYPED.get(arguments[0], "")))
        status = main([*arguments, *HURRIED.get(arguments[0], [])])
        said = capsys.readouterr()
        assert status in STATUS.get(line, {0}), f"{line}: {said.err}"
        assert said.out.strip() or status == 2, line
    assert {path.name for path in tmp_path.iterdir()} >= {"mower.toml", "mow.html", "mow.csv"}
