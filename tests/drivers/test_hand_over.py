"""The short form of ``python -m tests.faults --only hand-over``: two devices of two kinds, one killed."""

from __future__ import annotations

import asyncio

from tests.faults.hand_overs import BY_NAME, Trial, judged


async def kill_the_first(trial: Trial) -> None:
    await trial.until(lambda: len(trial.heard) == 2, "not both were heard")
    await trial.until_given_by(0)
    trial.turns = 0
    await asyncio.sleep(0.2)
    trial.devices[0].disconnect()
    await trial.until_given_by(1)


def test_the_second_device_takes_over_with_one_mark(tmp_path) -> None:
    trial = Trial([BY_NAME["serial-frames"], BY_NAME["can-messages"]], tmp_path / "sessions.sqlite3")
    asyncio.run(trial.run(kill_the_first))
    assert judged(trial).startswith("1 hand-overs")
    assert trial.announced == ["device0 link lost: motor speed, voltage now from device1"]
