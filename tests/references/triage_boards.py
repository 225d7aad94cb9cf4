"""Boards drawn at random, and what can go wrong with them: dumps made by the defining tools.

`mkimage`, `mkenvimage` (u-boot-tools), `mksquashfs` (squashfs-tools), `mkfs.jffs2`, `ubinize`
(mtd-utils), `dtc`, `gzip`, `xz`, `lzma` as Debian packages them. Names of partitions are labels of
Linux's device trees (`test_partition_names.py` names the files). Nothing here knows the program
that is judged: what was planted where is written down as it is planted.

MAC addresses are from the range for documentation (RFC 7042, 00-00-5E-00-53-xx).
"""

from __future__ import annotations

import random
import struct
import subprocess
import tempfile
import zlib
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

PROGRAMS = (
    *("mkimage", "mkenvimage", "mksquashfs", "mkfs.jffs2", "ubinize", "dtc"),
    *("gzip", "xz", "lzma"),
)
SECTOR = 4096
BLOCK = 64 << 10
BLANK = b"\xff"

NAMES = {
    "boot": ("u-boot", "boot", "bootloader", "uboot", "loader", "U-Boot", "xloader", "RedBoot"),
    "env": ("env", "u-boot-env", "uboot-env", "u_env", "environment", "nenv", "bootenv"),
    "own": (
        *("ART", "art", "factory", "cal_data", "devinfo", "EEPROM", "MAC-Address", "hw-info"),
        *("mfg", "calibration", "nvram", "dev_params", "key_store", "info", "priv_data1"),
        *("0:ART", "bdata", "wifi", "wlan", "rf", "hwinfo", "oeminfo", "prodinfo", "sn"),
        *("board_info", "uniqid", "keys"),
    ),
    "tree": ("dtb", "fdt", "oftree", "devicetree", "DTB"),
    "kernel": ("kernel", "linux", "uImage", "Kernel", "zImage"),
    "root": ("rootfs", "root", "rofs", "nrootfs", "Root"),
    "settings": ("config", "syscfg", "rwfs", "ovlfs", "persistent", "rootfs_data"),
    "data": ("data", "user", "log", "storage", "usrdata", "jffs2"),
    "unknown": ("splash", "display", "diag", "magic", "shmoo", "misc", "fpga", "vendor"),
    "spare": ("spare", "reserved", "unused", "free"),
}

FAMILIES = {
    # name: (mkimage's architecture, big endian, telling instructions)
    "mips-be": ("mips", True, (0x03E00008, 0x27BDFFE0, 0xAFBF001C, 0x8FBF001C)),
    "mips-le": ("mips", False, (0x03E00008, 0x27BDFFE0, 0xAFBF001C, 0x8FBF001C)),
    "arm": ("arm", False, (0xE12FFF1E, 0xE92D4010, 0xE8BD8010, 0xE59FF018)),
    "arm64": ("arm64", False, (0xD65F03C0, 0xA9BF7BFD, 0xA8C17BFD, 0xD65F03C0)),
    "riscv": ("riscv", False, (0x00008067, 0x00008067, 0x00008067, 0x00008067)),
}
"""Returns and prologues by the architectures' manuals (from memory)."""


def run(folder: Path, *command: str | Path) -> None:
    subprocess.run(command, cwd=folder, check=True, capture_output=True)


def code(rng: random.Random, family: str, size: int) -> bytes:
    """Words of which every tenth is telling for the processor."""
    _, big, telling = FAMILIES[family]
    words = [
        rng.choice(telling) if rng.random() < 0.1 else rng.getrandbits(32) & 0x7FFFFFFF
        for _ in range(size // 4)
    ]
    return struct.pack(f"{'>' if big else '<'}{len(words)}I", *words)


def made_text(rng: random.Random, size: int) -> bytes:
    words = [b"gauge", b"river", b"level", b"heron", b"culvert", b"storm", b"sample", b"battery"]
    return b" ".join(rng.choice(words) + b"%d" % rng.randrange(999) for _ in range(size // 8))[
        :size
    ]


@cache
def kernel(family: str, version: int, form: str) -> bytes:
    """A kernel in the form that `mkimage` gives it, or none but its compression."""
    rng = random.Random(f"kernel {family} {version}")
    architecture = FAMILIES[family][0]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "raw").write_bytes(code(rng, family, 40_000) + made_text(rng, 40_000))
        packing = {"lzma": "lzma", "xz": "none", "none": "none"}.get(form, "gzip")
        if packing == "gzip":
            run(folder, "gzip", "-9n", "-k", "raw")
            (folder / "raw.gz").rename(folder / "packed")
        elif packing == "lzma":
            run(folder, "lzma", "-6", "-k", "raw")
            (folder / "raw.lzma").rename(folder / "packed")
        elif form == "xz":
            run(folder, "xz", "-6", "-k", "raw")
            (folder / "raw.xz").rename(folder / "packed")
        else:
            (folder / "raw").rename(folder / "packed")
        if form == "fit":
            (folder / "k.its").write_text(
                f"""/dts-v1/; / {{ description = "k"; #address-cells = <1>; images {{ kernel {{
                data = /incbin/("packed"); type = "kernel"; arch = "{architecture}"; os = "linux";
                compression = "gzip"; load = <0x80008000>; entry = <0x80008000>;
                hash-1 {{ algo = "sha256"; }}; }}; }};
                configurations {{ default = "c"; c {{ kernel = "kernel"; }}; }}; }};"""
            )
            run(folder, "mkimage", "-f", "k.its", "out")
        elif form == "xz":
            return (folder / "packed").read_bytes()
        else:
            run(
                folder,
                *("mkimage", "-A", architecture, "-O", "linux", "-T", "kernel", "-C", packing),
                *("-n", f"Linux-{version}", "-d", "packed", "out"),
            )
        return (folder / "out").read_bytes()


@cache
def root(version: int, packing: str) -> bytes:
    rng = random.Random(f"root {version}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "tree/etc").mkdir(parents=True)
        (folder / "tree/etc/release").write_text(f"version {version}\n")
        (folder / "tree/busy").write_bytes(made_text(rng, 90_000) + rng.randbytes(30_000))
        options = ("-noappend", "-comp", packing, "-all-root", "-mkfs-time", "0", "-all-time", "0")
        run(folder, "mksquashfs", "tree", "out", *options)
        return (folder / "out").read_bytes()


@cache
def files(number: int, form: str) -> bytes:
    """A file system that the board writes to."""
    rng = random.Random(f"files {number}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "tree").mkdir()
        (folder / "tree/hostname").write_text(f"gauge-{number}\n")
        (folder / "tree/log").write_bytes(made_text(rng, 20_000))
        if form == "ubi":
            (folder / "vol").write_bytes(made_text(rng, 30_000))
            (folder / "u.ini").write_text(
                "[a]\nmode=ubi\nimage=vol\nvol_id=0\nvol_size=64KiB\nvol_type=dynamic\nvol_name=d\n"
            )
            run(folder, "ubinize", "-o", "out", "-p", "16KiB", "-m", "1", "-Q", "7", "u.ini")
        else:
            run(folder, "mkfs.jffs2", "-r", "tree", "-o", "out", "-e", "0x10000", "-n", "-l")
        return (folder / "out").read_bytes()


def environment(
    variables: dict[str, str], size: int, *, big: bool, redundant: bool, flag: int = 1
) -> bytes:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "t").write_text("".join(f"{key}={value}\n" for key, value in variables.items()))
        options = (*(["-b"] if big else []), *(["-r"] if redundant else []))
        run(folder, "mkenvimage", *options, "-s", str(size), "-o", "out", "t")
        made = (folder / "out").read_bytes()
        # The flag byte is no part of the checksum (U-Boot, include/env_internal.h; from memory).
        return made[:4] + bytes([flag]) + made[5:] if redundant else made


def tree(family: str, table: str, arguments: str) -> bytes:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "t.dts").write_text(
            f'/dts-v1/; / {{ model = "{family} gauge"; compatible = "heron,gauge";\n'
            f'#address-cells = <1>; #size-cells = <1>; chosen {{ bootargs = "{arguments}"; }};\n'
            f'spi {{ flash@0 {{ compatible = "jedec,spi-nor"; reg = <0 0>; {table} }}; }}; }};'
        )
        run(folder, "dtc", "-q", "-I", "dts", "-O", "dtb", "-o", "out", "t.dts")
        return (folder / "out").read_bytes()


@dataclass(frozen=True)
class Part:
    """A partition or gap: `role` as in NAMES, or "gap"."""

    name: str
    role: str
    start: int
    size: int

    @property
    def end(self) -> int:
        return self.start + self.size


@dataclass(frozen=True)
class Model:
    """What all boards of a model have in common."""

    seed: int
    family: str
    size: int
    parts: tuple[Part, ...]
    stated: str
    kernel_form: str
    packing: str
    env_size: int
    env_saved: bool
    banner: bool
    generic_env: bool

    @property
    def redundant(self) -> bool:
        return sum(part.role == "env" for part in self.parts) > 1


@dataclass
class Board:
    """One board: its contents, what was planted, and what it is called."""

    model: Model
    contents: bytes
    own: list[tuple[int, int]] = field(default_factory=list)
    firmware: list[tuple[int, int]] = field(default_factory=list)
    values: tuple[bytes, ...] = ()


def draw_model(seed: int) -> Model:
    rng = random.Random(f"model {seed}")
    family = rng.choice(tuple(FAMILIES))
    roles = ["boot"]
    roles += ["env"] * rng.choice((1, 1, 1, 2))
    roles += ["own"] * rng.choice((1, 1, 2, 3))
    middle = [
        *(["unknown"] if rng.random() < 0.4 else []),
        *(["tree"] if rng.random() < 0.6 else []),
    ]
    stated = rng.choice(("env", "env", "tree", "arguments", "no", "no"))
    if stated in ("tree", "arguments") and "tree" not in middle:
        middle.append("tree")
    roles += middle
    tail = ["kernel", "root"]
    tail += ["settings"] if rng.random() < 0.5 else []
    tail += ["data"] if rng.random() < 0.7 else []
    tail += ["own"] if rng.random() < 0.3 else []
    tail += ["spare"] if rng.random() < 0.4 else []
    fixed = roles[1:]
    rng.shuffle(fixed)
    lengths = {
        "boot": rng.choice((0x8000, 0x10000, 0x20000)),
        "env": rng.choice((0x1000, 0x2000, 0x4000)),
        "own": rng.choice((0x1000, 0x2000, 0x8000)),
        "unknown": 0x4000,
        "tree": 0x4000,
        "kernel": 0x20000,
        "root": 0x10000,
        "settings": 0x10000,
        "data": rng.choice((0x10000, 0x20000)),
        "spare": 0x4000,
    }
    parts: list[Part] = []
    taken: set[str] = set()
    at = 0
    for role in ["boot", *fixed, *tail]:
        if role in ("kernel", "root", "settings", "data"):
            at = -(-at // BLOCK) * BLOCK
        if parts and rng.random() < 0.2:
            gap = rng.choice((0x1000, 0x4000))
            parts.append(Part("", "gap", at, gap))
            at += gap
            if role in ("kernel", "root", "settings", "data"):
                at = -(-at // BLOCK) * BLOCK
        name = rng.choice([each for each in NAMES[role] if each not in taken])
        taken.add(name)
        parts.append(Part(name, role, at, lengths[role]))
        at += lengths[role]
    size = 0x80000
    while size < at:
        size <<= 1
    saved = stated == "env" or rng.random() < 0.7
    return Model(
        seed,
        family,
        size,
        tuple(parts),
        stated,
        rng.choice(("gzip", "lzma", "none", "fit", "xz")),
        rng.choice(("gzip", "xz")),
        lengths["env"],
        saved,
        rng.random() < 0.6,
        rng.random() < 0.5,
    )


def mtdparts(model: Model) -> str:
    named = [part for part in model.parts if part.role != "gap"]
    return "mtdparts=spi0.0:" + ",".join(f"{p.size:#x}@{p.start:#x}({p.name})" for p in named)


def partitions_node(model: Model) -> str:
    named = [part for part in model.parts if part.role != "gap"]
    nodes = " ".join(
        f'partition@{p.start:x} {{ label = "{p.name}"; reg = <{p.start:#x} {p.size:#x}>; }};'
        for p in named
    )
    return (
        'partitions { compatible = "fixed-partitions"; #address-cells = <1>; #size-cells = <1>; '
        f"{nodes} }};"
    )


def mac_of(number: int) -> bytes:
    return bytes((0, 0, 0x5E, 0, 0x53, number & 0xFF))


def build(model: Model, number: int, version: int = 1, *, generic: bool = False) -> Board:
    """Board `number` of a model with firmware of a version; a `generic` image has nothing of
    any board's own, and perhaps no environment."""
    rng = random.Random(f"board {model.seed} {number}")
    flash = bytearray(BLANK * model.size)
    board = Board(model, b"")
    place = {part.role: part.start for part in model.parts}
    mac = mac_of(number)
    variables = {
        "bootdelay": "2",
        "baudrate": "115200",
        "bootargs": f"console=ttyS0,115200 {mtdparts(model) if model.stated == 'env' else ''}",
        "spiboot": f"sf probe && sf read 0x42000000 {place['kernel']:#x} 0x20000 && bootm "
        "0x42000000",
        "bootcmd": "run spiboot",
    }
    if not generic:
        variables |= {"ethaddr": mac.hex(":"), "serial#": f"HG-{model.seed}-{number:04d}"}
    board.values = () if generic else (mac.hex(":").encode(), variables["serial#"].encode())
    copy = 0

    def put(at: int, data: bytes, where: list[tuple[int, int]]) -> None:
        flash[at : at + len(data)] = data
        where.append((at, at + len(data)))

    for part in model.parts:
        if part.role == "boot":
            shared = random.Random(f"loader {model.seed} {version}")
            length = shared.randrange(part.size // 3, part.size * 3 // 4) // 4 * 4
            loader = bytearray(code(shared, model.family, length))
            if model.banner:
                said = b"\0U-Boot 2020.%02d (Jan 01 2020 - 00:00:00 +0000) gauge\0" % version
                loader[length // 2 : length // 2 + len(said)] = said
            put(part.start, bytes(loader), board.firmware)
            if not generic and model.seed % 3 == 0:
                # A MAC address at the end of the loader's partition, as some makers do.
                put(part.end - 0x400, mac + b"HG%04d" % number, board.own)
        elif part.role == "env":
            copy += 1
            if (generic and not model.generic_env) or not model.env_saved:
                continue
            data = environment(
                variables,
                model.env_size,
                big=model.family == "mips-be",
                redundant=model.redundant,
                flag=2 - copy if model.seed % 2 else copy,
            )
            flash[part.start : part.start + len(data)] = data
        elif part.role == "own":
            if generic:
                continue
            form = rng.randrange(3)
            block = mac + rng.randbytes(2) + b"HG%d%04d" % (model.seed, number)
            calibration = rng.randbytes(rng.choice((200, 700)))
            if form == 1:
                calibration = (
                    struct.pack(">4sII", b"TCAL", len(calibration), zlib.crc32(calibration))
                    + calibration
                )
            at = rng.choice((0x20, 0x100, 0x200))
            put(part.start, block, board.own)
            put(part.start + at, calibration, board.own)
        elif part.role == "tree":
            arguments = mtdparts(model) if model.stated == "arguments" else ""
            table = partitions_node(model) if model.stated == "tree" else ""
            put(part.start, tree(model.family, table, arguments), board.firmware)
        elif part.role == "kernel":
            put(part.start, kernel(model.family, version, model.kernel_form), board.firmware)
        elif part.role == "root":
            put(part.start, root(version, model.packing), board.firmware)
            # What fills the last sector is none of the file system.
            used = len(root(version, model.packing).rstrip(b"\0"))
            board.firmware[-1] = (part.start, part.start + used)
        elif part.role in ("settings", "data") and not generic:
            form = random.Random(f"form {model.seed} {part.name}").choice(
                ("jffs2", "jffs2", "ubi", "raw", "blank")
            )
            if form == "raw":
                put(part.start, made_text(rng, 9000), board.own)
            elif form != "blank":
                made = files(number % 4, form)
                made = made if len(made) <= part.size else files(number % 4, "jffs2")
                put(part.start, made, board.own)
        elif part.role == "unknown":
            picture = random.Random(f"picture {model.seed}").randbytes(6000)
            put(part.start, picture, board.own)
        elif part.role == "gap" and not generic and rng.random() < 0.6:
            put(part.start, mac + rng.randbytes(60), board.own)
    board.contents = bytes(flash)
    return board
