"""Alarms made heard: the sounds themselves, the way to a player, repeating, muting. Time is turned by hand."""

from __future__ import annotations

import asyncio
import json
import os
import stat
import sys
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from telemetry.model.batch import Span
from telemetry.model.clock import ManualClock
from telemetry.model.errors import InputError, printable
from telemetry.model.events import AlarmChange
from telemetry.screen.players import checked_command, checked_sound, run_quietly
from telemetry.screen.sound import (
    BELL_GAP_US,
    BELLS,
    HARMONICS,
    MUTE_US,
    PATTERNS,
    RATE,
    REPEAT_US,
    Pattern,
    Sounder,
    samples,
    wav_bytes,
)
from tests.faults.program import BUSY_S

# A program that behaves as players do: reads the file it is named, and fails where that is none.
PLAYER = """#!{python}
import sys, wave
with wave.open(sys.argv[-1]) as sound:
    assert sound.getnframes() > 0
with open({log!r}, "a") as log:
    log.write(sys.argv[-1].rsplit("/", 1)[-1] + "\\n")
sys.exit({status})
"""

pytestmark = pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="tries the ways that Linux has")


@pytest.fixture
def players(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Path]:
    """Return what puts players of given names and exit statuses on an otherwise empty path; gives the log."""
    log = tmp_path / "played"
    log.touch()
    monkeypatch.setenv("PATH", str(tmp_path))

    def make(**statuses: int) -> Path:
        for name, status in statuses.items():
            program = tmp_path / name.replace("_", "-")
            program.write_text(PLAYER.format(python=sys.executable, log=str(log), status=status))
            program.chmod(program.stat().st_mode | stat.S_IXUSR)
        return log

    return make


STANDS = {"raised": "unacknowledged", "acknowledged": "acknowledged", "cleared": "returned unacknowledged"}


def raised(limit: str = "cell-voltage-low", level: str = "trip", state: str = "raised") -> Span:
    change = AlarmChange(1, limit, "cell_min_voltage", level, state, 2.4, 2.5, "", STANDS[state])  # type: ignore[arg-type]
    return Span(1, (), (change,))


async def until(condition: Callable[[], bool]) -> None:
    """Let programs run until ``condition`` holds; the test's own time limit ends a wait in vain."""
    while not condition():  # noqa: ASYNC110 - what is waited for happens in another process
        await asyncio.sleep(0.01)


def played(log: Path) -> list[str]:
    return log.read_text().split()


@pytest.mark.parametrize("sound", sorted(PATTERNS))
def test_sounds_are_wav_files_that_the_standard_library_reads(sound: Any, tmp_path: Path) -> None:
    file = tmp_path / "sound.wav"
    file.write_bytes(wav_bytes(sound))
    with wave.open(str(file)) as read:
        assert (read.getnchannels(), read.getsampwidth(), read.getframerate()) == (1, 2, RATE)
        values = np.frombuffer(read.readframes(read.getnframes()), dtype="<i2")
    assert 0.3 < len(values) / RATE < 4.0
    assert 0.8 * 32767 < np.abs(values.astype(int)).max() <= 32767


@pytest.mark.parametrize("pitch", sorted({p for pattern in PATTERNS.values() for p in pattern.pitches if p}))
def test_a_pulse_has_its_pitch_and_four_harmonics_of_like_strength(pitch: float) -> None:
    # IEC 60601-1-8 (from memory): fundamental 150 to 1000 Hz, at least four harmonics within 15 dB of it.
    assert 150 <= pitch <= 1000
    sound = samples(Pattern((pitch,), 1.0, 0.0))
    strength = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    frequency = np.fft.rfftfreq(len(sound), 1 / RATE)
    peaks = [strength[np.abs(frequency - pitch * n) < 5].max() for n in range(1, len(HARMONICS) + 1)]
    assert len(peaks) >= 5
    assert all(abs(20 * np.log10(peak / peaks[0])) < 15 for peak in peaks)
    between = strength[np.abs(frequency - 1.5 * pitch) < 5].max()
    assert between < peaks[-1] / 10


def test_the_more_urgent_the_more_pulses() -> None:
    # IEC 60601-1-8 (from memory): ten pulses for high priority, three for medium, one or two for low.
    pulses = {name: sum(pitch > 0 for pitch in pattern.pitches) for name, pattern in PATTERNS.items()}
    assert pulses["high"] == 10
    assert pulses["medium"] == 3
    assert pulses["low"] in (1, 2)
    assert BELLS["high"] > BELLS["medium"] > BELLS["low"] >= 1


@pytest.mark.parametrize(
    ("limit", "level", "sound"),
    [("cell-voltage-low", "trip", "high"), ("pack-voltage-low", "trip", "medium"), ("cell-spread", "warn", "low")],
)
async def test_an_alarm_sounds_by_its_priority_at_once_and_again_until_acknowledged(
    players: Any, limit: str, level: str, sound: Any
) -> None:
    log, clock = players(aplay=0), ManualClock()
    async with Sounder(clock) as sounder:
        sounder.take(raised(limit, level))
        await until(lambda: len(played(log)) == 1)
        await until(lambda: bool(clock._waiting))
        await clock.advance(REPEAT_US[sound] / 1e6 - 0.1)
        assert (await sounder.test()).startswith("sound test played by aplay")
        assert len(played(log)) == 2, "not yet"
        await clock.advance(0.2)
        await until(lambda: len(played(log)) == 3)
        sounder.take(raised(limit, level, "acknowledged"))
        await clock.advance(5 * REPEAT_US[sound] / 1e6)
        await sounder.test()
        assert played(log) == [f"{sound}.wav", "test.wav", f"{sound}.wav", "test.wav"]


async def test_the_most_urgent_goes_first_and_what_is_over_is_silent(players: Any) -> None:
    log, clock = players(aplay=0), ManualClock()
    async with Sounder(clock) as sounder:
        sounder.take(raised("cell-spread", "warn"))
        sounder.take(raised())
        sounder.take(raised("pack-temperature-high", "warn"))
        await until(lambda: len(played(log)) == 1)
        for limit in ("cell-voltage-low", "cell-spread", "pack-temperature-high"):
            sounder.take(raised(limit, state="cleared"))
        await clock.advance(3 * REPEAT_US["low"] / 1e6)
        assert (await sounder.test()).startswith("sound test played by aplay")
        assert played(log) == ["high.wav", "test.wav"]


async def test_the_owners_sound_is_played_instead(players: Any, tmp_path: Path) -> None:
    log = players(aplay=0)
    own = tmp_path / "horn.wav"
    own.write_bytes(wav_bytes("low"))
    async with Sounder(ManualClock(), checked_sound(own)) as sounder:
        sounder.take(raised())
        await until(lambda: played(log) == ["horn.wav"])


async def test_the_owners_command_gets_words_and_no_shell_sees_them(players: Any, tmp_path: Path) -> None:
    players(aplay=0)
    log = tmp_path / "told"
    program = tmp_path / "tell"
    program.write_text(f"#!{sys.executable}\nimport sys, json\njson.dump(sys.argv[1:], open({str(log)!r}, 'w'))\n")
    program.chmod(0o755)
    evil = "$(touch gone); `x` | y\x1b[2J"
    async with Sounder(ManualClock(), command=checked_command(f"{program} --to 'two words'")) as sounder:
        sounder.take(Span(1, (), (AlarmChange(1, "link", evil, "trip", "raised", 1.0, 1.0),)))
        await until(lambda: log.exists() and log.read_text().endswith("]"))
    assert json.loads(log.read_text()) == ["--to", "two words", "medium", "link", printable(evil, 80)]


async def test_a_command_that_hangs_keeps_nobody_waiting(players: Any, tmp_path: Path) -> None:
    log = players(aplay=0)
    program = tmp_path / "hang"
    program.write_text(f"#!{sys.executable}\nimport time\ntime.sleep(60)\n")
    program.chmod(0o755)
    async with Sounder(ManualClock(), command=checked_command(str(program))) as sounder:
        sounder.take(raised())
        await until(lambda: played(log) == ["high.wav"])
        sounder.take(raised("cell-voltage-high"))
        await until(lambda: len(played(log)) == 2)
    assert sounder._commanding is not None
    assert sounder._commanding.done()


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is empty"),
        ("no-such-program --x", "there is no program no-such-program"),
        ("say 'so", "close every quote"),
    ],
)
def test_a_command_that_cannot_run_is_told_at_once(text: str, what: str) -> None:
    with pytest.raises(InputError, match=what):
        checked_command(text)


def test_a_sound_that_cannot_be_played_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such sound file"):
        checked_sound(tmp_path / "none.wav")
    (tmp_path / "text.wav").write_text("no sound")
    with pytest.raises(InputError, match="give a WAV file"):
        checked_sound(tmp_path / "text.wav")


async def test_the_first_way_that_works_is_taken_and_named(players: Any) -> None:
    log = players(pw_play=1, paplay=0, aplay=0)
    async with Sounder(ManualClock()) as sounder:
        assert "played by paplay" in await sounder.test()
        assert "played by paplay" in await sounder.test()
        assert sounder.note(0) == ""
    assert len(played(log)) == 3, "the failing way was not asked again"


async def test_the_bell_is_the_last_resort_and_said_so(players: Any) -> None:
    players(aplay=1)
    rung = []
    clock = ManualClock()
    async with Sounder(clock) as sounder:
        sounder.bell = lambda: rung.append(clock.now())
        assert "terminal bell" in await sounder.test()
        assert sounder.note(0) == "bell only"
        sounder.take(raised())
        for ring in range(2, 2 + BELLS["high"]):
            await until(lambda ring=ring: len(rung) == ring)
            await until(lambda: bool(clock._waiting))
            await clock.advance(BELL_GAP_US / 1e6)
        assert len(rung) == 1 + BELLS["high"]


async def test_no_player_at_all_and_a_bell_that_fails_hurt_nobody(players: Any) -> None:
    players()

    def broken() -> None:
        raise OSError("no terminal")

    async with Sounder(ManualClock()) as sounder:
        sounder.bell = broken
        assert "terminal bell" in await sounder.test()
        assert sounder.note(0) == "bell only"


async def test_muting_lasts_ten_minutes_and_can_be_taken_back(players: Any) -> None:
    log, clock = players(aplay=0), ManualClock()
    async with Sounder(clock) as sounder:
        assert "10 minutes" in sounder.toggle_mute()
        sounder.take(raised())
        await until(lambda: bool(clock._waiting))
        assert played(log) == []
        assert sounder.note(clock.now()) == "sound off 10 min"
        await clock.advance(MUTE_US / 1e6 + 1)
        await until(lambda: played(log) == ["high.wav"])
        assert sounder.note(clock.now()) == ""
        sounder.toggle_mute()
        assert sounder.toggle_mute() == "sound is on again"


async def test_files_are_gone_and_nothing_plays_once_left(players: Any) -> None:
    players(aplay=0)
    async with Sounder(ManualClock()) as sounder:
        folder = sounder._folder
        assert folder is not None
        assert sorted(file.name for file in folder.iterdir()) == sorted(f"{sound}.wav" for sound in PATTERNS)
    assert not folder.exists()


async def test_the_keys_test_and_mute(make_rig: Any, players: Any) -> None:
    log = players(aplay=0)
    async with Sounder(ManualClock()) as sounder:
        rig = make_rig(sounder=sounder, test_sound=True)
        async with rig.screen.run_test(size=(80, 24)) as pilot:
            await until(lambda: "sound test played by aplay" in rig.text())
            await pilot.press("s")
            await until(lambda: len(played(log)) == 2)
            await until(lambda: "sound test played by aplay" in rig.text())
            await pilot.press("m")
            assert "sound is off for 10 minutes" in rig.text()
            assert "▲ no values yet; sound off" in rig.text()


async def test_a_silent_run_says_so(rig: Any) -> None:
    async with rig.screen.run_test(size=(80, 24)) as pilot:
        await pilot.press("s")
        assert "sound is off for this run" in rig.text()
        await pilot.press("m")
        assert "sound is off for this run" in rig.text()


@pytest.mark.skipif(sys.platform == "win32", reason="processes have no groups there")
async def test_a_command_that_hangs_is_ended_with_what_it_started(tmp_path: Path) -> None:
    noted = tmp_path / "child"
    script = f"sleep 600 & echo $! > {noted}.new; mv {noted}.new {noted}; wait"
    running = asyncio.create_task(run_quietly(["sh", "-c", script], 600.0))
    while not noted.exists():  # noqa: ASYNC110 - a process of its own says so
        await asyncio.sleep(0.01)
    child = int(noted.read_text())
    os.kill(child, 0)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    give_up = time.monotonic() + BUSY_S
    while _runs(child):
        assert time.monotonic() < give_up, "it still runs"
        await asyncio.sleep(0.01)


def _runs(pid: int) -> bool:
    try:
        return " Z " not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
