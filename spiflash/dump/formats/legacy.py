"""U-Boot legacy images ("uImage"): a 64-byte header, then data; a CRC-32 over each.

Layout and numbers: U-Boot, include/image.h, `struct legacy_img_hdr` (from memory; the tests
compare with `mkimage`). All fields are big endian. The header CRC is computed with its own field
zero.
"""

from __future__ import annotations

import datetime
import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.facts import Architecture, Holds, ImageFacts
from spiflash.dump.finding import Finding, Span, Verdict, merged
from spiflash.dump.formats.magic import mended, near_places, outside, places
from spiflash.dump.secrets import masked
from spiflash.text import counted, readable

MAGIC = bytes.fromhex("27051956")

_HEADER = struct.Struct(">7I4B32s")
_MOST_MENDED = 2000
_MULTI, _SCRIPT = 4, 6
_MOST_PARTS = 16
_LONGEST_SCRIPT = 16 << 10

_SYSTEMS = (
    *("Invalid OS", "OpenBSD", "NetBSD", "FreeBSD", "4_4BSD", "Linux", "SVR4", "Esix", "Solaris"),
    *("Irix", "SCO", "Dell", "NCR", "LynxOS", "VxWorks", "pSOS", "QNX", "U-Boot", "RTEMS"),
    *("Artos", "Unity OS", "INTEGRITY", "Enea OSE", "Plan 9", "OpenRTOS", "ARM Trusted Firmware"),
    *("Trusted Execution Environment", "RISC-V OpenSBI", "EFI Firmware"),
)
_ARCHITECTURES = (
    *("Invalid ARCH", "Alpha", "ARM", "Intel x86", "IA64", "MIPS", "MIPS 64 Bit", "PowerPC"),
    *("IBM S390", "SuperH", "SPARC", "SPARC 64 Bit", "M68K", "NIOS", "MicroBlaze", "NIOS II"),
    *("Blackfin", "AVR32", "ST200", "Sandbox", "NDS32", "OpenRISC 1000", "AArch64", "ARC"),
    *("AMD x86_64", "Xtensa", "RISC-V"),
)
_HOLDS = {
    1: Holds.PROGRAM,
    2: Holds.KERNEL,
    3: Holds.RAMDISK,
    4: Holds.SEVERAL,
    5: Holds.FIRMWARE,
    6: Holds.SCRIPT,
    7: Holds.FILES,
    8: Holds.TREE,
    14: Holds.KERNEL,
}
_TYPES = (
    *("Invalid Image", "Standalone Program", "Kernel Image", "RAMDisk Image", "Multi-File Image"),
    *("Firmware", "Script", "Filesystem Image", "Flat Device Tree", "Kirkwood Boot Image"),
    *("Freescale i.MX Boot Image", "Davinci UBL image", "TI OMAP SPL With GP CH"),
    *("Davinci AIS image", "Kernel Image (no loading done)"),
)
_COMPRESSIONS = ("uncompressed", "gzip", "bzip2", "lzma", "lzo", "lz4", "zstd")


def _name(names: tuple[str, ...], number: int, what: str) -> str:
    return names[number] if number < len(names) else f"{what} {number}"


def find_legacy_images(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Images whose header CRC holds, or would with one bit turned.

    DAMAGED in the data where the data CRC fails, in the header where that CRC fails.
    """
    budget, mending = Budget(8 * len(contents)), Budget(_MOST_MENDED)
    done = 0
    for at in outside(_candidates(contents), packed):
        if at < done or at + _HEADER.size > len(contents):
            continue
        raw = contents[at : at + _HEADER.size]
        header = raw if _header_holds(raw) else mended(raw, _header_holds, mending)
        finding = _read(contents, at, header, budget) if header else None
        if finding is not None:
            yield finding
            done = finding.end if finding.verdict is Verdict.VOUCHED else at + _HEADER.size


def _candidates(contents: bytes) -> list[int]:
    return sorted({*places(contents, MAGIC), *near_places(contents, MAGIC)})


def _header_holds(raw: bytes) -> bool:
    stored = int.from_bytes(raw[4:8], "big")
    return raw[:4] == MAGIC and crc32(raw[:4] + bytes(4) + raw[8:]) == stored


def _read(contents: bytes, at: int, header: bytes, budget: Budget) -> Finding | None:
    (_, _, made, size, load, entry, data_crc, system, arch, kind, packing, name) = _HEADER.unpack(
        header
    )
    start = at + _HEADER.size
    data = memoryview(contents)[start : start + size]
    held, check = _check_data(data, size, data_crc, budget)
    verdict = held
    damage = [(start, start + len(data))] if verdict is Verdict.DAMAGED else []
    checks = ["header CRC-32 holds", check]
    uncovered = [(start, start + len(data))] if held is Verdict.UNCHECKED else []
    if header != contents[at:start]:
        checks[0] = "header CRC-32 fails; with one bit turned it holds"
        verdict = Verdict.DAMAGED
        damage.append((at, start))
    compression = _name(_COMPRESSIONS, packing, "compression")
    described_as = _name(_ARCHITECTURES, arch, "architecture")
    described = " ".join(
        (
            described_as,
            _name(_SYSTEMS, system, "system"),
            _name(_TYPES, kind, "type"),
        )
    )
    script = _script(data) if kind == _SCRIPT else ""
    known = {each.value for each in Architecture}
    facts = ImageFacts(
        name=readable(name.split(b"\0")[0]),
        holds=_HOLDS.get(kind, Holds.OTHER),
        architecture=Architecture(described_as) if described_as in known else None,
        system=_name(_SYSTEMS, system, "system"),
        compression="" if packing == 0 else compression,
        data=(start, start + len(data)),
        size=size,
        checksum_ok=None if held is Verdict.UNCHECKED else held is Verdict.VOUCHED,
        load=load,
        entry=entry,
        script=script,
    )
    return Finding(
        at,
        _HEADER.size + len(data),
        "uboot-image",
        f"U-Boot legacy image: {described}, {compression}",
        verdict,
        tuple(checks),
        (
            ("name", readable(name.split(b"\0")[0])),
            ("architecture", _name(_ARCHITECTURES, arch, "architecture")),
            ("system", _name(_SYSTEMS, system, "system")),
            ("type", _name(_TYPES, kind, "type")),
            ("compression", compression),
            (
                "made",
                f"{datetime.datetime.fromtimestamp(made, datetime.UTC):%Y-%m-%d %H:%M:%S} UTC",
            ),
            ("data size", f"{size} bytes"),
            ("load address", f"{load:08X}h"),
            ("entry point", f"{entry:08X}h"),
            *_parts(data, kind),
            *([("script", masked("script", script))] if script else []),
        ),
        uncovered=tuple(uncovered) if verdict is Verdict.DAMAGED else (),
        damage=tuple(merged(damage)),
        facts=facts,
    )


def _parts(data: memoryview, kind: int) -> Iterator[tuple[str, str]]:
    """The pieces of a multi-file image."""
    if kind == _MULTI:
        for number, (start, size) in enumerate(_pieces(data), start=1):
            yield f"piece {number}", f"{size} bytes at {start + _HEADER.size:X}h of the image"


def _script(data: memoryview) -> str:
    """The text of a script image: its first piece, lines parted by newlines."""
    for start, size in _pieces(data):
        text = readable(bytes(data[start : start + min(size, _LONGEST_SCRIPT)]), _LONGEST_SCRIPT)
        return text.replace("\\x0a", "\n").replace("\\x09", " ")
    return ""


def _pieces(data: memoryview) -> Iterator[Span]:
    """Place and length of each piece: sizes come first, then a zero, then the pieces."""
    sizes: list[int] = []
    for at in range(0, min(len(data), 4 * _MOST_PARTS) - 3, 4):
        size = int.from_bytes(data[at : at + 4], "big")
        if not size:
            break
        sizes.append(size)
    at = 4 * len(sizes) + 4
    for size in sizes:
        if at + size > len(data):
            return
        yield at, size
        at += size + 3 & ~3


def _check_data(data: memoryview, size: int, expected: int, budget: Budget) -> tuple[Verdict, str]:
    if len(data) < size:
        return (
            Verdict.DAMAGED,
            f"data CRC-32 fails: {counted(size - len(data), 'byte')} missing at the end",
        )
    if not budget.spend(size):
        return Verdict.UNCHECKED, "data CRC-32 NOT CHECKED: too many images claim these bytes"
    if crc32(data) != expected:
        return Verdict.DAMAGED, "data CRC-32 fails"
    return Verdict.VOUCHED, "data CRC-32 holds"
