"""A pack that cannot give what is asked of it, and a pack whose own switch opens though it could."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import ClassVar

from ..cells import RESISTANCE_KELVIN, OddCell
from ..electronics import Guard
from ..expected import charge_where, heated_factor, level_current, rest_voltage
from ..scenarios import Scenario
from .fault import Fault


class PackWeakFault(Fault):
    """Too little charge, too small, too old, or one cell that is: the voltage falls to a low limit under load.

    Which limit comes first, the controller's or the pack's own, is part of what is drawn. The charge to begin with is
    such that some part of the controller's highest current reaches it, now or after some minutes.
    """

    cause = "pack-weak"
    variants: ClassVar = dict.fromkeys(("empty", "too small", "aged", "one weak cell"), 1.0)

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        super().__init__(scenario, chance, variant)
        cells, controller, electronics = scenario.cells, scenario.controller, scenario.electronics
        floor_v = controller.minimum_v / cells.count
        own = self.variant == "one weak cell" or chance.random() < 0.4
        by_pack = floor_v + (chance.uniform(0.02, 0.12) if own else -0.35)
        guard = replace(
            electronics.cell_low,
            limit=by_pack,
            release=by_pack + chance.uniform(0.03, 0.12),
            back_s=chance.uniform(4.0, 18.0),
        )
        capacity, ohm = 1.0, 1.0
        odd = dict(cells.odd)
        number = chance.randint(1, cells.count)
        if self.variant == "too small":
            capacity = chance.uniform(0.25, 0.45)
            ohm = 0.8 / capacity
        elif self.variant == "aged":
            capacity, ohm = chance.uniform(0.6, 0.85), chance.uniform(2.2, 4.0)
        elif self.variant == "one weak cell":
            odd[number] = OddCell(capacity=chance.uniform(0.55, 0.8), resistance=chance.uniform(1.2, 4.0))
        weak = replace(
            cells,
            capacity_ah=cells.capacity_ah * capacity,
            resistance_ohm=cells.resistance_ohm * ohm,
            rc_resistance_ohm=cells.rc_resistance_ohm * ohm,
            odd=odd,
        )
        self.scenario = replace(scenario, cells=weak, electronics=replace(electronics, cell_low=guard))
        factor, limit_v = odd[number].resistance if number in odd else 1.0, max(floor_v, by_pack)
        level, most = level_current(scenario), controller.battery_current_a
        reached = level + chance.uniform(0.25, 0.7) * max(0.3 * level, most - level)
        warm = heated_factor(scenario.air_c, RESISTANCE_KELVIN)
        shared = (scenario.connection.resistance_ohm + electronics.path_ohm) / cells.count if not own else 0.0
        cell_ohm = (weak.resistance_ohm + 0.5 * weak.rc_resistance_ohm) * warm * factor + shared
        used = level * chance.uniform(20.0, 120.0) / 3600 / weak.capacity_ah
        soc = charge_where(scenario, limit_v, reached, cell_ohm) + used
        rests = charge_where(scenario, guard.release + 0.02, level, cell_ohm)
        # The smallest cell is that low when its fellows have given as many ampere-hours and have more left.
        smallest = min((each.capacity for each in odd.values()), default=1.0) * (1 - 2 * weak.capacity_spread)
        soc = 1 - (1 - max(soc, rests)) * smallest
        self.scenario = replace(self.scenario, soc=min(0.9, max(0.01, soc)))


class PackTripFault(Fault):
    """The pack's own switch opens on current that the machine draws by right, or against braking current.

    It comes back after a wait, in one variant not before the pedal has been released. What braking would give back
    and the pack refuses goes into the controller's capacitors: their voltage jumps and the controller stops.
    """

    cause = "bms-trip"
    variants: ClassVar = {
        "over-current": 3.0,
        "over-current until released": 3.0,
        "braking into a full pack": 1.3,
        "braking into a cold pack": 1.3,
        "braking above the charge limit": 1.3,
    }

    @classmethod
    def possible(cls, scenario: Scenario) -> dict[str, float]:
        """Return the variants, those of braking only where the machine brakes by its motor."""
        brakes = scenario.controller.brake_current_a > 0
        return {name: weight for name, weight in cls.variants.items() if brakes or not name.startswith("braking")}

    def __init__(self, scenario: Scenario, chance: random.Random, variant: str | None = None) -> None:
        super().__init__(scenario, chance, variant)
        electronics = scenario.electronics
        if self.variant.startswith("over-current"):
            level, most = level_current(scenario), scenario.controller.battery_current_a
            limit = level + chance.uniform(0.3, 0.65) * max(0.3 * level, most - level)
            if scenario.implement is not None:
                # What trips at every start of the implement would have been noticed in the yard.
                what = scenario.implement
                starting = what.start_factor * what.power_w / rest_voltage(scenario, scenario.soc)
                limit = min(max(limit, chance.uniform(0.9, 1.3) * starting), 0.9 * most + 0.5 * level)
            back_s = chance.uniform(0.4, 1.5) if "released" in self.variant else chance.uniform(3.0, 18.0)
            guard = Guard(limit, 5.0, "high", chance.uniform(0.1, 1.2), back_s)
            electronics = replace(electronics, discharge_current=guard, waits_for_release="released" in self.variant)
        elif "charge limit" in self.variant:
            guard = Guard(
                chance.uniform(0.2, 0.5) * scenario.controller.charge_current_a,
                1.0,
                "high",
                chance.uniform(0.05, 0.6),
                chance.uniform(2.0, 10.0),
            )
            electronics = replace(electronics, charge_current=guard, one_switch=chance.random() < 0.5)
        elif "cold" in self.variant:
            electronics = replace(electronics, cold_charge=Guard(5.0, 8.0, "low", 0.2, 10.0))
            # A pack for the cold, so that nothing but the braking goes wrong.
            cells = replace(scenario.cells, resistance_ohm=0.55 * scenario.cells.resistance_ohm)
            scenario = replace(scenario, cells=cells, air_c=chance.uniform(1.5, 4.0), soc=max(0.6, scenario.soc))
        else:
            cells, soc = scenario.cells, 0.985 if scenario.cells.chemistry == "nmc" else 0.9935
            lifted = 0.4 * scenario.controller.charge_current_a * cells.resistance_ohm
            full = rest_voltage(scenario, soc) / cells.count + lifted
            guard = Guard(full, full - 0.3 * lifted, "high", chance.uniform(0.1, 0.6), chance.uniform(2.0, 8.0))
            electronics = replace(electronics, cell_high=guard, one_switch=chance.random() < 0.5)
            legs = tuple(replace(leg, grade=-0.09, pause_s=1.5) for leg in scenario.legs[:2])
            scenario = replace(scenario, soc=soc, legs=(*legs, *scenario.legs[2:]))
        self.scenario = replace(scenario, electronics=electronics)
