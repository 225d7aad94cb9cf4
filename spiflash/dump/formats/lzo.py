"""LZO1X, for the blocks of file systems: written here because no wheel of a binding exists.

Stream format: Linux, Documentation/staging/lzo.rst (from memory; the tests compare with
`mksquashfs -comp lzo` and `unsquashfs`). Pure Python, some megabytes a second. LZO has no
checksum: unpacking to the right size is a sign, not a proof.
"""

from __future__ import annotations


class LzoError(ValueError):
    """The bytes are no LZO1X stream, or give more than was allowed."""


def unpack(packed: bytes, limit: int) -> bytes:
    """The contents of a whole stream, at most `limit` bytes; LzoError otherwise."""
    try:
        return _unpack(packed, limit)
    except IndexError:
        raise LzoError("ends early") from None


def _unpack(packed: bytes, limit: int) -> bytes:
    out = bytearray()
    at, state = 0, 0
    if packed[0] > 17:
        at = 1 + packed[0] - 17
        out += _literals(packed, 1, at)
        state = min(at - 1, 4)
    while True:
        code = packed[at]
        at += 1
        if code >= 64:
            length = (code >> 5) + 1
            distance = (packed[at] << 3) + (code >> 2 & 7) + 1
            at += 1
            follow = code & 3
        elif code >= 16:
            mask = 31 if code >= 32 else 7
            length, at = _length(packed, at, code & mask, mask)
            length += 2
            word = packed[at] | packed[at + 1] << 8
            at += 2
            follow = word & 3
            distance = (word >> 2) + 1
            if code < 32:
                distance += 16383 + ((code & 8) << 11)
                if distance == 16384:
                    if at != len(packed) or length != 3:
                        raise LzoError("ends before its input does")
                    return bytes(out)
        elif state == 0:
            length, at = _length(packed, at, code, 15)
            out += _literals(packed, at, at + length + 3)
            at += length + 3
            state = 4
            if len(out) > limit:
                raise LzoError("too long")
            continue
        else:
            far = 2049 if state == 4 else 1
            distance = (packed[at] << 2) + (code >> 2) + far
            length = 3 if state == 4 else 2
            at += 1
            follow = code & 3
        start = len(out) - distance
        if start < 0 or len(out) + length > limit:
            raise LzoError("points before the beginning, or too long")
        if distance >= length:
            out += out[start : start + length]
        else:  # the copy overlaps itself: a repeating pattern
            out += (out[start:] * (length // distance + 1))[:length]
        if follow:
            out += _literals(packed, at, at + follow)
            at += follow
        state = follow


def _length(packed: bytes, at: int, bits: int, most: int) -> tuple[int, int]:
    """A length that may go on in further bytes, and the offset behind them."""
    if bits:
        return bits, at
    length = most
    while not packed[at]:
        length += 255
        at += 1
    return length + packed[at], at + 1


def _literals(packed: bytes, start: int, end: int) -> bytes:
    if end > len(packed):
        raise LzoError("ends early")
    return packed[start:end]
