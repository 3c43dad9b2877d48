"""The program's own totals against an independent simulation's, through the same chain as any recording.

Source: PyBaMM (version and parameter sets in README.md beside this file), whose "Discharge capacity" and
"Discharge energy" are integrated inside its solver.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from telemetry.model.batch import Span
from telemetry.pipeline.judge import Judge
from telemetry.pipeline.run import standard_stages
from telemetry.pipeline.snapshot import Snapshot
from telemetry.recordings.reading import open_recording

FILES = sorted(Path(__file__).parent.glob("*.csv.gz"))


def test_there_are_references() -> None:
    assert len(FILES) >= 4


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.name.split(".")[0])
def test_totals_agree_within_a_thousandth(file: Path) -> None:
    stages, snapshot = standard_stages(Judge(())), Snapshot()
    references: dict[str, list[np.ndarray]] = {"charge_ah": [], "energy_wh": []}
    for span in open_recording(file).spans(500):
        snapshot.take(stages.advance(span))
        for figure, columns in references.items():
            columns += [column for _, column in span.carrying(f"extra_reference_{figure}")]
    snapshot.take(stages.advance(Span(snapshot.end, final=True)))
    for figure, columns in references.items():
        known = np.concatenate(columns)
        known = known[~np.isnan(known)]
        kind = figure.split("_")[0]
        out, into = snapshot.reading(f"{kind}_out"), snapshot.reading(f"{kind}_in")
        assert out is not None
        assert into is not None
        throughput = out.value + into.value
        assert out.value - into.value == pytest.approx(known[-1] - known[0], abs=1e-3 * throughput)
