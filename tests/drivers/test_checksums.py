"""Checksums against published values and against an independent library (crccheck)."""

from __future__ import annotations

import crccheck
import pytest
from crccheck.crc import Crc as IndependentCrc
from hypothesis import given
from hypothesis import strategies as st

from drivers.decode.checksums import CATALOGUE, Crc, Sum, Xor, known_checksums, named_crc, reflected

NINE = b"123456789"

# Catalogue of parametrised CRC algorithms (reveng.sourceforge.io/crc-catalogue): the published check values.
PUBLISHED = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/SAE-J1850": 0x4B,
    "CRC-8/AUTOSAR": 0xDF,
    "CRC-8/MAXIM": 0xA1,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/CCITT-FALSE": 0x29B1,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/X-25": 0x906E,
    "CRC-32": 0xCBF43926,
    "CRC-32C": 0xE3069283,
}

# The same algorithms under the names that crccheck gives them.
INDEPENDENT = {
    "CRC-8/SMBUS": crccheck.crc.Crc8Smbus,
    "CRC-8/SAE-J1850": crccheck.crc.Crc8SaeJ1850,
    "CRC-8/AUTOSAR": crccheck.crc.Crc8Autosar,
    "CRC-8/MAXIM": crccheck.crc.Crc8Maxim,
    "CRC-16/MODBUS": crccheck.crc.Crc16Modbus,
    "CRC-16/IBM-3740": crccheck.crc.Crc16Ibm3740,
    "CRC-16/XMODEM": crccheck.crc.Crc16Xmodem,
    "CRC-16/KERMIT": crccheck.crc.Crc16Kermit,
    "CRC-16/ARC": crccheck.crc.Crc16Arc,
    "CRC-16/X-25": crccheck.crc.Crc16X25,
    "CRC-32": crccheck.crc.Crc32,
    "CRC-32C": crccheck.crc.Crc32C,
}


@pytest.mark.parametrize(("name", "check"), PUBLISHED.items())
def test_a_named_crc_gives_its_published_check_value(name: str, check: int) -> None:
    crc = named_crc(name)
    assert crc is not None
    assert crc.of(NINE) == check


@pytest.mark.parametrize("name", CATALOGUE)
def test_the_catalogue_holds_the_published_check_values(name: str) -> None:
    assert CATALOGUE[name].crc.of(NINE) == CATALOGUE[name].check == PUBLISHED[name]


@pytest.mark.parametrize("name", CATALOGUE)
@given(data=st.binary(max_size=80))
def test_a_named_crc_agrees_with_an_independent_library(name: str, data: bytes) -> None:
    assert CATALOGUE[name].crc.of(data) == INDEPENDENT[name].calc(data)


@given(
    width=st.integers(8, 64),
    reflect_in=st.booleans(),
    reflect_out=st.booleans(),
    numbers=st.tuples(*[st.integers(0, 2**64 - 1)] * 3),
    data=st.binary(max_size=40),
)
def test_a_crc_by_parameters_agrees_with_an_independent_library(
    width: int, reflect_in: bool, reflect_out: bool, numbers: tuple[int, int, int], data: bytes
) -> None:
    polynomial, initial, xor_out = (number % 2**width for number in numbers)
    ours = Crc(width, polynomial | 1, initial, reflect_in, reflect_out, xor_out)
    theirs = IndependentCrc(width, polynomial | 1, initial, reflect_in, reflect_out, xor_out)
    assert ours.of(data) == theirs.calc(data)


# Narrow checks, published in the same catalogue; values from memory, confirmed by crccheck beside them.
@pytest.mark.parametrize(
    ("crc", "independent", "check"),
    [
        (Crc(3, 0x3, 0x0, False, False, 0x7), crccheck.crc.Crc3Gsm, 0x4),
        (Crc(4, 0x3, 0x0, True, True, 0x0), crccheck.crc.Crc4G704, 0x7),
        (Crc(5, 0x05, 0x1F, True, True, 0x1F), crccheck.crc.Crc5Usb, 0x19),
        (Crc(7, 0x09), crccheck.crc.Crc7, 0x75),
    ],
)
def test_narrow_crcs_agree_too(crc: Crc, independent: type, check: int) -> None:
    assert crc.of(NINE) == independent.calc(NINE) == check


def test_sums_of_the_nine_characters() -> None:
    # Agreed by crccheck, anycrc and crcmod where they have them: sum DD, complements 23 and 22, exclusive or 31.
    assert Sum(8).of(NINE) == 0xDD
    assert Sum(8, 2).of(NINE) == 0x23
    assert Sum(8, 1).of(NINE) == 0x22
    assert Xor().of(NINE) == 0x31


@given(st.binary(max_size=300))
def test_sums_agree_with_an_independent_library(data: bytes) -> None:
    assert Sum(8).of(data) == crccheck.checksum.Checksum8.calc(data)
    assert Sum(16).of(data) == crccheck.checksum.Checksum16.calc(b"".join(bytes([0, b]) for b in data))
    assert Xor().of(data) == crccheck.checksum.ChecksumXor8.calc(data)
    assert (Sum(8, 2).of(data) + Sum(8).of(data)) % 256 == 0
    assert Sum(8, 1).of(data) ^ Sum(8).of(data) == 0xFF


def test_the_names_are_known_in_any_letter_case_and_no_others() -> None:
    assert named_crc("crc-16/modbus") == named_crc("CRC-16/MODBUS")
    assert named_crc("CRC-16/NONE-SUCH") is None
    assert all(named_crc(name) is not None for name in known_checksums())


@given(st.integers(0, 2**16 - 1))
def test_reflecting_twice_changes_nothing(value: int) -> None:
    assert reflected(reflected(value, 16), 16) == value
