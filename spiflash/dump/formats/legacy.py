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
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import places
from spiflash.dump.wording import counted, readable

MAGIC = bytes.fromhex("27051956")

_HEADER = struct.Struct(">7I4B32s")

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
    """Images whose header CRC holds; DAMAGED when the data CRC does not."""
    budget = Budget(8 * len(contents))
    done = 0
    for at in places(contents, MAGIC):
        if at < done or at + _HEADER.size > len(contents):
            continue
        finding = _read(contents, at, budget)
        if finding is not None:
            yield finding
            done = finding.end if finding.verdict is Verdict.VOUCHED else at + _HEADER.size


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
    raw = contents[at : at + _HEADER.size]
    (_, header_crc, made, size, load, entry, data_crc, system, arch, kind, packing, name) = (
        _HEADER.unpack(raw)
    )
    if crc32(raw[:4] + bytes(4) + raw[8:]) != header_crc:
        return None
    data = memoryview(contents)[at + _HEADER.size : at + _HEADER.size + size]
    verdict, check = _check_data(data, size, data_crc, budget)
    compression = _name(_COMPRESSIONS, packing, "compression")
    described = " ".join(
        (
            _name(_ARCHITECTURES, arch, "architecture"),
            _name(_SYSTEMS, system, "system"),
            _name(_TYPES, kind, "type"),
        )
    )
    return Finding(
        at,
        _HEADER.size + len(data),
        "uboot-image",
        f"U-Boot legacy image: {described}, {compression}",
        verdict,
        ("header CRC-32 holds", check),
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
        ),
    )


def _check_data(data: memoryview, size: int, expected: int, budget: Budget) -> tuple[Verdict, str]:
    if len(data) < size:
        return (
            Verdict.DAMAGED,
            f"data CRC-32 fails: {counted(size - len(data), 'byte')} missing at the end",
        )
    if not budget.spend(size):
        return Verdict.CONSISTENT, "data CRC-32 not computed: too many images claim these bytes"
    if crc32(data) != expected:
        return Verdict.DAMAGED, "data CRC-32 fails"
    return Verdict.VOUCHED, "data CRC-32 holds"
