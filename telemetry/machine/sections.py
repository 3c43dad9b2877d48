"""What the owner states of a machine: one dataclass a section of the machine file, each field one key.

These classes are the table of keys (see :mod:`telemetry.model.keys`). None means the file does not say; nothing
is filled in, for a figure that nobody knows must not look like one that somebody does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import PurePath
from typing import Any, Literal

from telemetry.machine.kinds import Signals
from telemetry.machine.pack_keys import Pack, Wiring
from telemetry.machine.publish import Publish
from telemetry.machine.vehicle_keys import Charger, Instruments, Vehicle, Work
from telemetry.model.errors import printable
from telemetry.model.fault_names import FaultNames
from telemetry.model.keys import LIST_SECTIONS, Key, keys_of, setting
from telemetry.model.kinds import choice, number, switch, text

USUAL_DRIVER = "serial-text"
"""The driver that is named where one must be named as an example."""


@dataclass(frozen=True, kw_only=True)
class SourceSettings:
    """One ``[[source]]`` table: where readings come from.

    ``settings`` holds the driver's own keys as the file gives them; the driver checks them.
    """

    driver: str = text(
        "which driver reads it", "`shakedown sources` lists them", USUAL_DRIVER, longest=40, required=True
    )
    name: str = text("what you call the source; numbered where it would repeat", "your choice", "pack", longest=40)
    sign_of_current: Literal["discharge-positive", "charge-positive"] = choice(
        ("discharge-positive", "charge-positive"),
        "which way the device counts current",
        "drive off: if it then shows minus, it is charge-positive",
        "charge-positive",
        default="discharge-positive",
    )
    isolated: bool | None = switch(
        "whether the link is isolated, so that no current can flow from pack to computer by it",
        "the adapter's sheet; radio links are",
        example=True,
    )
    prefer: tuple[str, ...] = setting(
        Signals(),
        "signals to take from this source where several give them",
        "your judgement of the meters",
        ["pack_current"],
        default=(),
    )
    lag_s: float | None = number(
        -10,
        10,
        "seconds by which its readings come later than they were true; the others are held back to match",
        "`shakedown align` finds it",
        0.4,
    )
    silence_s: float | None = number(
        0.1,
        3600,
        "seconds without a reading after which the link counts as failed",
        "how often the device sends",
        5.0,
    )
    settings: Mapping[str, Any] = field(default_factory=dict)

    @property
    def settings_for_driver(self) -> dict[str, Any]:
        """What the driver sees: its own keys, and the silence limit where the owner set one."""
        return dict(self.settings) | ({} if self.silence_s is None else {"silence_s": self.silence_s})


@dataclass(frozen=True, kw_only=True)
class LimitOverride:
    """One ``[limits.NAME]`` table: what the owner sets in place of our numbers; None keeps ours."""

    name: str
    warn: float | None = number(-1e6, 1e6, "warn beyond it, in the signal's unit", "the maker's sheet", 46.4)
    trip: float | None = number(-1e6, 1e6, "the bound itself, in the signal's unit", "the maker's sheet", 44.8)
    clear_margin: float | None = number(
        0, 1000, "how far back inside the bound counts as over", "how much the value jitters", 0.5
    )
    raise_delay_s: float | None = number(
        0, 600, "how long it must last before the alarm is raised", "how long an ordinary pull-away takes", 2.0
    )
    clear_delay_s: float | None = number(
        0, 3600, "how long it must be back before the alarm clears", "your patience with repeats", 10.0
    )
    enabled: bool = switch("false switches the limit off", "your choice, at your risk", example=False, default=True)
    latched: bool | None = switch(
        "whether its trip stays until it is reset by hand", "whether you must look at the pack after it", example=True
    )


SECTIONS: dict[str, type] = {
    "pack": Pack,
    "wiring": Wiring,
    "charge_wiring": Wiring,
    "machine": Vehicle,
    "charger": Charger,
    "work": Work,
    "instruments": Instruments,
    "source": SourceSettings,
    "publish": Publish,
    "limits": LimitOverride,
}
"""Every section by its name in the file."""

PLAIN_SECTIONS = tuple(name for name in SECTIONS if name not in (*LIST_SECTIONS, "limits"))
"""Those that may stand only once."""

TITLES = {
    "pack": "the battery now in the machine",
    "wiring": "the cable from pack to controller",
    "charge_wiring": "the cable from charger to pack; the same keys",
    "machine": "the machine, above all its motor controller",
    "charger": "the charger",
    "work": "what the machine does, and what that costs",
    "instruments": "how far the readings may be off; every ± in a report follows from it",
    "source": "where readings come from; one for each device",
    "publish": "an MQTT broker that gets live values; nothing is sent without it",
    "limits": "your numbers in place of ours, for one limit",
}
"""What each section is about."""


@cache
def section_keys(section: str) -> tuple[Key, ...]:
    """Return the keys of a section in the order of the documentation; KeyError for a section that is none."""
    return keys_of(SECTIONS[section], section)


@cache
def find_key(section: str, name: str) -> Key:
    """Return one key's description; KeyError where there is none of that name."""
    found = {key.name: key for key in section_keys(section)}
    return found[name]


def homes_of(name: str) -> list[str]:
    """Return the sections that have a key of that name."""
    return [section for section in SECTIONS if any(key.name == name for key in section_keys(section))]


def missing(section: str, name: str) -> str:
    """Return what to say of a figure that needs a key the file lacks: which one, and where to find it.

    ``unknown: [pack] continuous_discharge_a is not stated; it is the current ...: see the pack maker's sheet``
    """
    key = find_key(section, name)
    unit = f", in {key.unit}" if key.unit else ""
    return f"unknown: {key.place} is not stated ({key.meaning}{unit}); find it: {key.find}"


@dataclass(frozen=True, kw_only=True)
class Machine:
    """All that a machine file states.

    Attributes:
        pack, wiring, charge_wiring, vehicle, charger, work, instruments: the sections; an absent one has nothing but
            None.
        sources, publish: in the order of the file.
        limit_overrides: by the limit's name.
        fault_codes: what the bits and values of a signal mean, by the signal's name.
        text: the file's whole text, kept with a session so that it can be judged again.
        file: its name as the user gave it.

    """

    pack: Pack
    wiring: Wiring = field(default_factory=Wiring)
    charge_wiring: Wiring = field(default_factory=Wiring)
    vehicle: Vehicle = field(default_factory=Vehicle)
    charger: Charger = field(default_factory=Charger)
    work: Work = field(default_factory=Work)
    instruments: Instruments = field(default_factory=Instruments)
    sources: tuple[SourceSettings, ...] = ()
    publish: tuple[Publish, ...] = ()
    limit_overrides: Mapping[str, LimitOverride] = field(default_factory=dict)
    fault_codes: Mapping[str, FaultNames] = field(default_factory=dict)
    text: str = ""
    file: str = ""

    @property
    def name(self) -> str:
        """What to call the machine: its own name, else the pack's, else the file's, as printable text."""
        return printable(self.vehicle.name or self.pack.name or PurePath(self.file).stem or "machine")

    @property
    def full_voltage(self) -> tuple[float, str]:
        """The highest voltage that the full pack reaches, V, and why: its cut-off, or a charger above that."""
        pack, charger_v = self.pack, self.charger.output_voltage_v
        if pack.high_cutoff_v is not None:
            full, words = pack.high_cutoff_v, "BMS cut-off"
        else:
            full = pack.cells_in_series * pack.cell.maximum_v
            words = f"{pack.cells_in_series} cells at {pack.cell.maximum_v:g} V"
        return (charger_v, "charger voltage") if charger_v is not None and charger_v > full else (full, words)

    @property
    def bench(self) -> bool:
        """Whether the pack stands by itself: the file says nothing of a machine."""
        return replace(self.vehicle, id=None) == Vehicle()
