"""Partition tables as a dump states them, and what a partition is for, by its name.

What a dump says is untrusted: names are cut and made printable, ranges may overlap or leave the
flash.

The kernel argument `mtdparts=` (grammar: Linux, drivers/mtd/parsers/cmdlinepart.c, from memory):

    mtdparts=<flash>[;<flash>]         <flash>     := <id>:<partition>[,<partition>]
    <partition> := <size>[@<offset>][(<name>)][ro][lk]     <size> := number[k|m|g] or "-"

Numbers are decimal, octal with 0 or hexadecimal with 0x; "-" takes the rest of the flash; without
an offset a partition follows the one before it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from spiflash.dump.finding import Partition, PartitionTable
from spiflash.dump.formats import places
from spiflash.dump.layout import Layout, Region, Role

# Names -------------------------------------------------------------------------------------------

_UNKNOWN = frozenset(
    [
        "splash",
        "logo",
        "display",
        "screen",
        "diag",
        "diagnostic",
        "sysdiag",
        "test",
        "fpga",
        "microcode",
        "ucode",
        "qe",
        "vitesse",
        "ssd",
        "pmmc",
        "bootcount",
        "panic",
        "crash",
        "crashdump",
        "pstore",
        "table",
    ]
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


def layout_of(partitions: Iterable[Partition], size: int, source: str) -> Layout:
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
        overlaps = any(each.start < end and start < each.end for each in regions)
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
        if match is None:
            continue
        done = match.end()
        if match[1] in seen or len(seen) == MOST:
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


def _partitions(text: str, size: int) -> Iterator[Partition]:
    at, position = 0, 0
    for number in range(MOST):
        match = _PARTITION.match(text, position)
        if match is None:
            return
        start = at if match["at"] is None else _number(match["at"])
        length = max(size - start, 0) if match["size"] == "-" else _number(match["size"])
        name = match["name"]
        # The kernel calls a nameless partition "Partition_" and its number, three digits.
        yield Partition(f"Partition_{number:03d}" if name is None else name, start, length)
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
