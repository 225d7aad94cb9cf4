"""Editing environments, against checksums computed here and against rules of the format."""

from __future__ import annotations

import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.dump.uboot_env import (
    EnvironmentEditError,
    read_environment,
    set_variables,
    stored,
)


def made(strings: list[bytes], size: int, *, flag: bytes = b"", order: str = "<") -> bytes:
    """An environment by hand: CRC-32, flag, strings, filler FFh."""
    body = (b"".join(s + b"\0" for s in strings) + b"\0").ljust(size - 4 - len(flag), b"\xff")
    return struct.pack(order + "I", zlib.crc32(body)) + flag + body


def changed(old: bytes, values: dict[str, str]) -> bytes:
    return set_variables(old, stored(values))


def variables_of(raw: bytes) -> dict[str, str]:
    named = read_environment(raw).by_name
    return {name.decode(): value.decode("latin-1") for name, value in named.items()}


@pytest.mark.parametrize("flag", [b"", b"\x01"])
@pytest.mark.parametrize("order", ["<", ">"])
def test_form_size_flag_and_place_stay(flag: bytes, order: str) -> None:
    old = made([b"a=1", b"ethaddr=old", b"z=9"], 4096, flag=flag, order=order)
    new = changed(old, {"ethaddr": "00:00:5e:00:53:42", "added": "x"})
    wanted = [b"a=1", b"ethaddr=00:00:5e:00:53:42", b"z=9", b"added=x"]
    assert new == made(wanted, 4096, flag=flag, order=order)
    assert read_environment(new).redundant == bool(flag)


def test_a_name_that_stands_twice_stands_once_afterwards() -> None:
    old = made([b"n=1", b"m=2", b"n=3"], 256)
    assert changed(old, {"n": "4"}) == made([b"n=4", b"m=2"], 256)


def test_exactly_full_fits_and_one_byte_more_does_not() -> None:
    old = made([b"a=1"], 64)
    room = 64 - 4 - len(b"a=1\0") - len(b"b=\0") - 1
    assert variables_of(changed(old, {"b": "x" * room}))["b"] == "x" * room
    with pytest.raises(EnvironmentEditError, match="room for 60"):
        changed(old, {"b": "x" * (room + 1)})


@pytest.mark.parametrize(
    ("name", "value"), [("a=b", "1"), ("", "1"), ("a b", "1"), ("a", ""), ("a", "x\0y"), ("a", "→")]
)
def test_what_cannot_be_stored_is_refused(name: str, value: str) -> None:
    with pytest.raises(EnvironmentEditError):
        changed(made([b"a=1"], 128), {name: value})


def test_a_wrong_checksum_is_refused() -> None:
    broken = bytearray(made([b"a=1"], 128))
    broken[9] ^= 1
    with pytest.raises(EnvironmentEditError, match="fails its checksum"):
        changed(bytes(broken), {"a": "2"})


@given(
    st.dictionaries(
        st.text("abcxyz_#0", min_size=1, max_size=8),
        st.text(st.characters(min_codepoint=1, max_codepoint=255), min_size=1, max_size=20),
        max_size=8,
    ),
    st.dictionaries(
        st.text("abcxyz_#0", min_size=1, max_size=8),
        st.text(st.characters(min_codepoint=1, max_codepoint=255), min_size=1, max_size=20),
        max_size=8,
    ),
)
def test_everything_else_stays(before: dict[str, str], changes: dict[str, str]) -> None:
    old = made([f"{n}={v}".encode("latin-1") for n, v in before.items()], 1024)
    new = changed(old, changes)
    assert variables_of(new) == {**before, **changes}
    assert struct.unpack("<I", new[:4])[0] == zlib.crc32(new[4:])
