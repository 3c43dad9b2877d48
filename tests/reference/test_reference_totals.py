"""The program's own totals against an independent simulation's, through the same chain as any recording.

Source: PyBaMM (version and parameter sets in README.md beside this file), whose "Discharge capacity" and
"Discharge energy", and the throughput of both, are integrated inside its solver.
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
# The simulation's own running totals: out less in, and out plus in.
FIGURES = {"charge": ("charge_ah", "throughput_ah"), "energy": ("energy_wh", "throughput_wh")}


def test_there_are_references() -> None:
    assert len(FILES) >= 4


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.name.split(".")[0])
def test_totals_agree_within_a_thousandth(file: Path) -> None:
    stages, snapshot = standard_stages(Judge(())), Snapshot()
    references: dict[str, list[np.ndarray]] = {name: [] for pair in FIGURES.values() for name in pair}
    for span in open_recording(file).spans(500):
        snapshot.take(stages.advance(span))
        for figure, columns in references.items():
            columns += [column for _, column in span.carrying(f"extra_reference_{figure}")]
    snapshot.take(stages.advance(Span(snapshot.end, final=True)))
    for kind, (net_name, throughput_name) in FIGURES.items():
        net, throughput = (known_change(references[name]) for name in (net_name, throughput_name))
        out, into = snapshot.reading(f"{kind}_out"), snapshot.reading(f"{kind}_in")
        assert out is not None
        assert into is not None
        # What went out and what came in stand each for itself: only so does a lost braking pulse show.
        assert out.value == pytest.approx((throughput + net) / 2, rel=1e-3)
        assert into.value == pytest.approx((throughput - net) / 2, rel=1e-3, abs=1e-6)


def known_change(columns: list[np.ndarray]) -> float:
    """Return the last known value of a running total less the first."""
    values = np.concatenate(columns)
    known = values[~np.isnan(values)]
    return float(known[-1] - known[0])
