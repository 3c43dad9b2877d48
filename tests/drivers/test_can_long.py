"""Messages longer than a frame: lost, doubled and late frames never mix two of them."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.can_messages import CanMessagesSettings
from drivers.decode.can_batches import CanBatches
from drivers.decode.can_frames import EXTENDED, CanFrame, FastPackets
from drivers.decode.can_standards import owners_messages
from drivers.decode.can_transport import TransportProtocol
from drivers.decode.message_catalogue import wanted_of
from telemetry.model.tables import read_table
from tests.reference.standards import STANDARDS, compared, fast_packet

KEY = EXTENDED | 0x19F21223
LOSS = 0.3


def payload(chance: random.Random, number: int, length: int) -> bytes:
    """Bytes that bear their number throughout, so that a mix of two is seen."""
    return bytes((number * 7 + 13 * place) % 251 for place in range(length))


@pytest.mark.parametrize("spacing_us", [2_000, 20_000, 100_000, 400_000, 3_000_000])
def test_fast_packets_with_a_third_of_the_frames_lost_never_mix(spacing_us: int) -> None:
    chance, packets = random.Random(spacing_us), FastPackets()
    t = whole = 0
    for number in range(4_000):
        data = payload(chance, number, 11)
        t += spacing_us
        for place, frame in enumerate(fast_packet(KEY, number % 8, data)):
            if chance.random() >= LOSS:
                found = packets.feed(CanFrame(t + 500 * place, KEY, frame))
                assert found in (None, data)
                whole += found is not None
    assert 0.45 < whole / 4_000 < 0.53  # both frames of a packet came: 0.7 squared


@settings(deadline=None)
@given(st.lists(st.binary(min_size=9, max_size=60), min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_doubled_frames_and_several_senders_give_no_wrong_packet(payloads, chance) -> None:
    queues = [
        [(KEY & ~0xFF | n, frame) for frame in fast_packet(KEY, n % 8, data) for _ in range(chance.choice((1, 1, 2)))]
        for n, data in enumerate(payloads)
    ]
    packets, found = FastPackets(), []
    while any(queues):
        key, frame = chance.choice([queue for queue in queues if queue]).pop(0)
        found.append(packets.feed(CanFrame(0, key, frame)))
    assert {each for each in found if each is not None} <= set(payloads)


def transported(group: int, sender: int, data: bytes, receiver: int = 255) -> list[tuple[int, bytes]]:
    """The frames of a J1939 message that is announced and sent in packets."""
    count = -(-len(data) // 7)
    way = 32 if receiver == 255 else 16
    head = bytes([way, *len(data).to_bytes(2, "little"), count, 255, *group.to_bytes(3, "little")])
    frames = [(EXTENDED | 0x1CEC0000 | receiver << 8 | sender, head)]
    for n in range(count):
        piece = data[7 * n : 7 * n + 7].ljust(7, b"\xff")
        frames.append((EXTENDED | 0x1CEB0000 | receiver << 8 | sender, bytes([n + 1]) + piece))
    return frames


@settings(deadline=None, max_examples=40)
@given(st.lists(st.binary(min_size=9, max_size=200), min_size=1, max_size=5), st.booleans(), st.data())
def test_messages_of_several_senders_are_joined(payloads, to_all, data) -> None:
    queues = [transported(65226, n, sent, 255 if to_all else 100 + n) for n, sent in enumerate(payloads)]
    protocol, found, t = TransportProtocol(), {}, 0
    while any(queues):
        for queue in data.draw(st.permutations([queue for queue in queues if queue])):
            t += 5_000
            whole = protocol.feed(CanFrame(t, *queue.pop(0)))
            if whole is not None:
                assert whole.group == 65226
                found[whole.sender] = whole.data
    assert found == dict(enumerate(payloads))
    assert protocol.given_up == 0


def test_a_receiver_that_asks_again_gets_the_packet_again() -> None:
    head, one, two, three = transported(65226, 3, bytes(range(20)), 9)
    again = (EXTENDED | 0x1CEC0309, bytes([17, 2, 2, 255, 255, 0xCA, 0xFE, 0]))  # from 9 to 3: two packets from 2 on
    protocol = TransportProtocol()
    found = [protocol.feed(CanFrame(1000 * n, *frame)) for n, frame in enumerate((head, one, two, again, two, three))]
    assert found[-1].data == bytes(range(20))
    stop = (EXTENDED | 0x1CEC0309, bytes([255, 1, 255, 255, 255, 0xCA, 0xFE, 0]))
    for n, frame in enumerate((head, one, stop, two, three)):
        assert protocol.feed(CanFrame(1000 * n, *frame)) is None
    assert protocol.given_up == 1


@pytest.mark.parametrize("packet_us", [50_000, 120_000, 200_000])
def test_transported_messages_with_a_third_of_the_frames_lost_never_mix(packet_us: int) -> None:
    """SAE J1939-21: 50 to 200 ms between packets to all (from memory); messages back to back, at random lengths."""
    chance, protocol, t, whole = random.Random(packet_us), TransportProtocol(), 0, 0
    for number in range(3_000):
        group = chance.choice((65226, 65227))
        data = payload(chance, number, chance.choice((9, 14, 20, 39)))
        for frame in transported(group, 3, data):
            t += packet_us
            if chance.random() >= LOSS:
                found = protocol.feed(CanFrame(t, *frame))
                assert found is None or (found.group, found.data) == (group, data)
                whole += found is not None
    assert whole > 500


LONG = """VERSION ""

NS_ :

BS_:

BU_: D

BO_ 2633785075 Store: 16 D
 SG_ pack_voltage : 0|16@1+ (0.05,0) [0|0] "V" D
 SG_ pack_current : 96|16@1+ (0.05,-1600) [0|0] "A" D

BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_ "ProtocolType" STRING ;
BA_DEF_DEF_ "VFrameFormat" "J1939PG";
BA_DEF_DEF_ "ProtocolType" "J1939";
BA_ "ProtocolType" "J1939";
BA_ "VFrameFormat" BO_ 2633785075 3;
"""


def test_a_long_message_of_the_owners_catalogue_is_read_through_the_transport(tmp_path) -> None:
    path = tmp_path / "store.dbc"
    path.write_text(LONG, encoding="utf-8")
    reach = {"interface": "virtual", "channel": "x", "catalogue": str(path)}
    found, problems = read_table(CanMessagesSettings, reach)
    assert problems == []
    batches = CanBatches("bus", owners_messages(wanted_of(found)), 250_000)
    data = (1040).to_bytes(2, "little") + bytes(10) + (32000).to_bytes(2, "little") + bytes(2)
    group = (2633785075 >> 8) & 0x3FFFF
    batches.feed(CanFrame(60_000 * n, *frame) for n, frame in enumerate(transported(group, 0xF3, data)))
    (batch,) = batches.taken()
    assert batch.values.tolist() == [[52.0, 0.0]]
    assert batches.figures.understood == 1


def test_a_message_longer_than_a_frame_without_a_transport_is_refused(tmp_path) -> None:
    path = tmp_path / "store.dbc"
    path.write_text(LONG.partition("BA_DEF_")[0].replace("2633785075", "300"), encoding="utf-8")
    reach = {"interface": "virtual", "channel": "x", "catalogue": str(path)}
    _, problems = read_table(CanMessagesSettings, reach)
    assert [problem.what for problem in problems] == ["message Store is 16 bytes long, and a frame holds 8"]
    fast = {"interface": "socketcan", "channel": "can0", "catalogue": str(path), "options": {"fd": True}}
    assert read_table(CanMessagesSettings, fast)[1] == []


@pytest.mark.parametrize("standard", list(STANDARDS))
def test_frames_drawn_at_random_mean_what_the_reference_decoder_says(standard: str) -> None:
    """The short form of ``python -m tests.reference.standards``."""
    count, wrong = compared(standard, 60 if standard == "sunspec" else 400, seed=7)
    assert count > 500
    assert wrong == []
