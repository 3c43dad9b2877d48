from __future__ import annotations

import gzip
from pathlib import Path

import pytest

MOW = Path(__file__).parents[2] / "replay_data" / "orchard-mow.csv.gz"
ROWS = 6000


@pytest.fixture(scope="session")
def part_of_mow(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first ten minutes of the mow: enough of a drive where the figures themselves are not the point."""
    path = tmp_path_factory.mktemp("part") / "mow.csv"
    with gzip.open(MOW, "rt", encoding="utf-8") as whole:
        path.write_text("".join(line for line, _ in zip(whole, range(ROWS + 1), strict=False)), encoding="utf-8")
    return path
