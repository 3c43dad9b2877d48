"""The page about the screen names every view, word, badge and state that the screen has.

Its table of keys is made: ``python -m tests.pages``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from telemetry.alarms.acts import ACT_TABLE
from telemetry.screen.keys import VIEWS
from telemetry.screen.theme import SHAPES
from telemetry.screen.words import LINK_WORDS

PAGE = (Path(__file__).parents[2] / "docs" / "screen.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("digit", sorted(VIEWS))
def test_every_view_is_described(digit: str) -> None:
    assert f"| `{digit}` | {VIEWS[digit]} |" in PAGE


def test_every_word_shape_and_state_is_described() -> None:
    words = {row.word for row in ACT_TABLE if row.word} | {"NOTE"} | {f"*{word}*" for _, word in LINK_WORDS.values()}
    missing = [word for word in sorted(words | set(SHAPES.values())) if word not in PAGE]
    assert not missing
