"""Signs in a dump that the reading went wrong, with the likely cause.

What each sign means on a bench is common practice, no source. A sign is a reason to look at the
clip and read again, not a proof.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from spiflash.dump.coverage import histogram
from spiflash.dump.differences import swapped
from spiflash.dump.finding import Verdict
from spiflash.dump.formats.boot_images import find_legacy_images
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.jffs2 import find_jffs2
from spiflash.dump.formats.squashfs import superblocks
from spiflash.text import counted

_LEAST = 4096  # bytes: in less than a sector, constant or repeating contents mean nothing
_FEWEST_VALUES = 16  # a nearly blank chip has constant bits because it holds almost nothing
_OFF = 512
_FEWEST_FEEDS = 64
_WORDS = (
    ("boot loader banner", re.compile(rb"U-Boot (?:SPL )?(?:20\d\d\.\d\d|1\.\d\.\d)")),
    ("kernel version string", re.compile(rb"Linux version \d{1,2}\.\d")),
    ("boot variables", re.compile(rb"\0(?:bootcmd|bootargs|bootdelay)=")),
)
_WRAP = 64 << 10  # bytes: a longer period is due to address bits, a shorter one to the bus


@dataclass(frozen=True, slots=True)
class Symptom:
    """`name` is stable, for scripts; `sign` says what was seen, `cause` what usually causes it."""

    name: str
    sign: str
    cause: str

    def __str__(self) -> str:
        return f"{self.sign} Likely cause: {self.cause}"


def symptoms(contents: bytes) -> tuple[Symptom, ...]:
    """What looks wrong with `contents` as a reading of a chip; nothing for less than one sector.

    Takes time proportional to the size of `contents`, whatever they are.
    """
    if len(contents) < _LEAST:
        return ()
    if contents.count(contents[:1]) == len(contents):
        return (_constant(contents[0]),)
    repetition = _period(contents)
    if repetition is not None:
        return (_repeated(len(contents), repetition),)
    found = (*_by_size(contents), *_line_ends(contents), *_stuck_bits(contents))
    if _strong_kinds(contents):
        return found  # it reads correctly as it is
    return (*found, *_swapped(contents), *_shifted(contents))


def _constant(value: int) -> Symptom:
    if value == 0xFF:
        return Symptom(
            "all-ones",
            "Every byte is FFh.",
            "the chip is erased, or it does not drive the data line: the clip is not seated, MISO "
            "is not connected, the chip has no power, or the chip select is wrong.",
        )
    if value == 0x00:
        return Symptom(
            "all-zeros",
            "Every byte is 00h.",
            "MISO is held low by a short circuit, a clip the wrong way round, a chip without "
            "power, or the board's processor on the same wires.",
        )
    return Symptom(
        "all-same",
        f"Every byte is {value:02X}h.",
        "the chip repeats one answer instead of its contents: the read command arrived "
        "garbled, or the adapter returned old data.",
    )


def _period(contents: bytes) -> int | None:
    """The shortest period that divides into at least two repetitions, or None.

    Periods up to 64 KiB of any length; above that, the powers of two that address bits give.
    """
    probe = contents[:256]
    limit = min(_WRAP + len(probe), len(contents))
    at, tries = contents.find(probe, 1, limit), 0
    while at > 0 and tries < 64:
        if 2 * at <= len(contents) and contents[at:] == contents[:-at]:
            return at
        at, tries = contents.find(probe, at + 1, limit), tries + 1
    period = len(contents)
    while period % 2 == 0 and period // 2 >= _LEAST:
        half = period // 2
        if contents[:half] != contents[half:period]:
            break
        period = half
    return period if period < len(contents) else None


def _repeated(size: int, period: int) -> Symptom:
    if period >= _WRAP:
        return Symptom(
            "wrapped",
            f"The contents repeat every {counted(period, 'byte')}, {size // period:,} times.",
            f"the chip holds only {counted(period, 'byte')} and ignores higher address bits: read "
            "it with its real size.",
        )
    return Symptom(
        "short-period",
        f"The contents repeat every {counted(period, 'byte')} from beginning to end.",
        "addresses do not reach the chip as sent: MOSI or the clock has bad contact, or the "
        "address length (three or four bytes) is wrong.",
    )


def _stuck_bits(contents: bytes) -> Iterator[Symptom]:
    data = np.frombuffer(contents, dtype=np.uint8)
    if np.count_nonzero(histogram(data)) < _FEWEST_VALUES:
        return
    ever_one = int(np.bitwise_or.reduce(data))
    always_one = int(np.bitwise_and.reduce(data))
    for bit in range(8):
        if always_one >> bit & 1 or not ever_one >> bit & 1:
            level = always_one >> bit & 1
            yield Symptom(
                f"stuck-bit-{bit}",
                f"Bit {bit} of every byte is {level}.",
                "bits are lost between chip and adapter at a fixed position in each byte: there "
                "is one clock edge too many or too few, or a line is stuck part of the time. "
                "Plain text looks like this too.",
            )


def _by_size(contents: bytes) -> Iterator[Symptom]:
    """A few bytes more or fewer than a chip can hold: chips hold powers of two."""
    size = len(contents)
    for chip in (1 << (size.bit_length() - 1), 1 << size.bit_length()):
        off = size - chip
        if 0 < abs(off) <= _OFF and chip >= _WRAP:
            more = "more" if off > 0 else "fewer"
            yield Symptom(
                "odd-size",
                f"The dump has {counted(abs(off), 'byte')} {more} than a chip of {chip:,} bytes.",
                "bytes were added or lost in a transfer, and everything after that place is "
                "shifted: do not write it. Read again, or copy the file again in binary mode.",
            )


def _line_ends(contents: bytes) -> Iterator[Symptom]:
    """A transfer as text turns each 0Ah into 0Dh 0Ah, or the other way round. By chance one of
    256 bytes 0Ah comes after a 0Dh."""
    feeds = contents.count(b"\n")
    pairs = contents.count(b"\r\n")
    expected = max(feeds, contents.count(b"\r")) / 256
    text = "the file was copied as text, by FTP or by mail: every byte after the first change is "
    text += "shifted. Do not write it; copy it again in binary mode."
    if feeds >= _FEWEST_FEEDS and pairs == feeds and len(set(contents[:65536])) > 100:
        yield Symptom("cr-lf", f"Each of the {feeds:,} bytes 0Ah follows a 0Dh.", text)
    elif expected > 40 and pairs == 0 and len(contents) % _LEAST:
        yield Symptom("lf-only", "No byte 0Ah follows a 0Dh; some should by chance.", text)


def _swapped(contents: bytes) -> Iterator[Symptom]:
    """Known formats that appear when bytes are swapped back."""
    for width, words in ((2, "pairs"), (4, "groups of four")):
        whole = len(contents) // width * width
        kinds = _strong_kinds(swapped(contents[:whole], width))
        if kinds:
            yield Symptom(
                f"bytes-swapped-{8 * width}",
                f"The bytes are swapped in {words}; swapped back, they contain: {kinds}.",
                "the file was made for a bus of that width, or by a tool that reads words in the "
                "other byte order. The chip needs the original order: do not write this file.",
            )
            return


def _shifted(contents: bytes) -> Iterator[Symptom]:
    """Known formats that appear when every bit is moved by one position."""
    data = np.frombuffer(contents, dtype=np.uint8)
    before, after = b"\xff" + contents[:-1], contents[1:] + b"\xff"
    kinds = _strong_kinds((np.frombuffer(before, np.uint8) << 7 | data >> 1).tobytes())
    if kinds:
        yield Symptom(
            "bit-lost",
            f"Every bit is one position too early; moved back, the bytes contain: {kinds}.",
            "the first bit was lost: the adapter samples one clock too late, or noise on the clock "
            "line counts as an edge.",
        )
    kinds = _strong_kinds((np.frombuffer(after, np.uint8) >> 7 | data << 1).tobytes())
    if kinds:
        yield Symptom(
            "bit-added",
            f"Every bit is one position too late; moved back, the bytes contain: {kinds}.",
            "a bit was added at the start: the adapter samples before the chip answers. Use a "
            "lower clock, shorter wires, or the late sample.",
        )


def _strong_kinds(contents: bytes) -> str:
    searches = (find_legacy_images, find_jffs2, find_device_trees)
    sound = [
        next((each for each in search(contents) if each.verdict is not Verdict.DAMAGED), None)
        for search in searches
    ]
    found = [finding.title for finding in sound if finding is not None]
    if next(superblocks(contents), None) is not None:
        found.append("SquashFS file system")
    found += [name for name, text in _WORDS if any(True for _ in text.finditer(contents))]
    return ", ".join(found)
