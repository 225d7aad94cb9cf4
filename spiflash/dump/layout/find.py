"""Every layout that a dump states or suggests, the one to rely on first.

In Linux the command line takes precedence over the device tree, so a saved environment comes first,
then trees (their own boot arguments before their nodes), then the defaults of the boot code, and
last what the findings suggest.

What a dump says is untrusted: names are cut and made printable, ranges may overlap or leave the
flash. The kernel argument `mtdparts=` (grammar: Linux, drivers/mtd/parsers/cmdlinepart.c, from
memory):

    mtdparts=<flash>[;<flash>]         <flash>     := <id>:<partition>[,<partition>]
    <partition> := <size>[@<offset>][(<name>)][ro][lk]     <size> := number[k|m|g] or "-"

Numbers are decimal, octal with 0 or hexadecimal with 0x; "-" takes the rest of the flash; without
an offset a partition follows the one before it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from spiflash.dump.finding import (
    Finding,
    Holds,
    ImageFacts,
    PartitionTable,
    StreamFacts,
    TreeFacts,
    Verdict,
    images,
    is_loader_banner,
)
from spiflash.dump.formats import places
from spiflash.dump.layout import Layout, Region, Role
from spiflash.spans import SECTOR
from spiflash.text import readable

# Suggested layouts -------------------------------------------------------------------------------

_TOGETHER = 256 << 10
"""Bytes of blank flash that may be between two pieces of one file system: a log-structured
one leaves erase blocks blank."""

_NAMES = {
    "uboot-image": ("image", Role.OTHER),
    "fit": ("image", Role.OTHER),
    "kernel": ("kernel", Role.KERNEL),
    "environment": ("env", Role.ENVIRONMENT),
    "devicetree": ("dtb", Role.TREE),
    "squashfs": ("rootfs", Role.ROOT),
    "cramfs": ("rootfs", Role.ROOT),
    "erofs": ("rootfs", Role.ROOT),
    "cpio": ("initramfs", Role.ROOT),
    "romfs": ("rootfs", Role.ROOT),
    "jffs2": ("files", Role.DATA),
    "ubi": ("volumes", Role.DATA),
    "ubifs": ("files", Role.DATA),
    "ext": ("files", Role.DATA),
    "fat": ("files", Role.DATA),
}


_IN_KERNEL = frozenset({"cpio"})
"""What can be anywhere inside a raw kernel."""


def suggested(findings: Sequence[Finding], size: int) -> Layout:
    """Regions of whole sectors around the findings, for a flash of `size` bytes.

    What is before the first one is the boot code, if a version string there says so; it ends where
    the flash is blank for a sector or more after its last text.
    """
    regions: list[Region] = []
    taken: set[str] = set()
    for start, end, kind, kernel in _pieces(findings):
        reached = regions[-1].end if regions else 0
        low = max(start // SECTOR * SECTOR, reached)
        high = min(-(-end // SECTOR) * SECTOR, size)
        if low >= high or len(regions) == MOST:
            continue
        name, role = _NAMES[kind]
        if kernel:
            name, role = "kernel", Role.KERNEL
        regions.append(Region(unused_name(name, taken), low, high - low, role))
    first = regions[0].start if regions else size
    words = [each.end for each in findings if is_loader_banner(each) and each.end <= first]
    if words:
        blank = [each.start for each in findings if each.verdict is Verdict.BLANK]
        end = min((start for start in blank if start >= words[-1]), default=first)
        regions.insert(0, Region("boot", 0, min(end, first), Role.BOOT))
    return Layout(size, tuple(regions), source="what was found")


def _pieces(findings: Sequence[Finding]) -> list[tuple[int, int, str, bool]]:
    """(start, end, kind, whether it is a kernel) of the outermost findings, file systems in one
    piece."""
    pieces: list[tuple[int, int, str, bool]] = []
    for finding in sorted(findings, key=lambda each: (each.start, -each.length)):
        facts, found = finding.facts, finding.kind
        if isinstance(facts, StreamFacts) and facts.archive:
            found = "cpio"
        if found not in _NAMES or finding.verdict is Verdict.BLANK:
            continue
        if pieces:
            start, end, kind, kernel = pieces[-1]
            if kind == "kernel" and finding.start % SECTOR == 0 and found not in _IN_KERNEL:
                # Its length is an upper bound: an item that begins a sector ends it.
                pieces[-1] = (start, min(end, finding.start), kind, kernel)
            elif finding.end <= end:
                continue
            near = finding.start - end <= _TOGETHER
            if found == kind and kind in ("jffs2", "ubi", "ubifs") and near:
                pieces[-1] = (start, finding.end, kind, kernel)
                continue
        kernel = any(_with_kernel(each) for each in images(finding))
        pieces.append((finding.start, finding.end, found, kernel))
    return pieces


def _with_kernel(image: ImageFacts) -> bool:
    """Whether a boot image is a kernel, alone or with a first root file system or a tree."""
    together = image.holds is Holds.SEVERAL and image.system.lower() == "linux"
    return image.holds is Holds.KERNEL or together


# Stated layouts ----------------------------------------------------------------------------------


_MOST_TREES = 64


@dataclass(frozen=True, slots=True)
class FoundLayout:
    """A layout, the address in the dump at which it is stated (None when it is only suggested),
    what is odd about it, in words, and the stated end of its last partition, which may be beyond
    the dump (0 when it is only suggested)."""

    layout: Layout
    at: int | None
    remarks: tuple[str, ...] = ()
    end: int = 0


@dataclass(frozen=True, slots=True)
class _Candidate:
    rank: int
    at: int
    source: str
    table: PartitionTable

    @property
    def end(self) -> int:
        return max(each.end for each in self.table.partitions)


_NAND = re.compile(r"nand", re.IGNORECASE)
"""In the name of a flash: then it is not this SPI NOR (the names that Linux gives
them, such as "gpmi-nand", "spi-nand0" and "nand@1,0"; from memory)."""


def find_layouts(contents: bytes, findings: Sequence[Finding]) -> tuple[FoundLayout, ...]:
    """All layouts of `contents`, best first; the last is the one that `findings` suggest.

    Never empty, unless `contents` are. Equal tables are listed once.
    """
    if not contents:
        return ()
    size = len(contents)
    candidates = [*_stated(contents, findings), *_trees(findings)]

    # A table that leaves the flash, or covers only a small part of it, is for another flash.
    def order(each: _Candidate) -> tuple[bool, bool, int, int]:
        suits = each.end <= size <= 4 * each.end
        return bool(_NAND.search(each.table.flash)), not suits, each.rank, each.at

    found: list[FoundLayout] = []
    for candidate in sorted(candidates, key=order):
        layout = layout_of(candidate.table.partitions, size, candidate.source)
        ranges = _ranges(layout)
        if not ranges or any(ranges == _ranges(known.layout) for known in found):
            continue
        layout = _with_contents(layout, findings)
        remarks = _remarks(candidate.table, size)
        found.append(FoundLayout(layout, candidate.at, remarks, candidate.end))
    return (*found, FoundLayout(suggested(findings, size), None))


def _ranges(layout: Layout) -> set[tuple[str, int, int]]:
    return {(region.name, region.start, region.length) for region in layout.named}


def _remarks(table: PartitionTable, size: int) -> tuple[str, ...]:
    beyond = [part.name for part in table.partitions if part.end > size]
    if not beyond:
        return ()
    names = ", ".join(readable(name.encode(), 40) for name in beyond[:8])
    return (f"Made for a larger flash: {names} would end after the end of this one.",)


def _stated(contents: bytes, findings: Sequence[Finding]) -> list[_Candidate]:
    found = []
    for at, table in find_mtdparts(contents, len(contents)):
        holder = _holder(at, findings)
        if holder is None:
            rank, where = 4, f"text at {at:06X}h"
        elif holder.kind == "environment":
            rank = 0 if holder.verdict is Verdict.VERIFIED else 3
            where = f"environment at {holder.start:06X}h"
        else:
            rank, where = 1, f"boot arguments of the device tree at {holder.start:06X}h"
        source = f"mtdparts for {readable(table.flash.encode(), 40)}, {where}"
        found.append(_Candidate(rank, at, source, table))
    return found


def _holder(at: int, findings: Sequence[Finding]) -> Finding | None:
    holders = (each for each in findings if each.kind in ("environment", "devicetree"))
    return next((each for each in holders if each.holds(at)), None)


def _trees(findings: Sequence[Finding]) -> list[_Candidate]:
    found = []
    trees = [each for each in findings if isinstance(each.facts, TreeFacts)]
    for finding in trees[:_MOST_TREES]:
        assert isinstance(finding.facts, TreeFacts)
        for table in finding.facts.tables:
            source = f"node {table.flash} of the device tree at {finding.start:06X}h"
            found.append(_Candidate(2, finding.start, source, table))
    return found


_BY_KIND = {kind: role for kind, (_, role) in _NAMES.items()} | {
    "uboot-image": Role.KERNEL,
    "fit": Role.KERNEL,
}


def _with_contents(layout: Layout, findings: Sequence[Finding]) -> Layout:
    """Roles by contents where the name says nothing, or something wrong."""
    first = {finding.start: _BY_KIND.get(finding.kind) for finding in reversed(findings)}
    regions = []
    for region in layout.regions:
        role = first.get(region.start)
        # "bl-params" sounds like a boot loader; one never begins with a saved environment.
        sounds = region.role is Role.BOOT and role is Role.ENVIRONMENT
        if (region.role is Role.OTHER or sounds) and role is not None:
            region = replace(region, role=role)
        regions.append(region)
    return replace(layout, regions=tuple(regions))


# Names -------------------------------------------------------------------------------------------

_UNKNOWN = frozenset(
    {"splash", "logo", "display", "screen", "diag", "diagnostic", "sysdiag", "test", "fpga"}
    | {"microcode", "ucode", "qe", "vitesse", "ssd", "pmmc", "bootcount", "panic", "crash"}
    | {"crashdump", "pstore", "table"}
)
"""Words that make a name unknown whatever else it has: pictures, tests, code of other chips."""

_ROWS: tuple[tuple[Role, frozenset[str], re.Pattern[str]], ...] = tuple(
    (role, frozenset(words.split()), re.compile(joined or r"(?!)"))
    for role, words, joined in (
        (
            Role.ENVIRONMENT,
            "env envs environment nenv envr envred ubootenv bareboxenv appsblenv uenv",
            r"ubootenv|bootenv|bootldrenv|bootloaderenv|bootenvironment|storagevariables",
        ),
        (
            Role.OWN,
            "art factory calib calibration cal caldata eeprom radio radiocfg rf wifi wlan wireless "
            "mac macs macaddr bdata bdinfo identity id uid uuid uniqid serial serialno sn "
            "hwinfo hwid devinfo deviceinfo info nvram nvdata mfg mfginfo manufacture "
            "manufacturing manufacturer oem oeminfo prodinfo pdata key keys keystore cert certs "
            "certificate certificates priv private protect protected pin devdata",
            r"boarddata|boardinfo|boardconfig|boardcfg|caldata|macaddress|hwinfo|hwconfig|hwcfg|"
            r"productinfo|devinfo|deviceinfo|devparams|deviceid|uniqueid|keystore|privdata|"
            r"factoryinfo|wifidata|wlandata|cfgfactory",
        ),
        (Role.TREE, "dtb ndtb dts fdt oftree devicetree", r"devicetree"),
        (
            Role.SETTINGS,
            "config configuration conf cfg settings overlay ovlfs rwfs syscfg sysconf persist "
            "persistent rgdb etc nvconfig",
            r"rootfsdata|userconfig",
        ),
        # Before root and kernel: "User File System", "Writable User area".
        (Role.DATA, "user usr usrdata userdata log logs readings storage home opt var", ""),
        (
            Role.ROOT,
            "root rootfs nrootfs minirootfs rofs rfs squashfs cramfs romfs initrd uinitrd "
            "initramfs initfs ramdisk",
            r"rootfs|rootfilesystem|^n?system$",
        ),
        (
            Role.KERNEL,
            "kernel linux fit hlos bootkernel",
            r"[uz]image$|^(primary|secondary)os$",
        ),
        # Only on its own: "a53-firmware" and "Vitesse-7385 Firmware" are for other chips.
        (Role.KERNEL, "", r"^(mini|alt)?firmware[ab]?$"),
        (Role.SPARE, "spare unused free reserved reserve rsv empty open", ""),
        (
            Role.BOOT,
            "boot nboot uboot ubootl bootloader bootldr loader spl mlo xloader preloader barebox "
            "redboot routerboot cfe cferom yamon bios openbios bootstrap atbootstrap fsbl fip bl "
            "sbl qsee appsbl tz dink bs boots bootcode bootrom bootblock",
            r"uboot|bootstrap|xloader|bootloader",
        ),
        (Role.DATA, "data ndata jffs fs filesystem ubifs", r"filesystem"),
    )
)


def role_of(name: str) -> tuple[Role, bool]:
    """The role that the name of a partition states, and whether the partition is the board's own:
    to be kept when another board's contents are written."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", name)
    words = re.findall(r"[a-z]+", spaced.lower())
    if not _UNKNOWN.isdisjoint(words):
        return Role.OTHER, False
    joined = "".join(words)
    for role, known, together in _ROWS:
        if not known.isdisjoint(words) or together.search(joined):
            return role, role is Role.OWN
    return Role.OTHER, False


# Tables ------------------------------------------------------------------------------------------

MOST = 128
"""Partitions read from one table; real ones have a dozen."""

_UNFIT = re.compile(r"[^!#-\[\]-~]")


def layout_of(partitions: Iterable[Region], size: int, source: str) -> Layout:
    """The layout of a flash of `size` bytes that `partitions` describe.

    Where partitions overlap, the shorter ones become regions and the others groups: a table may
    name kernel and root file system and, once more, both together. What is beyond the flash
    is cut off.
    """
    regions: list[Region] = []
    groups: list[Region] = []
    taken: set[str] = set()
    ordered = list(partitions)[:MOST]
    for partition in sorted(ordered, key=lambda each: (each.length, each.start)):
        start, end = max(partition.start, 0), min(partition.end, size)
        if start >= end:
            continue
        name = unused_name(_UNFIT.sub("_", partition.name)[:48] or "unnamed", taken)
        role, keep = role_of(name)
        region = Region(name, start, end - start, role, keep)
        overlaps = any(each.meets(region) for each in regions)
        (groups if overlaps else regions).append(region)
    return Layout(
        size,
        tuple(sorted(regions, key=lambda region: region.start)),
        tuple(sorted(groups, key=lambda region: (region.start, region.length))),
        source,
    )


def unused_name(name: str, taken: set[str]) -> str:
    """`name`, with a number where it is in `taken`; it is added there."""
    chosen, number = name, 2
    while chosen in taken:
        chosen, number = f"{name}-{number}", number + 1
    taken.add(chosen)
    return chosen


# The kernel argument -----------------------------------------------------------------------------

LITERAL = b"mtdparts="

_ARGUMENT = re.compile(rb"(?:mtdparts=)+([!#-&(-~]{3,4000})")
_NUMBER = r"(?:0[xX][0-9a-fA-F]+|\d+)[kKmMgG]?"
_PARTITION = re.compile(
    rf"(?P<size>-|{_NUMBER})(?:@(?P<at>{_NUMBER}))?(?:\((?P<name>[^)]*)\))?(?:ro|lk|slc)*"
)
_UNITS = {"k": 10, "m": 20, "g": 30}


def find_mtdparts(contents: bytes, size: int) -> Iterator[tuple[int, PartitionTable]]:
    """The place of every `mtdparts=` argument, and each table in it; each different one once.

    `size` is the size of the flash in bytes, for a partition that takes the rest.
    """
    done = -1
    seen: set[bytes] = set()
    for at in places(contents, LITERAL):
        if at < done:
            continue
        match = _ARGUMENT.match(contents, at)
        done = match.end() if match else done
        if match is None or match[1] in seen or len(seen) == MOST:
            continue
        seen.add(match[1])
        yield from ((at, table) for table in parse_mtdparts(match[1].decode("ascii"), size))


def parse_mtdparts(text: str, size: int) -> list[PartitionTable]:
    """The table of each flash of the argument; an error in the grammar ends it."""
    found = []
    for definition in text.split(";"):
        # The id may hold colons, the partitions cannot before their first name.
        head, bracket, _ = definition.partition("(")
        flash, colon, _ = (head if bracket else definition).rpartition(":")
        if not colon or not flash:
            continue
        partitions = tuple(_partitions(definition[len(flash) + 1 :], size))
        if partitions:
            found.append(PartitionTable(flash[:64], partitions))
    return found


def _partitions(text: str, size: int) -> Iterator[Region]:
    at, position = 0, 0
    for number in range(MOST):
        match = _PARTITION.match(text, position)
        if match is None:
            return
        start = at if match["at"] is None else _number(match["at"])
        length = max(size - start, 0) if match["size"] == "-" else _number(match["size"])
        name = match["name"]
        # The kernel calls a nameless partition "Partition_" and its number, three digits.
        yield Region(f"Partition_{number:03d}" if name is None else name, start, length)
        at, position = start + length, match.end()
        if text[position : position + 1] != ",":
            return
        position += 1


def _number(text: str) -> int:
    shift = _UNITS.get(text[-1].lower(), 0)
    digits = text[:-1] if shift else text
    octal = digits.startswith("0") and digits.isdigit() and len(digits) > 1
    try:
        return int(digits, 8 if octal else 0) << shift
    except ValueError:  # 8 and 9 are no octal digits
        return 0
