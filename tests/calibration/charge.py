"""State of charge of a session looked back over, with and without a full charge in it."""

from __future__ import annotations

from collections.abc import Iterator

from telemetry.analysis.current_offset import find_offset
from telemetry.analysis.state_of_charge import estimate_charge
from tests.calibration.case import Case
from tests.calibration.figure import Figure, Row, checkpoints
from tests.calibration.kinds import kinds
from tests.calibration.measured_cells import KINDS as MEASURED

WITH_FULL_CHARGE = kinds("charge-then-drive", "drive-then-charge")


def charge_rows(case: Case) -> Iterator[Row]:
    """Yield what the report says of the charge each ten minutes."""
    found = estimate_charge(case.series, case.pack, find_offset(case.series, case.pack))
    if not len(found.t):
        return
    truth = case.truth.at(found.t, case.truth.pct)
    session = case.kind if "measured" in case.kind else case.name  # windows of one cell share its curve
    for place in checkpoints(found.t).tolist():
        yield Row(
            case.kind,
            session,
            float(found.t[place] - found.t[0]) / 6e7,
            float(found.pct[place]),
            float(found.low90[place]),
            float(found.high90[place]),
            float(truth[place]),
        )


FIGURES = (
    Figure(
        "charge-lfp",
        "State of charge, iron phosphate, no full charge",
        "%",
        kinds("drive", chemistry="lfp"),
        charge_rows,
        (0.8, 17.5),
    ),
    Figure(
        "charge-nickel",
        "State of charge, nickel types, no full charge",
        "%",
        kinds("drive", chemistry="nmc"),
        charge_rows,
        (0.8, 11.0),
    ),
    Figure(
        "charge-anchored",
        "State of charge with a full charge in the session",
        "%",
        WITH_FULL_CHARGE,
        charge_rows,
        (0.8, 4.0),
    ),
    Figure(
        "charge-measured",
        "State of charge of two measured nickel cells, no full charge",
        "%",
        MEASURED,
        charge_rows,
        (0.8, 12.5),
    ),
)
