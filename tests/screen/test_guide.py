"""A guided drive on the screen: its word in blue while no alarm needs the band, its keys, its tones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from telemetry.guided.leading import Leader
from telemetry.guided.steps import STEPS
from telemetry.screen.band import band_lines
from telemetry.screen.frame import frame_for
from telemetry.screen.guide_keys import BAR, headline_of
from telemetry.screen.sound import PATTERNS, RATE, Sounder, samples
from tests.guided.outcomes import stated

SOUND = {"pack_voltage": 25.4, "pack_current": 40.0, "soc_reported": 81.0, "pack_temperature_1": 24.0}


async def test_keys_lead_and_marks_are_set_and_an_alarm_comes_first(make_rig: Any) -> None:
    rig = make_rig(leader=Leader(stated(12), STEPS[2:4]))
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await rig.drive(3, lowest=3.2, **SOUND)
        assert "Gentle pulls" in "\n".join(rig.rows())
        assert "g go" in rig.rows()[-1]
        await pilot.press("g")
        rig.close()
        assert [mark.text for mark in rig.snapshot.marks] == ["guided drive: pulls"]
        await pilot.press("k")
        assert "Full launches" in "\n".join(rig.rows())
        await rig.drive(6, lowest=2.3, **SOUND)
        assert "Full launches" not in "\n".join(rig.rows())
        await pilot.press("x")
        rig.close()
        assert rig.snapshot.marks[-1].text == "guided drive: stopped"
        assert "guided drive ended here" in rig.rows()[-1]


async def test_a_reading_is_typed_with_digits_and_enter(make_rig: Any) -> None:
    charge = next(step for step in STEPS if step.name == "charge")
    rig = make_rig(leader=Leader(stated(12), [charge, STEPS[0]]))
    async with rig.screen.run_test(size=(120, 40)) as pilot:
        await pilot.press("g", "g", "g", "x", "enter")
        assert "type the reading as digits" in rig.rows()[-1]
        await pilot.press("g", "6", "comma", "4", "enter")
        rig.close()
        assert rig.snapshot.marks[-1].text == "guided drive: wall energy 6.4 kWh"
        assert "Zero and rest" in "\n".join(rig.rows())


@pytest.mark.parametrize("place", range(len(STEPS)))
def test_what_is_asked_is_whole_in_the_band_of_the_smallest_usual_screen(place: int) -> None:
    lead = Leader(stated(12), STEPS[place : place + 1])
    for _ in range(2):
        assert lead.ask is not None
        lines = band_lines(headline_of(lead.ask), 78, 4)
        text = " ".join(" ".join(lines).split())
        assert all(word in text for word in lead.ask.do.split()), text
        assert len(lines) <= 9
        lead.go()


@pytest.mark.parametrize("place", range(len(STEPS)))
def test_what_to_do_now_is_one_large_word_at_80x24(place: int) -> None:
    lead = Leader(stated(12), STEPS[place : place + 1])
    lead.go()
    frame = frame_for(80, 24)
    assert lead.ask is not None
    assert frame is not None
    lines = band_lines(headline_of(lead.ask), frame.band_width - 2, frame.band_rows)
    assert "▀▀" in "".join(lines), lines


def test_the_bar_grows_with_the_manoeuvre() -> None:
    from telemetry.guided.leading import Ask

    half = headline_of(Ask("HOLD", "1/1 Gentle pulls", "0 of 6", "Hold it.", share=0.5))
    assert half.do == f"{'█' * (BAR // 2)}{'░' * (BAR // 2)} Hold it."
    assert half.meaning == "act"


@pytest.mark.parametrize("sound", ["begin", "good", "again"])
def test_the_tones_have_their_pitches_and_none_of_an_alarm(sound: Any) -> None:
    """By the spectrum of the whole sound: its strongest lines are its pitches."""
    found = samples(PATTERNS[sound])
    spectrum = np.abs(np.fft.rfft(found * np.hanning(len(found))))
    pitches = np.fft.rfftfreq(len(found), 1 / RATE)
    for pitch in PATTERNS[sound].pitches:
        near = spectrum[np.abs(pitches - pitch) < 8.0].max()
        assert near > 0.3 * spectrum.max()
    alarms = {pitch for name in ("high", "medium", "low") for pitch in PATTERNS[name].pitches}
    assert alarms.isdisjoint(PATTERNS[sound].pitches)


async def test_no_tone_while_an_alarm_waits() -> None:
    sounder = Sounder()
    sounder.cue("good")
    assert sounder._cue == "good"
    sounder._cue, sounder._unseen = None, {("cell-voltage-low", "cell_01_voltage"): "high"}
    sounder.cue("good")
    assert sounder._cue is None
    assert sounder.alarms
