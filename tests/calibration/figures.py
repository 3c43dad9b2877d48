"""All figures that are judged."""

from __future__ import annotations

from tests.calibration import cells, charge, full_charge, outlook, resistance
from tests.calibration.figure import Figure

FIGURES: dict[str, Figure] = {
    figure.name: figure for module in (charge, cells, resistance, outlook, full_charge) for figure in module.FIGURES
}
