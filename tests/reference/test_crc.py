"""The CRC of the wire against values and code from outside.

Sources: RevEng "Catalogue of parametrised CRC algorithms", entries CRC-16/IBM-3740 (alias
CRC-16/CCITT-FALSE) and CRC-16/XMODEM, quoted by crccheck and by the crc-catalog of Rust;
crccheck itself, which computes bit by bit from the parameters.
"""

import pytest
from crccheck.crc import Crc16CcittFalse
from hypothesis import given
from hypothesis import strategies as st

from chrono.reader.line_grammar import crc16, crc_text


def test_the_catalogue_check_value_is_reproduced() -> None:
    # RevEng: width=16 poly=0x1021 init=0xffff refin=false refout=false xorout=0x0000
    # check=0x29b1 residue=0x0000
    assert crc16(b"123456789") == 0x29B1


def test_it_is_not_the_relative_with_initial_value_zero() -> None:
    assert crc16(b"123456789") != 0x31C3  # RevEng: CRC-16/XMODEM


def test_nothing_gives_the_initial_value() -> None:
    assert crc_text(b"") == b"FFFF"


@given(data=st.binary(max_size=100))
def test_it_agrees_with_crccheck(data: bytes) -> None:
    assert crc16(data) == Crc16CcittFalse.calc(data)


@given(data=st.binary(max_size=100))
def test_a_message_followed_by_its_own_crc_leaves_the_residue_zero(data: bytes) -> None:
    assert crc16(data + crc16(data).to_bytes(2, "big")) == 0  # RevEng: residue=0x0000


@pytest.mark.parametrize("length", [19, 23, 76])
def test_every_burst_of_up_to_16_bits_is_found(length: int) -> None:
    # A CRC of degree 16 finds all bursts no longer than 16 bits (Peterson and Brown 1961).
    line = bytes(range(32, 32 + length))
    good = crc16(line)
    whole = int.from_bytes(line, "big")
    for first_bit in range(8 * length - 16):
        for burst in (1, 0b11, 0x8001, 0xFFFF, 0xA5A5):
            damaged = (whole ^ (burst << first_bit)).to_bytes(length, "big")
            assert crc16(damaged) != good
