"""What a store gives back is of the declared kind, or named."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, Optional

import pytest

from telemetry.store.field_check import checked


@dataclass(frozen=True)
class Kept:
    t: int = 0
    amount: float = 0.0
    state: Literal["open", "closed"] = "open"
    data: bytes = b""
    text: str = ""
    perhaps: int | None = None
    older: Optional[float] = None  # noqa: UP045 (the other way to write it)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *(("t", value) for value in (-5, 2**62 - 1, -(2**62) + 1)),
        *(("amount", value) for value in (3, 2.5, math.inf, math.nan)),
        *(("state", value) for value in ("open", "closed")),
        *(("data", value) for value in (b"", b"\0\xff")),
        *(("text", value) for value in ("", "open")),
        *(("perhaps", value) for value in (None, 7)),
        *(("older", value) for value in (None, 7, 0.5)),
    ],
)
def test_what_fits_is_given_back(name: str, value: Any) -> None:
    kept = Kept(**{name: value})
    assert checked(kept) is kept


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *(("t", value) for value in (None, 0.5, "soon", b"\0", 2**62, -(2**62))),
        *(("amount", value) for value in (None, "much", b"\0", 2**62)),
        *(("state", value) for value in ("ajar", None, 1, b"open")),
        *(("data", value) for value in ("text", None, 1)),
        *(("text", value) for value in (None, 5, 0.5, b"text")),
        *(("perhaps", value) for value in (0.5, "7", b"7")),
        *(("older", value) for value in ("7", b"7")),
    ],
)
def test_what_does_not_fit_is_named(name: str, value: Any) -> None:
    with pytest.raises(ValueError, match=f"^{name} is "):
        checked(Kept(**{name: value}))
