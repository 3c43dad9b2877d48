"""What a guided drive speaks: all of it, the latest first, never into an alarm that waits; by real programs."""

from __future__ import annotations

import asyncio
import shutil
import wave
from pathlib import Path

import numpy as np
import pytest

from telemetry.guided.leading import Leader
from telemetry.guided.steps import STEPS, Step
from telemetry.machine.machine_file import parse_machine
from telemetry.model.batch import Span
from telemetry.runs.subjects import example_text
from telemetry.runs.with_screen import Guiding
from telemetry.screen.voice import LIMIT_S, Voice

SLOW_WORDS_A_MINUTE = 120
"""A slow voice; speech of news readers is at 150 to 180, common practice."""


class Spoken:
    """A program that speaks into a file: each text on a line of its own, once ``gate`` is there."""

    def __init__(self, folder: Path) -> None:
        self.file, self.gate, program = folder / "spoken", folder / "gate", folder / "speak"
        program.write_text(
            f'#!/bin/sh\necho "$1" >> {self.file}\nwhile [ ! -e {self.gate} ]; do sleep 0.01; done\n',
            encoding="utf-8",
        )
        program.chmod(0o700)
        self.voice = Voice([str(program)])

    def texts(self) -> list[str]:
        return self.file.read_text(encoding="utf-8").splitlines() if self.file.exists() else []

    async def until(self, count: int) -> None:
        async with asyncio.timeout(60):
            while len(self.texts()) < count:  # noqa: ASYNC110 - another process writes it
                await asyncio.sleep(0.01)


def asked(step: Step, voice: Voice) -> Guiding:
    machine, _ = parse_machine(example_text({}), "machine.toml")
    assert machine is not None
    guiding = Guiding(Leader(machine, [step]), None, voice)
    guiding.take(Span(1_000_000, ()))
    return guiding


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
async def test_an_instruction_is_spoken_with_its_cautions_and_to_its_end(step: Step, tmp_path: Path) -> None:
    spoken = Spoken(tmp_path)
    asked(step, spoken.voice)
    await spoken.until(1)
    (text,) = spoken.texts()
    assert text.startswith(f"READY. {' '.join((step.do, *step.cautions))} g starts")
    assert len(text.split()) / SLOW_WORDS_A_MINUTE * 60 < 0.75 * LIMIT_S
    await spoken.voice.close()


async def test_of_what_waits_the_latest_is_spoken_and_nothing_after_it_is_hushed(tmp_path: Path) -> None:
    spoken = Spoken(tmp_path)
    for text in ("HOLD", "AGAIN", "ROLL"):
        spoken.voice.say(text)
        await spoken.until(1)
    assert spoken.texts() == ["HOLD"]
    spoken.gate.touch()
    await spoken.until(2)
    assert spoken.texts() == ["HOLD", "ROLL"]
    await spoken.voice.close()
    spoken.gate.unlink()
    spoken.voice.say("PULL AWAY")
    await spoken.until(3)
    spoken.voice.say("--HOLD")
    spoken.voice.hush()
    await spoken.voice.close()
    assert spoken.texts()[2:] == ["PULL AWAY"]


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="needs espeak-ng, a voice")
async def test_a_real_voice_gives_speech(tmp_path: Path) -> None:
    """Most of its power lies between 100 and 4000 Hz, where speech lies (the telephone band is 300 to 3400 Hz, ITU-T
    G.712; a man's fundamental is about 100 Hz, common practice), and it comes and goes as syllables do.
    """
    file = tmp_path / "speech.wav"
    voice = Voice(["espeak-ng", "-w", str(file)])
    asked(STEPS[0], voice)
    async with asyncio.timeout(60):
        while not file.exists() or file.stat().st_size < 100_000:  # noqa: ASYNC110 - another process writes it
            await asyncio.sleep(0.05)
    await voice.close()
    with wave.open(str(file)) as sound:
        rate = sound.getframerate()
    samples = np.frombuffer(file.read_bytes()[44:100_000], dtype=np.int16).astype(float)
    power, at = np.abs(np.fft.rfft(samples)) ** 2, np.fft.rfftfreq(len(samples), 1 / rate)
    assert power[(at > 100) & (at < 4000)].sum() > 0.9 * power.sum()
    loud = np.abs(samples[: len(samples) // 441 * 441]).reshape(-1, 441).max(axis=1) > 0.1 * np.abs(samples).max()
    assert 5 < np.abs(np.diff(loud.astype(int))).sum() < 0.5 * len(loud)
