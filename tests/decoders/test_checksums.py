"""Checksums of packets against published check figures and independent arithmetic."""

from __future__ import annotations

import binascii
import zlib

import numpy as np
import pytest
from crccheck.crc import ALLCRCCLASSES, Crc
from hypothesis import given
from hypothesis import strategies as st

from pullwatch.decoders.checksums import CATALOGUE, SIMPLE, WIDTHS, CrcFacts, TableCrc, named

CHECK = b"123456789"
"""What the catalogue of parametrised CRC algorithms computes its check figures from."""


def rows_of(*lines: bytes) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.frombuffer(b"".join(lines), dtype=np.uint8).reshape(len(lines), -1)


@pytest.mark.parametrize(
    ("name", "figure"),
    [
        # Catalogue of parametrised CRC algorithms, check figures (from memory); CRC-32 is that of ISO-HDLC.
        ("CRC-16/MODBUS", 0x4B37),
        ("CRC-32", 0xCBF43926),
        ("CRC-8", 0xF4),
        ("CRC-16/XMODEM", 0x31C3),
        ("CRC-16/CCITT-FALSE", 0x29B1),
        ("crc-16/arc", 0xBB3D),
    ],
)
def test_the_published_check_figures(name: str, figure: int) -> None:
    """The well known CRCs give the published figures for 123456789, however their names are written."""
    crc = named(name)
    assert crc is not None
    assert crc.one(CHECK) == figure
    assert crc.all(rows_of(CHECK, CHECK)).tolist() == [figure, figure]


def test_every_crc_of_the_catalogue() -> None:
    """Every CRC of whole bytes gives the check figure that crccheck 1.3 holds for it, few and many."""
    seen = 0
    for each in ALLCRCCLASSES:
        if each.width() in WIDTHS:
            crc = named(each._names[0])
            assert crc is not None
            assert crc.size == each.width() // 8
            assert crc.one(CHECK) == each.check_result()
            assert crc.all(rows_of(CHECK)).tolist() == [each.check_result()]
            seen += 1
    assert seen >= 60
    assert {"CRC-16/MODBUS", "MODBUS", "CRC-32", "CRC-8/SAE-J1850"} <= set(CATALOGUE)


@given(st.binary(min_size=1, max_size=40))
def test_two_crcs_agree_with_the_standard_library(data: bytes) -> None:
    """CRC-32 is that of zlib and CRC-16/XMODEM that of binascii (Python's standard library)."""
    for name, expected in (("CRC-32", zlib.crc32(data)), ("CRC-16/XMODEM", binascii.crc_hqx(data, 0))):
        crc = named(name)
        assert crc is not None
        assert crc.one(data) == expected
        assert crc.all(rows_of(data)).tolist() == [expected]


@given(
    st.sampled_from(WIDTHS),
    st.tuples(*[st.integers(0, 2**32 - 1)] * 3),
    st.booleans(),
    st.booleans(),
    st.binary(max_size=12),
)
def test_any_parameters_agree_with_the_bitwise_reference(
    width: int, numbers: tuple[int, int, int], reflect_in: bool, reflect_out: bool, data: bytes
) -> None:
    """A table gives what crccheck 1.3 computes bit by bit, whatever the parameters, reflection of one side included."""
    poly, init, xor_out = (number % (1 << width) for number in numbers)
    crc = TableCrc(CrcFacts(width, poly, init, reflect_in, reflect_out, xor_out))
    expected = Crc(width, poly, init, reflect_in, reflect_out, xor_out).process(data).final()
    assert crc.one(data) == expected
    assert crc.all(np.frombuffer(data, dtype=np.uint8).reshape(1, -1)).tolist() == [expected]


def test_the_plain_checksums_by_hand() -> None:
    """Sums keep their low bytes; the complements are those of arithmetic; xor8 folds the bytes."""
    data = bytes([0xFF, 0xFF, 0x03, 0x10])  # 0xFF + 0xFF + 0x03 + 0x10 = 0x211; 0xFF ^ 0xFF ^ 0x03 ^ 0x10 = 0x13
    expected = {
        "sum8": 0x11,
        "sum8-ones-complement": 0xEE,
        "sum8-twos-complement": 0xEF,
        "sum16": 0x0211,
        "xor8": 0x13,
    }
    assert {name: checksum.one(data) for name, checksum in SIMPLE.items()} == expected
    assert {name: checksum.all(rows_of(data)).tolist() for name, checksum in SIMPLE.items()} == {
        name: [figure] for name, figure in expected.items()
    }


@pytest.mark.parametrize(
    ("sentence", "figure"),
    [
        # NMEA 0183 (IEC 61162-1) sentences, exclusive or of what stands between $ and *.
        ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),  # from memory
        ("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", 0x48),  # from memory
        ("GPRMC,175741,A,4751.698,N,12209.774,W,000.0,360.0,191100,019.5,E", 0x69),  # text seen
        ("GPGGA,092204.999,4250.5589,S,14718.5084,E,1,04,24.4,19.7,M,,,,0000", 0x1F),  # text seen
    ],
)
def test_exclusive_or_of_published_sentences(sentence: str, figure: int) -> None:
    """The exclusive or is the one that published sentences end with."""
    assert SIMPLE["xor8"].one(sentence.encode()) == figure


def test_a_name_that_is_none() -> None:
    """What is in no catalogue has no checksum."""
    assert named("CRC-16/NOBODY") is None
    assert named("CRC-5/USB") is None, "its bits fill no byte"
