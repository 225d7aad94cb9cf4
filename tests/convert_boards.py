"""Boards with an identity each, in seven layouts, and images for them: what a conversion is tried
on, and the judge of what came of it.

Nothing here is made by the program: environments are packed with zlib, file systems come from the
demo board's pieces (Debian's tools), and what is each board's own is known because it was put
there. MAC addresses are from the range for documentation (RFC 7042: 00-00-5E-00-53-xx), the rest is
invented.
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import subprocess
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from hwmocks.boards.heron import heron_factory, heron_open
from spiflash.dump.board_data import Fate
from spiflash.dump.convert import Proposal

SIZE = 2 << 20
K = 1 << 10


@dataclass
class Truth:
    """Something that is one board's own: where it was put, and what. `variable` is its name in an
    environment."""

    start: int
    raw: bytes
    what: str
    variable: str = ""


@dataclass
class Made:
    """Flash contents, what in them is the board's own, and where environments stand."""

    name: str
    contents: bytearray = field(default_factory=lambda: bytearray(b"\xff" * SIZE))
    own: list[Truth] = field(default_factory=list)
    environments: list[tuple[int, int, bool]] = field(default_factory=list)

    def put(self, at: int, raw: bytes) -> None:
        self.contents[at : at + len(raw)] = raw

    def owns(self, at: int, raw: bytes, what: str) -> None:
        self.put(at, raw)
        self.own.append(Truth(at, raw, what))

    def environment(
        self,
        at: int,
        size: int,
        values: dict[str, str],
        own: tuple[str, ...] = (),
        *,
        flag: int | None = None,
        order: str = "<",
    ) -> None:
        """CRC-32, perhaps a flag byte, strings, blank filling (U-Boot, include/env_internal.h)."""
        text = b"".join(f"{name}={value}\0".encode() for name, value in values.items()) + b"\0"
        head = 4 if flag is None else 5
        body = text.ljust(size - head, b"\xff")
        crc = struct.pack(f"{order}I", zlib.crc32(body))
        self.put(at, crc + (b"" if flag is None else bytes([flag])) + body)
        self.environments.append((at, size, flag is not None))
        place = at + head
        for name, value in values.items():
            if name in own:
                self.own.append(
                    Truth(place + len(name) + 1, value.encode(), f"variable {name}", name)
                )
            place += len(name) + len(value) + 2


FACTORY, OPEN = heron_factory(), heron_open()


def piece(contents: bytes, start: int, end: int) -> bytes:
    return contents[start:end].rstrip(b"\xff")


@dataclass(frozen=True)
class Identity:
    """What one board of a batch has."""

    number: int
    macs: tuple[bytes, bytes]
    serial: str
    calibration: bytes
    settings: bytes

    @classmethod
    def of(cls, number: int) -> Identity:
        rng = random.Random(number)
        first = rng.randrange(0, 0xFE)
        macs = tuple(bytes.fromhex("00005e0053") + bytes([first + i]) for i in range(2))
        return cls(
            number,
            (macs[0], macs[1]),
            f"HG-{rng.randrange(2015, 2026)}-{number:04d}",
            rng.randbytes(rng.randrange(40, 900)),
            rng.randbytes(6).hex().encode(),
        )

    def mac(self, index: int) -> str:
        return self.macs[index].hex(":")


def boot(made: Made, code: bytes, parts: str, size: int = 192 * K) -> None:
    """Boot code with the layout among its compiled-in defaults."""
    raw = bytearray(piece(code, 0, 0x40000)[: size - 8 * K])
    defaults = f"\0\0bootcmd=bootm\0bootdelay=2\0baudrate=115200\0mtdparts=mtdparts={parts}\0\0"
    made.put(0, bytes(raw) + defaults.encode())


BASE = {"bootcmd": "bootm 0x9f070000", "bootdelay": "2", "baudrate": "115200"}


def firmware(made: Made, source: bytes, kernel: int, root: int) -> None:
    made.put(kernel, piece(source, 0x70000, 0x200000))
    made.put(root, piece(source, 0x200000, 0x400000))


def jffs2(made: Made, at: int, who: Identity) -> None:
    """The demo's settings, and a node of this board's own (JFFS2, fs/jffs2/nodelist.h: padding
    node 2004h with a CRC over its first eight bytes, then data without a checksum)."""
    made.put(at, piece(FACTORY, 0x400000, 0x440000))
    filler = b"\x85\x19\x04\x20" + struct.pack("<I", 12 + len(who.settings))
    node = filler + struct.pack("<I", zlib.crc32(filler, 0xFFFFFFFF) ^ 0xFFFFFFFF)
    start = at + 0x31C
    made.put(start, node + who.settings)
    made.own.append(Truth(start + 12, who.settings, "settings"))


# Small on purpose: an audit takes time in proportion to the size.
_REST = "256k(kernel),512k(rootfs)"
HERON = f"spi0:192k(boot),64k(env),64k(factory),64k(dtb),{_REST},256k(config),-(spare)"
ART = f"spi0:192k(u-boot),64k(u-boot-env),{_REST},256k(config),704k(spare),64k(art)"
RADIO = f"spi0:192k(u-boot),64k(env),64k(radio),64k(bdinfo),{_REST},-(rootfs_data)"
PAIR = f"spi0:192k(u-boot),64k(env),64k(env2),64k(factory),{_REST},-(spare)"
NO_ENV = f"spi0:256k(boot),64k(factory),64k(dtb),{_REST},256k(config),-(spare)"
TAIL = f"spi0:128k(u-boot),{_REST},256k(config),-(spare)"
VOLUMES = f"spi0:192k(u-boot),64k(env),64k(factory),{_REST},512k(config),-(spare)"
MOVED = f"spi0:256k(u-boot),64k(u-boot-env),64k(u-boot-env2),128k(factory),{_REST},-(config)"


def heron(who: Identity) -> Made:
    """The demo's layout: block with magic, MAC and serial number, calibration with a CRC."""
    made = Made("heron")
    boot(made, FACTORY, HERON)
    own = ("ethaddr", "serial#")
    values = {**BASE, "mtdparts": f"mtdparts={HERON}", "ethaddr": who.mac(0), "serial#": who.serial}
    made.environment(0x30000, 64 * K, values, own)
    made.put(0x40000, b"HERONFAC\0\1")
    made.owns(0x4000A, who.macs[0], "MAC")
    made.owns(0x40010, who.serial.encode(), "serial")
    head = struct.pack(">4sII", b"HCAL", len(who.calibration), zlib.crc32(who.calibration))
    made.owns(0x41000, head + who.calibration, "calibration")
    firmware(made, FACTORY, 0x60000, 0xA0000)
    jffs2(made, 0x120000, who)
    return made


def art(who: Identity) -> Made:
    """A calibration partition at the end: two radios with adjacent addresses in six bytes each,
    calibration without a checksum."""
    made = Made("art")
    boot(made, FACTORY, ART)
    values = {**BASE, "mtdparts": f"mtdparts={ART}", "ethaddr": who.mac(0)}
    made.environment(0x30000, 64 * K, values, ("ethaddr",), order=">")
    made.owns(0x1F0000, who.macs[0], "first MAC")
    made.owns(0x1F0006, who.macs[1], "second MAC")
    made.owns(0x1F1000, who.calibration, "first calibration")
    made.owns(0x1F5000, who.calibration[::-1], "second calibration")
    firmware(made, FACTORY, 0x40000, 0x80000)
    jffs2(made, 0x100000, who)
    return made


def radio(who: Identity) -> Made:
    """MACs in ASCII in a partition of text, calibration in another, settings on the rest."""
    made = Made("radio")
    boot(made, FACTORY, RADIO)
    values = {**BASE, "mtdparts": f"mtdparts={RADIO}", "wlanaddr": who.mac(1)}
    made.environment(0x30000, 16 * K, values, ("wlanaddr",))
    made.owns(0x40400, who.calibration, "calibration")
    text = f"mac={who.mac(0)}\nmac2={who.mac(1)}\nserial={who.serial}\n"
    made.put(0x50000, text.encode())
    for value in (who.mac(0), who.mac(1), who.serial):
        made.own.append(Truth(0x50000 + text.index(value), value.encode(), "text"))
    firmware(made, FACTORY, 0x60000, 0xA0000)
    jffs2(made, 0x120000, who)
    return made


def pair(who: Identity) -> Made:
    """A redundant pair of environments, the second one newer."""
    made = Made("pair")
    boot(made, FACTORY, PAIR)
    old = {**BASE, "mtdparts": f"mtdparts={PAIR}", "ethaddr": who.mac(0), "serial#": who.serial}
    new = {**old, "eth1addr": who.mac(1), "bootdelay": "1"}
    made.environment(0x30000, 64 * K, old, ("ethaddr", "serial#"), flag=7)
    made.environment(0x40000, 64 * K, new, ("ethaddr", "serial#", "eth1addr"), flag=8)
    made.owns(0x50000, who.calibration, "calibration")
    firmware(made, FACTORY, 0x60000, 0xA0000)
    return made


def without(who: Identity) -> Made:
    """No environment: everything in the factory partition."""
    made = Made("without")
    boot(made, FACTORY, NO_ENV, 256 * K)
    made.owns(0x40000, who.mac(0).encode(), "MAC in text")
    made.owns(0x40100, who.serial.encode(), "serial")
    made.owns(0x40800, who.calibration, "calibration")
    firmware(made, FACTORY, 0x60000, 0xA0000)
    jffs2(made, 0x120000, who)
    return made


def tail(who: Identity) -> Made:
    """Addresses behind the boot code, in its own partition: six bytes each, and a number."""
    made = Made("tail")
    boot(made, FACTORY[: 100 * K], TAIL, 128 * K)
    made.owns(0x1FC00, who.mac(0).encode(), "MAC in text")
    made.owns(0x1FD00, who.mac(1).encode(), "second MAC in text")
    firmware(made, FACTORY, 0x20000, 0x60000)
    jffs2(made, 0xE0000, who)
    return made


def volumes(who: Identity) -> Made:
    """Settings in UBIFS, made by mkfs.ubifs and ubinize (Debian's mtd-utils); blocks of 16 KiB."""
    made = Made("volumes")
    boot(made, FACTORY, VOLUMES)
    values = {**BASE, "mtdparts": f"mtdparts={VOLUMES}", "serial#": who.serial}
    made.environment(0x30000, 64 * K, values, ("serial#",))
    made.owns(0x40000, who.calibration, "calibration")
    firmware(made, FACTORY, 0x50000, 0x90000)
    image = _ubi(who)
    made.put(0x110000, image)
    made.own.append(Truth(0x110000 + image.index(who.settings), who.settings, "settings"))
    return made


def _ubi(who: Identity) -> bytes:
    with tempfile.TemporaryDirectory(prefix="ubi-") as temporary:
        folder = Path(temporary)
        (folder / "root").mkdir()
        (folder / "root" / "station").write_bytes(who.settings)
        (folder / "ubi.ini").write_text(
            "[v]\nmode=ubi\nimage=fs\nvol_id=0\nvol_type=dynamic\nvol_name=config\nvol_size=448KiB\n"
        )
        for command in (
            ["mkfs.ubifs", *("-m", "8", "-e", "16256", "-c", "30", "-x", "none"),
             *("-r", "root", "-o", "fs")],
            ["ubinize", *("-p", "16KiB", "-m", "1", "-Q", "1", "-o", "ubi", "ubi.ini")],
        ):  # fmt: skip
            subprocess.run(command, cwd=folder, check=True, capture_output=True)
        return (folder / "ubi").read_bytes()


BOARDS: tuple[Callable[[Identity], Made], ...] = (heron, art, radio, pair, without, tail)


def same_layout(board: Made) -> Made:
    """The open firmware in the board's own layout, without anybody's identity."""
    made = Made("same layout")
    code = OPEN if board.name != "tail" else OPEN[: 100 * K]
    parts = {"heron": HERON, "art": ART, "radio": RADIO, "pair": PAIR, "without": NO_ENV,
             "tail": TAIL, "volumes": VOLUMES}[board.name]  # fmt: skip
    boot(made, code, parts, {"without": 256 * K, "tail": 128 * K}.get(board.name, 192 * K))
    for at, size, redundant in board.environments:
        order = ">" if board.name == "art" else "<"
        values = {**BASE, "mtdparts": f"mtdparts={parts}", "bootdelay": "5"}
        made.environment(at, size, values, flag=1 if redundant else None, order=order)
    kernel, root = {
        "art": (0x40000, 0x80000),
        "tail": (0x20000, 0x60000),
        "volumes": (0x50000, 0x90000),
    }.get(board.name, (0x60000, 0xA0000))
    firmware(made, OPEN, kernel, root)
    return made


def moved(board: Made) -> Made:
    """The open firmware in another layout: everything stands elsewhere."""
    made = Made("moved")
    boot(made, OPEN, MOVED, 256 * K)
    order = ">" if board.name == "art" else "<"
    values = {**BASE, "mtdparts": f"mtdparts={MOVED}"}
    made.environment(0x40000, 64 * K, values, flag=1, order=order)
    made.environment(0x50000, 64 * K, values, flag=0, order=order)
    firmware(made, OPEN, 0x80000, 0xC0000)
    return made


def no_environment(board: Made) -> Made:
    """The open firmware in the board's layout, whose environment is blank."""
    made = same_layout(board)
    made.name = "no environment"
    for at, size, _ in board.environments:
        made.put(at, b"\xff" * size)
    made.environments = []
    return made


def another_boards(board: Made) -> Made:
    """Contents read from a converted board, with that board's identity in it."""
    master = {each.__name__: each for each in (*BOARDS, volumes)}[board.name](Identity.of(9999))
    made = same_layout(board)
    made.name = "another board's"
    for truth in master.own:
        if not truth.variable and truth.what != "settings":
            made.put(truth.start, truth.raw)
    environments = made.environments
    made.environments = []
    for at, size, redundant in environments:
        order = ">" if board.name == "art" else "<"
        values = {**BASE, "ethaddr": "00:00:5e:00:53:ff", "serial#": "HG-9999-9999"}
        values["mtdparts"] = f"mtdparts={HERON if board.name == 'heron' else ART}"
        if board.name in ("heron", "art"):
            made.environment(at, size, values, flag=1 if redundant else None, order=order)
        else:
            made.environments.append((at, size, redundant))
    return made


def short(board: Made) -> Made:
    """The open firmware as a file that ends behind its last used block."""
    made = same_layout(board)
    made.name = "short"
    end = -(-len(bytes(made.contents).rstrip(b"\xff")) // (64 * K)) * 64 * K
    del made.contents[end:]
    return made


def full_of_files(board: Made) -> Made:
    """A root file system as large as the rest of the flash: it covers settings, and whatever
    stands at the end."""
    made = same_layout(board)
    made.name = "full"
    root = 0x80000 if board.name == "art" else 0xA0000
    rng = random.Random(5)
    start = root + 0x40000
    made.put(start, rng.randbytes(SIZE - start))
    return made


IMAGES: tuple[Callable[[Made], Made], ...] = (
    *(same_layout, moved, no_environment, another_boards, short, full_of_files),
)


def fw_printenv(contents: bytes, image: Made, folder: Path) -> dict[str, str]:
    """What the boot loader's own tool reads (Debian's libubootenv-tool); a redundant pair as one.
    It refuses a wrong CRC."""
    dump, config = folder / "made.bin", folder / "fw_env.config"
    dump.write_bytes(contents)
    config.write_text("".join(f"{dump} {at:#x} {size:#x}\n" for at, size, _ in image.environments))
    done = subprocess.run(
        ["fw_printenv", "-c", config, "-f", os.devnull], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr + done.stdout
    return dict(line.partition("=")[::2] for line in done.stdout.splitlines())


def silent_losses(
    board: Made, image: Made, said: Proposal, made: bytes, folder: Path
) -> tuple[list[str], int, int]:
    """What is the board's own, is not in `made`, and was not said to be lost; and how many items
    are kept and said to be lost."""
    printed: dict[str, str] = {}
    if image.environments and shutil.which("fw_printenv"):
        printed = fw_printenv(made, image, folder)
    wrong: list[str] = []
    kept = lost = 0
    for truth in board.own:
        end = truth.start + len(truth.raw)
        about = [e for e in said.decisions if e.item.start <= truth.start and end <= e.item.end]
        if not about:
            wrong.append(f"{truth.what} at {truth.start:#x}: not a word")
        kept += any(each.kept for each in about)
        lost += bool(about) and not any(each.kept for each in about)
        for each in about:
            if each.fate is Fate.VARIABLE:
                if printed and printed.get(truth.variable) != truth.raw.decode():
                    wrong.append(f"fw_printenv sees {printed.get(truth.variable)} for {truth.what}")
            elif each.place is not None:
                at = each.place + truth.start - each.item.start
                if made[at : at + len(truth.raw)] != truth.raw:
                    wrong.append(f"{truth.what} is not at {at:#x}, where it was said to be")
            elif each.fate is not Fate.LEFT:
                wrong.append(f"{truth.what} is kept, but nobody says where")
    return wrong, kept, lost
