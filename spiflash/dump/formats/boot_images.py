"""Images that boot loaders start: U-Boot's legacy images and FIT images, and TRX containers.

Layouts, from memory; the tests compare with `mkimage`:

* legacy image ("uImage"): U-Boot, include/image.h, `struct legacy_img_hdr`. A 64-byte header, then
  data, a CRC-32 over each. All fields are big endian; the header CRC is computed with its own field
  zero.
* FIT image: U-Boot, doc/usage/fit/source_file_format.rst. A flattened device tree that carries
  images, each with hash nodes over its data. Data are a property, or are after the tree (`-E`). A
  hash node covers the data of its image and nothing else: not the tree around them, not load
  addresses.
* TRX container of some routers (common practice, no source): magic, length, CRC-32 without final
  inversion over everything from the twelfth byte to the length, flags and version, then three
  (version 1) or four (version 2) offsets of partitions.
"""

from __future__ import annotations

import datetime
import hashlib
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from zlib import crc32

from spiflash.dump.finding import (
    Architecture,
    BundleFacts,
    Finding,
    Holds,
    ImageFacts,
    Proof,
    Verdict,
)
from spiflash.dump.formats import (
    Budget,
    crc32_uninverted,
    mended,
    one_by_one,
    outside,
    places,
    places_or_near,
)
from spiflash.dump.formats.devicetree import Node, Tree, device_tree, trees
from spiflash.dump.secrets import masked
from spiflash.spans import Span, merged, without
from spiflash.text import counted, readable

# Legacy images -----------------------------------------------------------------------------------

_LEGACY_MAGIC = bytes.fromhex("27051956")

_LEGACY_HEADER = struct.Struct(">7I4B32s")
_MOST_MENDED = 2000
_MULTI, _SCRIPT = 4, 6
_MOST_PARTS = 16
_LONGEST_SCRIPT = 16 << 10

_LEGACY_SYSTEMS = (
    *("Invalid OS", "OpenBSD", "NetBSD", "FreeBSD", "4_4BSD", "Linux", "SVR4", "Esix", "Solaris"),
    *("Irix", "SCO", "Dell", "NCR", "LynxOS", "VxWorks", "pSOS", "QNX", "U-Boot", "RTEMS"),
    *("Artos", "Unity OS", "INTEGRITY", "Enea OSE", "Plan 9", "OpenRTOS", "ARM Trusted Firmware"),
    *("Trusted Execution Environment", "RISC-V OpenSBI", "EFI Firmware"),
)
_LEGACY_ARCHITECTURES = (
    *("Invalid ARCH", "Alpha", "ARM", "Intel x86", "IA64", "MIPS", "MIPS 64 Bit", "PowerPC"),
    *("IBM S390", "SuperH", "SPARC", "SPARC 64 Bit", "M68K", "NIOS", "MicroBlaze", "NIOS II"),
    *("Blackfin", "AVR32", "ST200", "Sandbox", "NDS32", "OpenRISC 1000", "AArch64", "ARC"),
    *("AMD x86_64", "Xtensa", "RISC-V"),
)
_LEGACY_HOLDS = {
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
_LEGACY_TYPES = (
    *("Invalid Image", "Standalone Program", "Kernel Image", "RAMDisk Image", "Multi-File Image"),
    *("Firmware", "Script", "Filesystem Image", "Flat Device Tree", "Kirkwood Boot Image"),
    *("Freescale i.MX Boot Image", "Davinci UBL image", "TI OMAP SPL With GP CH"),
    *("Davinci AIS image", "Kernel Image (no loading done)"),
)
_LEGACY_COMPRESSIONS = ("uncompressed", "gzip", "bzip2", "lzma", "lzo", "lz4", "zstd")


def _name(names: tuple[str, ...], number: int, what: str) -> str:
    return names[number] if number < len(names) else f"{what} {number}"


def find_legacy_images(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Images whose header CRC is OK, or would be with one bit flipped.

    DAMAGED in the data where the data CRC fails, in the header where that CRC fails.
    """
    budget, mending = Budget(8 * len(contents)), Budget(_MOST_MENDED)
    starts = outside(places_or_near(contents, _LEGACY_MAGIC), packed)

    def read(at: int) -> Finding | None:
        raw = contents[at : at + _LEGACY_HEADER.size]
        if len(raw) < _LEGACY_HEADER.size:
            return None
        header = raw if _header_holds(raw) else mended(raw, _header_holds, mending)
        return _read_legacy(contents, at, header, budget) if header else None

    return one_by_one(starts, read, _LEGACY_HEADER.size)


def _header_holds(raw: bytes) -> bool:
    stored = int.from_bytes(raw[4:8], "big")
    return raw[:4] == _LEGACY_MAGIC and crc32(raw[:4] + bytes(4) + raw[8:]) == stored


def _read_legacy(contents: bytes, at: int, header: bytes, budget: Budget) -> Finding:
    (_, _, made, size, load, entry, data_crc, system, arch, kind, packing, name) = (
        _LEGACY_HEADER.unpack(header)
    )
    start = at + _LEGACY_HEADER.size
    data = memoryview(contents)[start : start + size]
    held, check = _check_data(data, size, data_crc, budget)
    verdict = held
    damage = [(start, start + len(data))] if verdict is Verdict.DAMAGED else []
    checks = ["header CRC-32 OK", check]
    uncovered = [(start, start + len(data))] if held is Verdict.UNCHECKED else []
    if header != contents[at:start]:
        checks[0] = "header CRC-32 fails; with one bit flipped it is OK"
        verdict = Verdict.DAMAGED
        damage.append((at, start))
    when = datetime.datetime.fromtimestamp(made, datetime.UTC)
    compression = _name(_LEGACY_COMPRESSIONS, packing, "compression")
    processor = _name(_LEGACY_ARCHITECTURES, arch, "architecture")
    runs_under = _name(_LEGACY_SYSTEMS, system, "system")
    sort = _name(_LEGACY_TYPES, kind, "type")
    label = readable(name.split(b"\0")[0])
    # A script image has one piece, a multi-file image several.
    pieces = list(_pieces(data)) if kind in (_MULTI, _SCRIPT) else []
    script = ""
    if kind == _SCRIPT and pieces:
        first, length = pieces[0]
        script = _script_text(data[first : first + length])
    known = {each.value for each in Architecture}
    facts = ImageFacts(
        name=label,
        holds=_LEGACY_HOLDS.get(kind, Holds.OTHER),
        architecture=Architecture(processor) if processor in known else None,
        system=runs_under,
        compression="" if packing == 0 else compression,
        data=(start, start + len(data)),
        size=size,
        checksum_ok=None if held is Verdict.UNCHECKED else held is Verdict.VERIFIED,
        load=load,
        entry=entry,
        script=script,
    )
    return Finding(
        at,
        _LEGACY_HEADER.size + len(data),
        "uboot-image",
        f"U-Boot legacy image: {processor} {runs_under} {sort}, {compression}",
        verdict,
        tuple(checks),
        (
            ("name", label),
            ("architecture", processor),
            ("system", runs_under),
            ("type", sort),
            ("compression", compression),
            ("made", f"{when:%Y-%m-%d %H:%M:%S} UTC"),
            ("data size", f"{size} bytes"),
            ("load address", f"{load:08X}h"),
            ("entry point", f"{entry:08X}h"),
            *(
                (
                    f"piece {number}",
                    f"{length} bytes at {first + _LEGACY_HEADER.size:X}h of the image",
                )
                for number, (first, length) in enumerate(pieces, start=1)
                if kind == _MULTI
            ),
            *([("script", masked("script", script))] if script else []),
        ),
        uncovered=tuple(uncovered) if verdict is Verdict.DAMAGED else (),
        damage=tuple(merged(damage)),
        facts=facts,
    )


def _script_text(data: bytes | memoryview) -> str:
    """The beginning of a script as printable text, in lines."""
    text = readable(bytes(data[:_LONGEST_SCRIPT]), _LONGEST_SCRIPT)
    return text.replace("\\x0a", "\n").replace("\\x09", " ")


def _pieces(data: memoryview) -> Iterator[Span]:
    """Offset and length of each piece: first come the sizes, then a zero, then the pieces."""
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
    return Verdict.VERIFIED, "data CRC-32 OK"


_MOST_IMAGES = 64

# FIT images --------------------------------------------------------------------------------------

# Short names of `arch` and `type`: U-Boot, boot/image.c (from memory).
_FIT_ARCHITECTURES = {
    "arm": Architecture.ARM,
    "arm64": Architecture.ARM64,
    "mips": Architecture.MIPS,
    "mips64": Architecture.MIPS64,
    "ppc": Architecture.POWERPC,
    "powerpc": Architecture.POWERPC,
    "riscv": Architecture.RISCV,
    "x86": Architecture.X86,
    "x86_64": Architecture.X86_64,
    "arc": Architecture.ARC,
    "sh": Architecture.SUPERH,
    "xtensa": Architecture.XTENSA,
    "nios2": Architecture.NIOS2,
    "microblaze": Architecture.MICROBLAZE,
    "m68k": Architecture.M68K,
    "or1k": Architecture.OPENRISC,
    "sparc": Architecture.SPARC,
    "nds32": Architecture.NDS32,
}
_FIT_HOLDS = {
    "kernel": Holds.KERNEL,
    "kernel_noload": Holds.KERNEL,
    "ramdisk": Holds.RAMDISK,
    "flat_dt": Holds.TREE,
    "firmware": Holds.FIRMWARE,
    "tfa-bl31": Holds.FIRMWARE,
    "script": Holds.SCRIPT,
    "filesystem": Holds.FILES,
    "standalone": Holds.PROGRAM,
    "loadable": Holds.OTHER,
}


_DIGESTS: dict[str, Callable[[bytes], bytes]] = {
    "crc32": lambda data: crc32(data).to_bytes(4, "big"),
    "md5": lambda data: hashlib.md5(data, usedforsecurity=False).digest(),
    "sha1": lambda data: hashlib.sha1(data, usedforsecurity=False).digest(),
    "sha256": lambda data: hashlib.sha256(data).digest(),
    "sha384": lambda data: hashlib.sha384(data).digest(),
    "sha512": lambda data: hashlib.sha512(data).digest(),
}


@dataclass(frozen=True, slots=True)
class _Image:
    """One image: where its data are, and the result of each of its hashes."""

    facts: ImageFacts
    described: str
    held: tuple[str, ...]
    failed: tuple[str, ...]
    unknown: tuple[str, ...]


def find_trees(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Trees with images, VERIFIED where every hash that is known is OK, DAMAGED where one fails,
    UNCHECKED where there are only unknown ones; and plain device trees."""
    budget = Budget(16 * len(contents))
    for tree in trees(contents, packed):
        holder = tree.root.child("images")
        if holder is None:
            yield device_tree(tree)
        else:
            found = [
                _examined(contents, tree, node, budget) for node in holder.children[:_MOST_IMAGES]
            ]
            yield _described(contents, tree, found)


def _examined(contents: bytes, tree: Tree, node: Node, budget: Budget) -> _Image:
    start, end = _place(contents, tree, node)
    data = contents[start:end]
    held, failed, unknown = [], [], []
    for child in node.children:
        if not child.name.startswith("hash"):
            continue
        name = child.text("algo")[:120]
        value = child.value("value")
        digest = _DIGESTS.get(name)
        # Each hash costs the length of the image.
        if digest is None or "value" not in child.properties or not budget.spend(len(data)):
            unknown.append(name or child.name)
        elif end <= len(contents) and digest(data) == value:
            held.append(name)
        else:
            failed.append(name)
    keys = ("description", "arch", "os", "type", "compression")
    about, arch, system, sort, packing = (node.text(key)[:120] for key in keys)
    packing = "" if packing == "none" else packing
    words = (about, arch, system, sort, f"{packing} compressed" if packing else "")
    holds = _FIT_HOLDS.get(sort, Holds.OTHER)
    facts = ImageFacts(
        name=node.name,
        holds=holds,
        architecture=_FIT_ARCHITECTURES.get(arch),
        system=system,
        compression=packing,
        data=(start, min(end, len(contents))),
        size=end - start,
        checksum_ok=False if failed else True if held else None,
        load=node.number("load"),
        entry=node.number("entry"),
        script=_script_text(data) if holds is Holds.SCRIPT else "",
    )
    described = ", ".join(filter(None, words))
    return _Image(facts, described, tuple(held), tuple(failed), tuple(unknown))


def _place(contents: bytes, tree: Tree, node: Node) -> Span:
    """Where the data of an image are: within the tree, after it, or at a stated position."""
    if "data" in node.properties:
        return node.properties["data"]
    size, position, offset = (node.number(f"data-{key}") for key in ("size", "position", "offset"))
    if size is None or (position is None and offset is None):
        return tree.start, tree.start
    if position is None:
        position = (tree.total + 3 & ~3) + (offset or 0)
    start = min(tree.start + position, len(contents))
    return start, start + size


def _proof(images: list[_Image]) -> Proof:
    """The weakest of the strongest hashes of each image."""
    strong = [any(name != "crc32" for name in each.held) for each in images if each.held]
    return Proof.DIGEST if all(strong) else Proof.CRC


def _described(contents: bytes, tree: Tree, images: list[_Image]) -> Finding:
    end = max([tree.start + tree.total, *(image.facts.data[1] for image in images)])
    checks = ["every token, name and string of the tree is valid; no checksum covers it"]
    details = [("description", tree.root.text("description")[:120])]
    verified: list[Span] = []
    damage: list[Span] = []
    for image in images:
        start, stop = image.facts.data
        about = ", ".join(filter(None, (f"{stop - start} bytes", image.described)))
        details.append((image.facts.name, about))
        named = (("OK", image.held), ("fails", image.failed), ("NOT CHECKED", image.unknown))
        for word, names in named:
            hashes = (readable(name.encode(), 20) for name in names)
            checks += [f"{each} of {image.facts.name}: {word}" for each in hashes]
        if not image.held and not image.failed and not image.unknown:
            checks.append(f"{image.facts.name} has no hash")
        if image.failed:
            damage.append(image.facts.data)
        elif image.held:
            verified.append(image.facts.data)
    open_ = any(image.unknown for image in images)
    held = Verdict.VERIFIED if verified else Verdict.UNCHECKED if open_ else Verdict.CONSISTENT
    verdict = Verdict.DAMAGED if damage else held
    whole = [(tree.start, end)]
    # Where the data of an image are missing, its description is all that can be called damaged.
    spans = merged(damage) or ([(tree.start, tree.start + tree.total)] if damage else [])
    judged = verdict in (Verdict.VERIFIED, Verdict.DAMAGED)
    uncovered = without(whole, [*verified, *spans]) if judged else []
    return Finding(
        tree.start,
        end - tree.start,
        "fit",
        f"FIT image, {counted(len(images), 'image')}",
        verdict,
        tuple(checks),
        tuple((name, value) for name, value in details if value),
        uncovered=tuple(uncovered),
        damage=tuple(spans),
        proof=_proof(images) if verdict is Verdict.VERIFIED else None,
        facts=BundleFacts(tuple(image.facts for image in images)),
    )


# TRX containers ----------------------------------------------------------------------------------

_TRX_MAGIC = b"HDR0"
_TRX_HEADERS = {1: 28, 2: 32}


def find_trx(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Containers with a plausible header; the CRC does not cover the magic number."""
    budget = Budget(4 * len(contents))
    starts = outside(places(contents, _TRX_MAGIC), packed)
    return one_by_one(starts, lambda at: _read_trx(contents, at, budget), 1)


def _read_trx(contents: bytes, at: int, budget: Budget) -> Finding | None:
    if at + 32 > len(contents):
        return None
    length, stored, _, version = struct.unpack_from("<IIHH", contents, at + 4)
    offsets = struct.unpack_from("<4I", contents, at + 16)
    whole = 28 < length <= len(contents) - at
    holds = (
        whole
        and budget.spend(length)
        and crc32_uninverted(memoryview(contents)[at + 12 : at + length]) == stored
    )
    used = offsets[: 3 if version == 1 else 4]
    sensible = offsets[0] in _TRX_HEADERS.values() and all(
        each == 0 or 28 <= each < 64 << 20 for each in used
    )
    if not holds and not (version in _TRX_HEADERS and sensible):
        return None
    pieces = ", ".join(f"{each:X}h" for each in used if each)
    said = "OK" if holds else "fails" if whole else "fails: cut off, or a wrong length"
    return Finding(
        at,
        length if whole else 28,
        "trx",
        f"TRX container, version {version}",
        Verdict.VERIFIED if holds else Verdict.DAMAGED,
        (f"CRC-32 from the twelfth byte on {said}",),
        (("length", f"{length} bytes"), ("pieces at", pieces)),
        uncovered=((at, at + 4),) if holds else (),
    )
