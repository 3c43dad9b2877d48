"""The large glyphs: all distinct, of the stated size, drawn with what every font has."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.alarms.acts import ACT_TABLE
from telemetry.screen.digits import (
    FIGURE_CHARACTERS,
    WORD_CHARACTERS,
    figure_rows,
    figure_width,
    rows_of,
    word_rows,
)

BLOCKS = set(" ▀▄█")


def test_all_blocks_are_in_code_page_437() -> None:
    # Source: the codec of the standard library, made from Unicode's table of that code page.
    assert all(len(block.encode("cp437")) == 1 for block in BLOCKS)


@pytest.mark.parametrize("scale", [1, 2, 3, 4, 5, 6])
def test_digits_are_distinct_and_at_least_five_rows_from_scale_two(scale: int) -> None:
    drawn = {digit: figure_rows(digit, scale) for digit in "0123456789"}
    assert len(set(drawn.values())) == 10
    assert {len(rows) for rows in drawn.values()} == {rows_of(scale)}
    assert scale < 2 or rows_of(scale) >= 5
    assert {len(row) for rows in drawn.values() for row in rows} == {3 * scale if scale > 1 else 4}
    for one, other in combinations(drawn.values(), 2):
        different = sum(
            a != b for left, right in zip(one, other, strict=True) for a, b in zip(left, right, strict=True)
        )
        assert different >= scale, "digits differ by at least one field"


def test_strokes_are_bold_from_scale_two() -> None:
    assert figure_rows("1", 2)[1] == "  ██  "
    assert figure_rows("8", 2) == ("██████", "██  ██", "██████", "██  ██", "██████")
    assert figure_width("0000", 2) <= 28, "four bold digits take 28 by 5 cells"


@given(st.text(alphabet=FIGURE_CHARACTERS, min_size=1, max_size=12), st.integers(1, 6))
def test_figures_are_rectangles_of_the_stated_width(text: str, scale: int) -> None:
    rows = figure_rows(text, scale)
    assert len(rows) == rows_of(scale)
    assert {len(row) for row in rows} == {figure_width(text, scale)}
    assert set("".join(rows)) <= BLOCKS


@given(
    st.text(alphabet=FIGURE_CHARACTERS, min_size=1, max_size=6),
    st.text(alphabet=FIGURE_CHARACTERS, min_size=1, max_size=6),
)
def test_a_figure_is_its_glyphs_side_by_side(left: str, right: str) -> None:
    together, first, second = figure_rows(left + right), figure_rows(left), figure_rows(right)
    assert together == tuple(f"{a} {b}" for a, b in zip(first, second, strict=True))


@pytest.mark.parametrize("scale", [1, 2, 3])
@pytest.mark.parametrize("wide", [False, True])
def test_letters_are_distinct_and_three_rows_a_scale(scale: int, wide: bool) -> None:
    drawn = [word_rows(letter, scale, wide) for letter in WORD_CHARACTERS]
    assert len(set(drawn)) == len(WORD_CHARACTERS)
    assert {len(rows) for rows in drawn} == {3 * scale}
    assert {len(word_rows(letter, scale, wide, lowered=True)) for letter in WORD_CHARACTERS} == {3 * scale + 1}


@pytest.mark.parametrize("word", sorted({row.word for row in ACT_TABLE if row.word} | {"NOTE"}))
def test_every_huge_word_can_be_drawn_and_fits_eighty_columns(word: str) -> None:
    rows = word_rows(word)
    assert len({len(row) for row in rows}) == 1
    assert len(rows[0]) <= 58


def test_the_smallest_digits_are_four_dots_wide() -> None:
    assert figure_rows("1", 1) == (" ▀█ ", "  █ ", " ▄█▄")
    assert figure_rows("8", 1) == ("█▀▀█", "█▀▀█", "█▄▄█")
    assert figure_width("00.0", 1) == 16
