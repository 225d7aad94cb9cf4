"""The CRCs against the check values of the catalogue and against independent code."""

from __future__ import annotations

import binascii
import zlib

import crcmod
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.dump import formats as checksums

DIGITS = b"123456789"


@pytest.mark.parametrize("name", checksums.VARIANTS)
def test_check_value(name: str) -> None:
    assert checksums.crc(name)(DIGITS) == checksums.VARIANTS[name].check


@pytest.mark.parametrize(
    ("name", "check"),
    [
        # RFC 3720, appendix B.4: 32 bytes of zeros give AA 36 91 8A, little endian.
        ("CRC-32/ISCSI", 0x8A9136AA),
        # 32 zeros through CRC-32 as in gzip; from zlib.
        ("CRC-32/ISO-HDLC", zlib.crc32(bytes(32))),
    ],
)
def test_thirty_two_zeros(name: str, check: int) -> None:
    assert checksums.crc(name)(bytes(32)) == check


def test_an_unknown_variant_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        checksums.crc("CRC-32/NONE")


@given(st.binary(max_size=300), st.integers(0, 300))
def test_the_running_crc32(data: bytes, cut: int) -> None:
    assert zlib.crc32(data) == binascii.crc32(data)
    assert zlib.crc32(data[cut:], zlib.crc32(data[:cut])) == binascii.crc32(data)
    assert checksums.crc("CRC-32/ISO-HDLC")(data) == binascii.crc32(data)


@given(st.binary(max_size=300))
def test_the_plain_crc32(data: bytes) -> None:
    plain = crcmod.mkCrcFun(0x104C11DB7, initCrc=0, rev=True, xorOut=0)
    assert checksums.crc32_plain(data) == plain(data)


@given(st.binary(max_size=200))
def test_the_binary_module_agrees_on_xmodem(data: bytes) -> None:
    assert checksums.crc("CRC-16/XMODEM")(data) == binascii.crc_hqx(data, 0)
