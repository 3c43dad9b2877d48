"""The stages that make the figures limits watch, as far as the machine file states enough."""

from __future__ import annotations

from telemetry.analysis.averaging import Averaging
from telemetry.analysis.cells_live import CellWatch
from telemetry.analysis.charge_temperature import ChargeTemperature
from telemetry.analysis.charger_watch import ChargerWatch, least_charge_a
from telemetry.analysis.full_watch import FullWatch
from telemetry.analysis.outlook_live import Outlook
from telemetry.analysis.path_heat import PathHeat
from telemetry.analysis.resistance_change import ResistanceChange
from telemetry.machine.cell_practice import FULL_CHARGE_ABOVE_C
from telemetry.machine.limits_current import charge_parts, discharge_parts
from telemetry.machine.limits_frame import NO_HISTORY, ResistanceHistory
from telemetry.machine.limits_vehicle import conductor_ohm
from telemetry.machine.sections import Machine
from telemetry.pipeline.stage import Stage


def limit_stages(machine: Machine, history: ResistanceHistory = NO_HISTORY) -> list[Stage]:
    """Return fresh stages, to run after those that derive and estimate and before the judge."""
    pack = machine.pack
    return [
        ChargerWatch(least_charge_a(machine)),
        FullWatch(machine),
        Averaging(discharge_parts(machine), charge_parts(machine)),
        ChargeTemperature(pack.cell.charge_low_c, pack.cell.charge_high_c, FULL_CHARGE_ABOVE_C),
        CellWatch(machine),
        PathHeat(pack.capacity_ah, conductor_ohm(machine)),
        ResistanceChange(history),
        Outlook(pack, machine.vehicle.working_width_m, machine.work.area_ha),
    ]
