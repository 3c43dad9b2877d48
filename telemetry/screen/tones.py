"""Alarm sounds as WAV files, made by calculation: pulses with harmonics, a pattern for each priority.

Pulses of 150 to 1000 Hz with at least four harmonics in bursts that differ by urgency follow IEC 60601-1-8 (from
memory): a rich low tone is heard beside a motor and is found by the ear, where a pure high one is not.
"""

from __future__ import annotations

import io
import wave
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.model.batch import Values

Sound = Literal["high", "medium", "low", "test", "begin", "good", "again"]
RATE = 22_050
HARMONICS = (1.0, 0.8, 0.6, 0.5, 0.4)
"""Strength of the fundamental and of the four harmonics above it."""
_RISE_S = 0.015
_LOUDNESS = 0.9


@dataclass(frozen=True)
class Pattern:
    """Pulses one after another: pitch in Hz of each (0 for a rest as long as a pulse), and lengths in seconds."""

    pitches: tuple[float, ...]
    pulse_s: float
    gap_s: float


PATTERNS: dict[Sound, Pattern] = {
    "high": Pattern((587.0, 587.0, 587.0, 0.0, 440.0, 440.0, 0.0) * 2, 0.13, 0.07),
    "medium": Pattern((392.0, 392.0, 330.0), 0.22, 0.16),
    "low": Pattern((330.0,), 0.25, 0.10),
    "test": Pattern((330.0, 440.0), 0.25, 0.10),
    # Of a guided drive: one pulse, two that rise, two that fall; an alarm has neither their pitches nor their length.
    "begin": Pattern((523.0,), 0.35, 0.05),
    "good": Pattern((523.0, 659.0), 0.18, 0.03),
    "again": Pattern((659.0, 494.0), 0.18, 0.03),
}


def samples(pattern: Pattern) -> Values:
    """Return the sound as float64 samples, -1 to 1, at :data:`RATE`."""
    gap = np.zeros(round(pattern.gap_s * RATE))
    pieces = [piece for pitch in pattern.pitches for piece in (_pulse(pitch, pattern.pulse_s), gap)]
    return np.concatenate(pieces)


def _pulse(pitch: float, length_s: float) -> Values:
    t = np.arange(round(length_s * RATE)) / RATE
    if pitch == 0.0:
        return np.zeros(len(t))
    tone = sum(
        (strength * np.sin(2 * np.pi * pitch * (order + 1) * t) for order, strength in enumerate(HARMONICS)),
        np.zeros(len(t)),
    )
    edge = np.minimum(1.0, np.minimum(t, t[-1] - t) / _RISE_S)
    return np.asarray(_LOUDNESS * edge * tone / np.abs(tone).max())


def wav_bytes(sound: Sound) -> bytes:
    """Return a WAV file: 16 bit, one channel."""
    whole = np.round(samples(PATTERNS[sound]) * 32767).astype("<i2")
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes(whole.tobytes())
    return file.getvalue()
