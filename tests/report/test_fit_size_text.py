"""The sizes for a drive in words and JSON: the size, its reason, its margin and its source, or why there is none."""

from __future__ import annotations

import json

import numpy as np

from telemetry.analysis.part_sizes import part_sizes
from telemetry.machine.pack_keys import Wiring
from telemetry.report.fit_drive_text import size_lines, size_object
from tests.analysis.test_part_sizes import STATED, duty


def test_two_hours_at_sixty_amperes_in_words() -> None:
    """A fuse of 80 A by NEC 240.6(A), up to the 125 A below the 130 A of a stated 2 AWG."""
    drive = duty(np.full(7200, 60.0))
    text = "\n".join(size_lines("session 3", drive, part_sizes(drive, STATED)))
    assert text.startswith("Sizes for the duty of session 3, 2 h 00 min under load")
    assert "main fuse: 80 to 125 A" in text
    assert "not known" in text, "nothing was charged, so what the pack must take is not"
    assert "Conductors: margin" in text
    left_open = "\n".join(size_lines("session 3", drive, part_sizes(drive, Wiring())))
    assert "main fuse: at least 80 A" in left_open
    found = size_object("session 3", drive, part_sizes(drive, STATED))
    assert found["duty"]["loaded_s"] == 7199.0
    assert {each["part"]: each["least"] for each in found["sizes"]}["main fuse"] == 80
    assert json.loads(json.dumps(found)) == found


def test_too_short_a_drive_lists_no_conductor_and_none_at_all_says_what_is_lacking() -> None:
    short = duty(np.full(300, 60.0))
    text = "\n".join(size_lines("session 3", short, part_sizes(short, STATED)))
    assert "main fuse: not known" in text
    assert "Conductors:" not in text
    assert size_lines("session 3", "record pack_current", ())[0] == "session 3: no sizes: record pack_current."
    found = size_object("session 3", "record pack_current", ())
    assert (found["lacking"], found["duty"], found["sizes"]) == ("record pack_current", None, [])
