"""What is kept of a session to look back along a charge: exact, and small for a day of it."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from telemetry.analysis.charge_blocks import Blocks
from telemetry.analysis.charge_forward import LONGEST_CHARGE, KeptBlocks, joined_blocks


def block(number: int) -> Blocks:
    one = np.array([float(number)])
    return Blocks(
        np.array([number * 10]), np.array([number]), one / 3.0, one * 0.0, np.full((1, 10), 0.1 * number), one
    )


def cells_of(number: int) -> np.ndarray | None:
    return None if number % 400 == 7 else np.full(16 if number > 50 else 12, 3.0 + number / 1e5)


@pytest.mark.parametrize("count", [1, 359, 360, 361, 800])
def test_what_is_kept_is_what_came(count: int) -> None:
    kept = KeptBlocks()
    for number in range(count):
        kept.add(block(number), cells_of(number))
    assert len(kept) == count
    plain = joined_blocks([block(number) for number in range(count)])
    for name in ("t", "number", "charge_ah", "missing_s", "current", "volts"):
        np.testing.assert_array_equal(getattr(kept.joined(), name), getattr(plain, name))
    cells = kept.cells(known_in=1)
    if cells is None:
        assert cells_of(count - 1) is None
        return
    rows = [cells_of(number) for number in range(count)]
    width = max(len(row) for row in rows if row is not None)
    expected = [np.full(width, np.nan) if row is None or len(row) != width else row for row in rows]
    np.testing.assert_array_equal(cells, expected)
    assert count < 360 or kept.cells(known_in=count) is None, "one of them is not known"


def test_a_day_takes_less_than_five_megabytes_and_a_third_day_no_more() -> None:
    kept = KeptBlocks()
    tracemalloc.start()
    try:
        for number in range(LONGEST_CHARGE):
            kept.add(block(number), np.full(16, 3.3))
            kept.forget()
        assert tracemalloc.get_traced_memory()[0] < 5e6
        for number in range(2 * LONGEST_CHARGE):
            kept.add(block(number), np.full(16, 3.3))
            kept.forget()
    finally:
        tracemalloc.stop()
    assert LONGEST_CHARGE <= len(kept) <= 2 * LONGEST_CHARGE
    assert kept.forgotten + len(kept) == 3 * LONGEST_CHARGE
