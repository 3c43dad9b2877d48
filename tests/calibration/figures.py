"""All figures that are judged."""

from __future__ import annotations

from tests.calibration import cells, charge, outlook, resistance
from tests.calibration.figure import Figure

FIGURES: dict[str, Figure] = {
    figure.name: figure for figure in (*charge.FIGURES, *cells.FIGURES, *resistance.FIGURES, *outlook.FIGURES)
}
