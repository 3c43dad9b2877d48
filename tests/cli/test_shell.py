"""Completions in real shells, the manual under man, and long work that says how far it is and can be cancelled."""

from __future__ import annotations

import io
import os
import pty
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from telemetry.cli import COMMANDS, build_parser
from telemetry.commands.shell import SHELLS
from telemetry.model.batch import Batch, Group, Span
from telemetry.runs.progress import Progress
from telemetry.store.reader import StoreReader
from telemetry.store.writer import StoreWriter
from tests.faults.program import BUSY_S, environment, shakedown
from tests.screen.test_real_terminal import Terminal

START = 1_700_000_000_000_000
SECOND = 1_000_000
ALL = sorted(build_parser()._subparsers._group_actions[0].choices)  # type: ignore[union-attr, arg-type, call-overload]

CASES = {
    "shakedown wat": ["watch"],
    "shakedown re": ["repair", "replay", "report", "review"],
    "shakedown watch --fo": ["--follow", "--for"],
    "shakedown replay --units ": ["imperial", "metric"],
    "shakedown fit mow": ["mower.toml"],
}


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a machine file, in which ``shakedown`` is a command, and the scripts of the three shells."""
    (tmp_path / "mower.toml").write_text("", "utf-8")
    program = tmp_path / "shakedown"
    program.write_text("#!/bin/sh\nexit 0\n", "utf-8")
    program.chmod(0o755)
    for shell in SHELLS:
        done = shakedown("completion", shell)
        assert (done.returncode, done.stderr) == (0, "")
        (tmp_path / f"_{shell}").write_text(done.stdout, "utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    return tmp_path


def run(*words: str) -> str:
    done = subprocess.run(words, capture_output=True, text=True, timeout=BUSY_S, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("typed", sorted(CASES))
def test_bash_completes(here: Path, typed: str) -> None:
    script = f"""
        source ./_bash
        COMP_LINE={typed!r}
        COMP_POINT=${{#COMP_LINE}}
        COMP_WORDS=($COMP_LINE)
        [[ $COMP_LINE == *' ' ]] && COMP_WORDS+=("")
        COMP_CWORD=$(( ${{#COMP_WORDS[@]}} - 1 ))
        _shtab_shakedown shakedown "${{COMP_WORDS[COMP_CWORD]}}"
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    assert sorted(run("bash", "-c", script).split()) == CASES[typed]


@pytest.mark.skipif(shutil.which("fish") is None, reason="needs fish")
@pytest.mark.parametrize("typed", sorted(CASES))
def test_fish_completes(here: Path, typed: str) -> None:
    said = run("fish", "--no-config", "-c", f"source ./_fish; complete -C {typed!r}")
    assert sorted(line.partition("\t")[0] for line in said.splitlines()) == CASES[typed]


@pytest.mark.skipif(shutil.which("zsh") is None or shutil.which("tmux") is None, reason="needs zsh and tmux")
def test_zsh_completes(here: Path, tmp_path: Path) -> None:
    run("zsh", "-n", "_zsh")
    terminal = Terminal(tmp_path)
    try:
        start = "autoload -Uz compinit; compinit -u -D; source ./_zsh; compdef _shtab_shakedown shakedown; clear"
        (tmp_path / ".zshrc").write_text(f"PS1='> '\n{start}\n", "utf-8")
        words = ["new-session", "-d", "-s", "drive", "-x", "100", "-y", "30", "zsh", "-i"]
        terminal._tmux(*words, env=environment(ZDOTDIR=str(tmp_path), TERM="screen-256color"))
        terminal.wait_until(lambda rows: rows[0].startswith(">"), "the shell")
        for typed, completed in (("shakedown wat", "shakedown watch"), (" --foll", "shakedown watch --follow")):
            terminal._tmux("send-keys", "-t", "drive", "-l", typed)
            terminal.press("Tab")
            terminal.wait_until(lambda rows, want=completed: any(want in row for row in rows), completed)  # type: ignore[misc]
    finally:
        terminal.close()


@pytest.mark.skipif(shutil.which("man") is None or shutil.which("groff") is None, reason="needs man and groff")
def test_the_manual_page_is_one_and_has_every_command(tmp_path: Path) -> None:
    page = tmp_path / "shakedown.1"
    assert shakedown("manual", "--out", page).returncode == 0
    assert shakedown("manual", "--out", page).returncode == 2, "nothing is replaced unasked"
    done = subprocess.run(
        ["man", "--warnings", "-l", str(page)],
        capture_output=True,
        text=True,
        env=os.environ | {"MANWIDTH": "100", "LC_ALL": "C.UTF-8", "PAGER": "cat"},
        timeout=BUSY_S,
        check=True,
    )
    assert done.stderr == ""
    assert "watches and records a traction battery pack" in done.stdout
    for command in ALL:
        assert f"shakedown {command}" in done.stdout, command
    assert "--keep-recording" in done.stdout


def test_a_shell_that_is_not_known_is_refused() -> None:
    done = shakedown("completion", "ksh")
    assert done.returncode == 2
    assert "bash or zsh or fish" in done.stderr
    assert len(COMMANDS) > 5


# How far long work has come


class FakeTerminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_line_says_what_is_done_and_is_gone_afterwards() -> None:
    stream = FakeTerminal()
    with Progress(stream, after_s=0.0) as progress:
        progress.at("reading session 4", "43 %")
        begun = time.monotonic()
        while "43 %" not in stream.getvalue():
            assert time.monotonic() < begun + BUSY_S
            time.sleep(0.01)
        progress.warn("something")
    text = stream.getvalue()
    assert "reading session 4 ... 43 %" in text
    assert "ctrl-c cancels" in text
    assert "warning: something\n" in text
    assert text.rindex(f"\r{'':<78}\r") > text.rindex("reading")


def test_nothing_is_said_of_quick_work_nor_without_a_terminal() -> None:
    for stream, after in ((FakeTerminal(), 60.0), (io.StringIO(), 0.0)):
        with Progress(stream, after_s=after) as progress:
            progress.at("reading")
            time.sleep(0.6)
        assert stream.getvalue() == ""


@pytest.fixture(scope="module")
def long_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a session of ten hours at ten rows a second, 16 cells. Invented values."""
    store = tmp_path_factory.mktemp("long") / "store.sqlite3"
    names = ("pack_voltage", "pack_current", *(f"cell_{n:02d}_voltage" for n in range(1, 17)))
    group = Group("pack", "pack", names)
    with StoreWriter.open(store) as writer:
        writer.begin_session(
            machine="cart", machine_text=None, origin="live", time_basis="absolute", started=START, start=START
        )
        for first in range(0, 360_000, 6_000):
            t = START + np.arange(first, first + 6_000) * (SECOND // 10)
            rows = np.full((len(t), len(names)), 3.3)
            rows[:, 0], rows[:, 1] = 52.8, 40.0
            writer.offer(Span(int(t[-1])).adding([Batch(group, t, rows)], ()))
            writer.flush()
        writer.end_session(START + 36_000 * SECOND)
    return store


def test_an_export_in_a_terminal_shows_how_far_it_is_and_ctrl_c_leaves_nothing(
    long_session: Path, tmp_path: Path
) -> None:
    out = tmp_path / "all.csv"
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "telemetry.cli", "export", "1", str(out), "--store", str(long_session)]
    with subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL, stderr=theirs) as process:
        os.close(theirs)
        shown = b""
        begun = time.monotonic()
        while b" %" not in shown:
            assert process.poll() is None, shown
            assert time.monotonic() < begun + BUSY_S
            if select.select([ours], [], [], 0.1)[0]:
                shown += os.read(ours, 4096)
        process.send_signal(signal.SIGINT)
        assert process.wait(BUSY_S) == 130
        while select.select([ours], [], [], 0.2)[0]:
            try:
                piece = os.read(ours, 4096)
            except OSError:
                break
            if not piece:
                break
            shown += piece
    os.close(ours)
    assert b"reading session 1 ..." in shown
    assert shown.rstrip().endswith(b"cancelled")
    assert b"Traceback" not in shown
    assert list(tmp_path.iterdir()) == [], "nothing half-written"
    with StoreReader.open(long_session) as reader:
        assert len(reader.sessions()) == 1


@pytest.mark.parametrize("words", [("report", "1", "--html", "page.html"), ("compare", "1", "1"), ("isolate", "1")])
def test_other_long_work_ends_at_ctrl_c_too(long_session: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "telemetry.cli", *words, "--store", str(long_session)]
    ours, theirs = pty.openpty()
    with subprocess.Popen(command, env=environment(), cwd=tmp_path, stdout=subprocess.PIPE, stderr=theirs) as process:
        os.close(theirs)
        shown = b""
        begun = time.monotonic()
        while b"..." not in shown:
            assert process.poll() is None, shown
            assert time.monotonic() < begun + BUSY_S
            if select.select([ours], [], [], 0.1)[0]:
                shown += os.read(ours, 4096)
        process.send_signal(signal.SIGINT)
        assert process.stdout is not None
        assert process.stdout.read() == b""
        assert process.wait(BUSY_S) == 130
    os.close(ours)
    assert list(tmp_path.iterdir()) == []
