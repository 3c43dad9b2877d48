"""When which request is sent."""

from __future__ import annotations

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.frame_map import read_frame_map
from drivers.decode.frame_poll import FramePoll

TEXT = """
byte_order = "big"
[frame]
start = "A5"
length = 4
[poll]
interval_s = 1.0
response_timeout_s = 0.2
pause_s = 0.05
request = [{ bytes = "01" }, { bytes = "02", every = 3 }]
[message.state.fields]
extra_a = { byte = 1 }
"""
MAP, _ = read_frame_map(tomllib.loads(TEXT))
MS = 1000


def played(poll, until, answer_after):
    """What is done up to ``until``: (time in ms, "send 01" / "overdue" / "over"); each answer comes so much later."""
    done, now, sent = [], 0, None
    while now <= until:
        answered = sent is not None and answer_after is not None and now >= sent + answer_after
        while step := poll.step(now, answered):
            if step.send is not None:
                done.append((now // MS, f"send {step.send.data.hex()}"))
                sent, answered = now, False
            done += [(now // MS, "overdue")] if step.overdue else []
            done += [(now // MS, "over")] if step.cycle_over else []
        wakes = [poll.wake] + ([sent + answer_after] if sent is not None and answer_after is not None else [])
        now = min(wake for wake in wakes if wake > now)
    return done


def test_requests_go_in_turn_each_after_the_answer_to_the_last():
    assert played(FramePoll(MAP, 0), 1500 * MS, 30 * MS) == [
        (0, "send 01"),
        (80, "send 02"),
        (110, "over"),
        (1000, "send 01"),
        (1030, "over"),
    ]


def test_a_request_without_an_answer_is_given_up_after_its_time():
    assert played(FramePoll(MAP, 0), 999 * MS, None) == [
        (0, "send 01"),
        (200, "overdue"),
        (250, "send 02"),
        (450, "overdue"),
        (450, "over"),
    ]


def test_a_request_for_every_third_cycle_is_sent_in_every_third():
    sent = [what for _, what in played(FramePoll(MAP, 0), 6500 * MS, 10 * MS) if what.startswith("send")]
    assert sent == [
        "send 01",
        "send 02",
        *["send 01"] * 2,
        "send 01",
        "send 02",
        *["send 01"] * 2,
        "send 01",
        "send 02",
    ]


def test_cycles_missed_are_not_made_up_for():
    poll = FramePoll(MAP, 0)
    assert poll.step(10_000 * MS, False).send is not None
    assert poll.step(10_010 * MS, True).cycle_over is False
    assert poll.step(10_060 * MS, True).send is not None
    assert poll.step(10_100 * MS, True).cycle_over
    assert not poll.step(10_100 * MS, True)
    assert poll.wake == 11_000 * MS


@given(st.lists(st.tuples(st.integers(0, 400), st.booleans()), max_size=60))
def test_whenever_it_is_asked_no_request_follows_another_without_answer_or_time_limit(calls):
    poll, now, sent = FramePoll(MAP, 0), 0, None
    for after, answered in calls:
        now += after * MS
        for _ in range(10):
            step = poll.step(now, answered and sent is not None)
            if not step:
                break
            if step.send is not None:
                assert sent is None
                sent, answered = now, False
            elif sent is not None:
                assert answered or now - sent >= MAP.response_timeout
                sent = None
            if step.send is None and answered:
                sent = None
        else:
            raise AssertionError("it never comes to rest")
        if answered:
            sent = None
