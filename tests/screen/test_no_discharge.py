"""While nothing can flow out of the pack, no headroom is green and no amperes are left. Invented values."""

from __future__ import annotations

from typing import Any

import pytest

from telemetry.model.batch import Batch, Group
from telemetry.model.events import LinkChange
from telemetry.screen.lanes import lanes_of
from telemetry.screen.theme import SHAPES

FLAG = Group("pack", "switch", ("discharge_allowed",))
SIZES = [(80, 24), (160, 45)]


async def _flag(rig: Any, allowed: float, **values: float) -> None:
    rig.gather.post(Batch.of_rows(FLAG, [rig.now + 1_000_000], [[allowed]]))
    await rig.after(1.0, **values)


async def _driving(rig: Any, current: float) -> None:
    await _flag(rig, 1.0, pack_voltage=26.0, pack_current=current, lowest=3.2)
    await rig.drive(3, pack_voltage=26.0, pack_current=current, lowest=3.2)


def _figures(rig: Any) -> str:
    """The part of the screen that figures and gauges have, with the phase box."""
    rows = rig.rows()
    return "\n".join(rows[: 19 if len(rows) == 24 else 35])


@pytest.mark.parametrize("size", SIZES)
async def test_a_trip_under_load_leaves_no_headroom(rig: Any, size: tuple[int, int]) -> None:
    async with rig.screen.run_test(size=size):
        await _driving(rig, 40.0)
        before = _figures(rig)
        assert "6.0 V left" in before
        assert "60 A left" in before
        await _flag(rig, 0.0, pack_voltage=27.0, pack_current=0.0, lowest=3.3)
        after = _figures(rig)
        assert "left" not in after
        assert f"{SHAPES['danger']} VOLTAGE" in after
        assert "discharge off" in after
        assert "BMS TRIP" in after
        assert _bars(rig) <= {"beyond", "idle"}


def _bars(rig: Any) -> set[str]:
    """The colours of the three bars now."""
    return {lane.gauge.bar for lane in lanes_of(rig.dashboard._scene(0))}


@pytest.mark.parametrize("size", SIZES)
async def test_a_pack_that_is_off_at_rest_shows_no_headroom_and_no_alarm(rig: Any, size: tuple[int, int]) -> None:
    async with rig.screen.run_test(size=size):
        await _driving(rig, 0.0)
        await _flag(rig, 0.0, pack_voltage=26.4, pack_current=0.0, lowest=3.3)
        shown = _figures(rig)
        assert "left" not in shown
        assert f"{SHAPES['caution']} VOLTAGE" in shown
        assert _bars(rig) <= {"warned", "idle"}
        assert not rig.snapshot.alarms
        await _flag(rig, 1.0, pack_voltage=26.4, pack_current=0.0, lowest=3.3)
        assert "6.4 V left" in _figures(rig)


async def test_a_charge_goes_on_beside_a_disabled_discharge(rig: Any) -> None:
    async with rig.screen.run_test(size=SIZES[0]):
        await _driving(rig, -20.0)
        await _flag(rig, 0.0, pack_voltage=26.0, pack_current=-20.0, lowest=3.2)
        shown = _figures(rig)
        assert shown.count("discharge off") == 1
        assert "CURRENT in" in shown
        assert "30 A left" in shown


async def test_a_lost_pack_link_leaves_no_headroom(rig: Any) -> None:
    async with rig.screen.run_test(size=SIZES[0]):
        await rig.after(0.1, LinkChange(rig.now, "pack", "live"))
        await _driving(rig, 40.0)
        await rig.after(0.1, LinkChange(rig.now, "pack", "lost", "the cable was pulled"))
        shown = _figures(rig)
        assert "link lost" in shown
        assert " left" not in shown
