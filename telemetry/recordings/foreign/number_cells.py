"""Numbers as loggers write them, a column at once: with units behind them, thousands marks, words for nothing."""

from __future__ import annotations

from typing import Any

import numpy as np

from telemetry.model.batch import Flags, Values

_NUMBER = (
    r"^(?P<n>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?[Ii][Nn][Ff])\s*(?:[A-Za-z%°ΩµμΩ][A-Za-z%°Ω/0-9]{0,7})?$"
)
_MARKS = "'\N{RIGHT SINGLE QUOTATION MARK} \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}"
"""What parts thousands, besides the comma or the point that is no decimal mark (ISO 80000-1, 7.3.1, and habits)."""
_GROUPED = {
    ".": rf"^[+-]?\d{{1,3}}(?:[,{_MARKS}]\d{{3}})+(?:\.\d+)?$",
    ",": rf"^[+-]?\d{{1,3}}(?:(?:\.\d{{3}})+,\d*|(?:[{_MARKS}]\d{{3}})+(?:,\d*)?)$",
}
_YES, _NO = ["true", "on", "yes"], ["false", "off", "no"]
_ERRORS = ["#n/a", "#div/0!", "#value!", "#ref!", "#num!", "#name?", "#null!"]
"""What a spreadsheet writes in place of a number (ISO/IEC 29500-1, 18.17.3)."""
NOTHING = ["", "nan", "null", "none", "na", "n/a", "-", "--", "---", "?", "nd", *_ERRORS]


def numbers_of(cells: Any, decimal: str) -> tuple[Values, Flags]:
    """Return the numbers of a column, NaN where there is none, and where text stands in place of one.

    Args:
        cells: pyarrow array of any type; numbers come back as they are.
        decimal: the decimal mark, ``.`` or ``,``.

    """
    import pyarrow as pa
    import pyarrow.compute as pc

    if cells.type == pa.float64():
        return np.asarray(cells.fill_null(np.nan)), np.zeros(len(cells), dtype=bool)
    plain = pc.utf8_trim_whitespace(cells.cast(pa.string()))
    if decimal == ",":
        plain = pc.replace_substring(_ungrouped(plain, decimal), ",", ".")
    try:
        found = pc.if_else(pc.equal(plain, ""), None, plain).cast(pa.float64())
        return np.asarray(found.fill_null(np.nan)), np.zeros(len(cells), dtype=bool)
    except pa.ArrowInvalid:
        pass
    plain = pc.replace_substring(plain, "\N{MINUS SIGN}", "-")
    if decimal == ".":
        plain = _ungrouped(plain, decimal)
    number = pc.struct_field(pc.extract_regex(plain, _NUMBER), "n").cast(pa.float64())
    word = pc.utf8_lower(plain)
    for words, value in ((_YES, 1.0), (_NO, 0.0)):
        number = pc.if_else(pc.is_in(word, pa.array(words)), value, number)
    bad = pc.and_(pc.is_null(number), pc.invert(pc.is_in(word, pa.array(NOTHING))))
    return np.asarray(number.fill_null(np.nan)), np.asarray(bad.fill_null(False))


def _ungrouped(plain: Any, decimal: str) -> Any:
    import pyarrow.compute as pc

    mark = "." if decimal == "," else ","
    grouped = pc.match_substring_regex(plain, _GROUPED[decimal])
    return pc.if_else(grouped, pc.replace_substring_regex(plain, rf"[{mark}{_MARKS}]", ""), plain)
