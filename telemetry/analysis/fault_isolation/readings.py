"""What the owner measured by hand or counted: it goes into the ranking beside what was recorded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Readings:
    """Answers, each None where not given.

    Attributes:
        pedal_gap: the pedal's signal was seen to jump or vanish on a meter while the pedal was pressed slowly.
        drop_per_joint_v: highest voltage across one joint of the power path under load, V.
        load_a: current at which that was read, A.
        controller_blinks: blinks of the controller's lamp in one code, 0 for none.
        blinks_meaning: what its sheet says of that code: ``pedal``, ``voltage``, ``temperature``, ``current``, ``other``.
        enable_steady: the enable line at the controller stayed steady while it hesitated.
        rest_voltage_v: pack voltage at rest an hour after charging, V.
        wheel_turns_free: the jacked-up wheel turns by hand and runs on.
    """

    pedal_gap: bool | None = None
    drop_per_joint_v: float | None = None
    load_a: float | None = None
    controller_blinks: int | None = None
    blinks_meaning: str | None = None
    enable_steady: bool | None = None
    rest_voltage_v: float | None = None
    wheel_turns_free: bool | None = None
