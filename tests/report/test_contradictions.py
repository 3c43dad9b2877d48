"""Whole reports of drives, charges and faults do not contradict themselves; each rule objects where it should."""

from __future__ import annotations

import copy
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from telemetry.analysis.charging import Charging
from telemetry.analysis.outlook import Outlook
from telemetry.analysis.storage import Storage
from telemetry.analysis.totals import Totals
from telemetry.analysis.work import Work
from telemetry.report.session_model import LABELS
from telemetry.report.session_report import report_json
from telemetry.report.session_text import report_lines
from telemetry.runs.judged import Judged, judged
from tests.reference.drives import faulty_drive
from tests.report.committed import NOWHERE, committed
from tests.report.contradictions import objections

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
REPLAYS, REFERENCE = ROOT / "replay_data", ROOT / "tests" / "reference"
ORCHARD = REPLAYS / "orchard.toml"
FIFTY_VOLTS = '[pack]\nchemistry = "{}"\ncells_in_series = {}\ncapacity_ah = {}\n[machine]\nname = "reference"\n'

RECORDED = [
    (REPLAYS / "orchard-mow.csv.gz", None),
    *((path, "lfp") for path in sorted((REFERENCE / "packs").glob("lfp16*.csv.gz"))),
    *((path, "nmc") for path in sorted((REFERENCE / "packs").glob("nmc14*.csv.gz"))),
]


def machine(folder: Path, which: Path | str | None) -> Path | None:
    if which is None or isinstance(which, Path):
        return which
    path = folder / "machine.toml"
    cells, capacity = {"lfp": (16, 100), "nmc": (14, 60)}[which]
    path.write_text(FIFTY_VOLTS.format(which, cells, capacity), "utf-8")
    return path


def told(path: Path, machine_path: Path | None) -> tuple[dict, str]:
    return as_told(judged(str(path), NOWHERE, machine_path))


def as_told(judged: Judged) -> tuple[dict, str]:
    return report_json(judged.report), "\n".join(report_lines(judged.report))


@pytest.mark.parametrize("session", ["orchard-mow", "evening-charge", "market-round"])
def test_a_committed_session(session: str) -> None:
    assert objections(*as_told(committed(session))) == []


@pytest.mark.parametrize(("path", "which"), RECORDED, ids=lambda each: getattr(each, "name", str(each)))
def test_a_recorded_session(path: Path, which: Path | str | None, tmp_path: Path) -> None:
    assert objections(*told(path, machine(tmp_path, which))) == []


@pytest.mark.parametrize("fault", ["healthy", "pack-weak", "bms-trip", "power-connection"])
def test_a_simulated_fault(fault: str, tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    faulty_drive(fault, 4, 120.0).write_csv(path)
    assert objections(*told(path, None)) == []


def written(path: Path, columns: dict[str, np.ndarray]) -> Path:
    rows = [",".join(columns), *(",".join(f"{v:.6g}" for v in row) for row in zip(*columns.values(), strict=True))]
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


def drawn(seconds: int, sign: float = 1.0) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(5)
    t = np.arange(seconds * 2) / 2
    current = np.repeat(rng.choice([0.0, 5.0, 30.0, 60.0], seconds // 8 + 1), 16)[: len(t)]
    current += rng.normal(0, 0.1, len(t))
    return {"t": t, "pack_current": sign * current, "pack_voltage": 79.2 - 0.03 * current}


def charged(seconds: int) -> dict[str, np.ndarray]:
    """Return a drive, a rest of three minutes and a charge of some length, in the middle of the plateau."""
    first = drawn(600)
    t = np.concatenate([first["t"], 600 + np.arange(0, 180 + seconds, 0.5)])
    later = np.where(t[1200:] < 780, 0.3, -18.0)
    current = np.concatenate([first["pack_current"], later])
    return {"t": t, "pack_current": current, "pack_voltage": 79.2 - 0.03 * current}


@pytest.mark.parametrize(
    "columns",
    [
        drawn(900),
        drawn(900, sign=-1.0),
        charged(1200),
        charged(150),
        {"t": drawn(300)["t"], "pack_current": drawn(300)["pack_current"]},
        {"t": drawn(300)["t"], "pack_voltage": drawn(300)["pack_voltage"]},
        {
            ("controller_voltage" if name == "pack_voltage" else name): values
            for name, values in charged(1200).items()
        },
        {"t": np.arange(0, 400.0), "pack_current": np.full(400, 0.0), "pack_voltage": np.full(400, 80.0)},
    ],
    ids=["drive", "wrong sign", "drive and charge", "short charge", "current", "voltage", "at controller", "parked"],
)
@pytest.mark.parametrize("which", [ORCHARD, None], ids=["machine", "no machine"])
def test_an_invented_session(columns: dict[str, np.ndarray], which: Path | None, tmp_path: Path) -> None:
    assert objections(*told(written(tmp_path / "a.csv", columns), which)) == []


def test_every_figure_that_may_be_unknown_has_a_label() -> None:
    kinds = {"totals": Totals, "work": Work, "charging": Charging, "outlook": Outlook, "storage": Storage}
    plain = {"unknown", "uncertainty", "parts", "as_read", "key", "currency"}
    for name, kind in kinds.items():
        for field in fields(kind):
            assert field.name in plain or f"{name}.{field.name}" in LABELS, f"{name}.{field.name}"
    assert len(set(LABELS.values())) > 0.9 * len(LABELS)


def test_where_the_packs_voltage_is_missing_power_is_at_the_controller(tmp_path: Path) -> None:
    columns = drawn(900)
    columns["controller_voltage"] = columns.pop("pack_voltage")
    report, text = told(written(tmp_path / "a.csv", columns), ORCHARD)
    power = columns["pack_current"] * columns["controller_voltage"]
    wh = np.trapezoid(np.maximum(power, 0.0), columns["t"]) / 3600
    assert report["totals"]["measured_at"] == "controller"
    assert report["totals"]["energy_out_wh"] == pytest.approx(wh, rel=0.01)
    assert "at the controller, without the loss in the cable" in " ".join(text.split())
    assert report["resistance"]["pack_mohm"] is None
    whole, _ = told(written(tmp_path / "b.csv", drawn(900)), ORCHARD)
    assert whole["totals"]["measured_at"] == "pack"


@pytest.fixture(scope="module")
def evening() -> tuple[dict, str]:
    return as_told(committed("evening-charge"))


class TestRulesObject:
    """A rule that never objects proves nothing."""

    @pytest.mark.parametrize(
        ("said", "word"),
        [
            ("the pack was not charged in this session", "not charged"),
            ("At 95 s", "seconds"),
            ("soc.start_pct", "internal key"),
            ("it is -0 %", "minus zero"),
            ("± 1.6e+02", "exponent"),
            ("cell 4 stopped the charge before the pack was full", "stopped the charge"),
        ],
    )
    def test_to_a_sentence(self, said: str, word: str, evening: tuple[dict, str]) -> None:
        found = objections(evening[0], f"{evening[1]}\n  {said}\n")
        assert any(word in each for each in found), found

    @pytest.mark.parametrize(
        ("section", "key", "value"),
        [
            ("cells", "odd", [{"cell": 3}]),
            ("totals", "energy_in_wh", 1.0),
            ("totals", "returned_share_pct", 40.0),
            ("unknown", "totals.energy_in_wh", "why"),
            ("unknown", "totals.made_up", "why"),
        ],
    )
    def test_to_a_figure(self, section: str, key: str, value: object, evening: tuple[dict, str]) -> None:
        report = copy.deepcopy(evening[0])
        report[section][key] = value
        assert objections(report, evening[1])
