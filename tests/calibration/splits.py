"""Which seeds are for what: no pack that a constant was chosen on is ever counted in the table."""

from __future__ import annotations

CHOOSING = range(10_000)
"""Constants may be chosen on these; used so far: 3000 to 3025, 3100 to 3103, 3200 to 3213, 3300 to 3311, 3400 to
3424, 3500 to 3503, 3600 to 3607, 3700 to 3703, 3800 to 3979."""
TABLE = range(10_000, 20_000)
"""The table in the docs is made of these; nothing is chosen on them."""
FLOORS = range(20_000, 20_100)
"""The few that every run of the tests looks at."""
CHOOSING_CELLS = frozenset({"measured-cell-drive-25C"})
"""Measured cells on which constants may be chosen; no kind of pack is made of them."""
