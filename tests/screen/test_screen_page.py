"""The page about the screen names every key, view, word, badge and state that the screen has."""

from __future__ import annotations

from pathlib import Path

import pytest

from telemetry.alarms.acts import ACT_TABLE
from telemetry.screen.keys import ALL, KEYS, VIEWS, Key
from telemetry.screen.theme import SHAPES
from telemetry.screen.words import LINK_WORDS

PAGE = (Path(__file__).parents[2] / "docs" / "screen.md").read_text(encoding="utf-8")


def row_of(key: Key) -> str:
    """Return the row of the page's table for one row of the table of keys."""
    views = "all" if key.views == ALL else ", ".join(VIEWS[view] for view in key.views)
    where = f"{views}, replay" if key.need == "replay" else views
    return f"| `{key.key}` | {where} | {key.does} |"


def test_the_page_has_the_keys_and_no_others() -> None:
    table = PAGE.partition("| key | view | does |\n|---|---|---|\n")[2].partition("\n\n")[0]
    assert table.splitlines() == [row_of(key) for key in KEYS]


@pytest.mark.parametrize("digit", sorted(VIEWS))
def test_every_view_is_described(digit: str) -> None:
    assert f"| `{digit}` | {VIEWS[digit]} |" in PAGE


def test_every_word_shape_and_state_is_described() -> None:
    words = {row.word for row in ACT_TABLE if row.word} | {"OVER"} | {f"*{word}*" for _, word in LINK_WORDS.values()}
    missing = [word for word in sorted(words | set(SHAPES.values())) if word not in PAGE]
    assert not missing
