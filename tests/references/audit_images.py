"""One image of each format, made by the format's own program as Debian packages it.

Sources: mkimage, mkenvimage (u-boot-tools), mksquashfs (squashfs-tools), mkfs.jffs2, sumtool,
ubinize, mkfs.ubifs (mtd-utils), mkfs.cramfs (util-linux, later util-linux-extra), genromfs, dtc,
gzip, xz, bzip2, zstd, lz4, mke2fs (e2fsprogs), mkfs.fat (dosfstools), sfdisk (fdisk), openssl.
TRX has no such program: `trx` writes it from the description in its own docstring.
"""

from __future__ import annotations

import random
import struct
import subprocess
import zlib
from dataclasses import dataclass
from pathlib import Path

PROGRAMS = (
    *("mkimage", "mkenvimage", "mksquashfs", "mkfs.jffs2", "sumtool", "ubinize", "mkfs.ubifs"),
    *("mkfs.cramfs", "genromfs", "dtc", "gzip", "xz", "bzip2", "zstd", "lz4", "mke2fs"),
    *("mkfs.fat", "sfdisk", "openssl"),
)

HASHES = ("crc32", "md5", "sha1", "sha256", "sha384", "sha512")


@dataclass(frozen=True, slots=True)
class Item:
    """An image of `kind` that may start on multiples of `align` bytes.

    The finding starts `offset` bytes into `image` and has `length` bytes. `pieces`: the format
    is found as several runs, the first of which starts there and the last of which ends there.
    """

    name: str
    kind: str
    image: bytes
    align: int
    length: int
    offset: int = 0
    pieces: bool = False


def run(*command: str | Path, feed: bytes | None = None) -> bytes:
    done = subprocess.run(command, check=True, capture_output=True, input=feed)
    return done.stdout


def tree(folder: Path) -> Path:
    """Files that compress, files that do not, small ones, a link, folders."""
    root = folder / "tree"
    (root / "etc").mkdir(parents=True)
    (root / "etc/hostname").write_text("heron\n")
    (root / "etc/rating.csv").write_text("\n".join(f"{n},{n * n}" for n in range(4000)))
    (root / "blob").write_bytes(random.Random(7).randbytes(20_000))
    (root / "log").write_text("".join(text(random.Random(9), 60_000)))
    (root / "link").symlink_to("etc/hostname")
    return root


WORDS = (
    *("stage", "level", "gauge", "river", "water", "sensor", "battery", "low", "high", "rising"),
    *("falling", "the", "of", "at", "on", "is", "was", "reading", "station", "heron", "watershed"),
    *("upstream", "bridge", "culvert", "rain", "storm", "sample", "minute", "hour"),
)


def text(rng: random.Random, size: int) -> str:
    """Sentences of everyday words, `size` characters."""
    lines: list[str] = []
    length = 0
    while length < size:
        line = " ".join(rng.choices(WORDS, k=rng.randrange(4, 14))).capitalize() + ".\n"
        lines.append(line)
        length += len(line)
    return "".join(lines)[:size]


def all_items(folder: Path) -> list[Item]:
    root = tree(folder)
    data = text(random.Random(1), 30_000).encode() + random.Random(2).randbytes(9000)
    (folder / "data").write_bytes(data)
    return [
        *_images(folder),
        *_environments(folder),
        *_trees(folder),
        *_file_systems(folder, root),
        *_flash_file_systems(folder, root),
        *_streams(folder),
        *_disks(folder, root),
        *_credentials(folder),
    ]


def _whole(name: str, kind: str, image: bytes, align: int = 1) -> Item:
    return Item(name, kind, image, align, len(image))


def _images(folder: Path) -> list[Item]:
    made = []
    (folder / "script.txt").write_text("echo heron\nrun bootcmd\n")
    common = ("-A", "arm", "-O", "linux", "-n", "heron")
    for name, kind, packing, source in (
        ("kernel", "kernel", "none", folder / "data"),
        ("multi", "multi", "none", f"{folder / 'data'}:{folder / 'script.txt'}"),
        ("script", "script", "none", folder / "script.txt"),
    ):
        out = folder / f"{name}.uimage"
        run("mkimage", *common, "-T", kind, "-C", packing, "-d", source, out)
        made.append(_whole(f"legacy {name}", "uboot-image", out.read_bytes(), 4))
    made.append(_whole("trx", "trx", trx((folder / "data").read_bytes())))
    return made


def trx(payload: bytes) -> bytes:
    """Magic, length, inverted CRC-32 from the twelfth byte, flags 0, version 1, three offsets.

    Common practice, no source; written here from memory, with zlib for the CRC.
    """
    body = struct.pack("<HH3I", 0, 1, 28, 0, 0) + payload
    return b"HDR0" + struct.pack("<II", 12 + len(body), zlib.crc32(body) ^ 0xFFFFFFFF) + body


def _environments(folder: Path) -> list[Item]:
    (folder / "env.txt").write_text(
        "bootcmd=sf probe; run spi\nbootdelay=3\nbaudrate=115200\nethaddr=00:00:5e:00:53:2a\n"
        "bootargs=console=ttyS0,115200\n"
    )
    made = []
    for size, flags in (
        (4096, ()),
        (8192, ("-r",)),
        (16384, ("-b",)),
        (65536, ("-p", "0")),
        (131072, ("-r", "-b")),
        (262144, ()),
    ):
        out = folder / "env"
        run("mkenvimage", *flags, "-s", str(size), "-o", out, folder / "env.txt")
        made.append(_whole(f"environment {size} {flags}", "environment", out.read_bytes(), 4096))
    return made


def _trees(folder: Path) -> list[Item]:
    (folder / "a.dts").write_text(
        '/dts-v1/; / { model = "Heron test"; #address-cells = <1>; node@1 { reg = <1>; }; };'
    )
    run("dtc", "-O", "dtb", "-o", folder / "a.dtb", folder / "a.dts")
    hashes = "".join(f'hash-{n} {{ algo = "{name}"; }}; ' for n, name in enumerate(HASHES))
    image = (
        'description = "x"; type = "kernel"; arch = "arm"; os = "linux"; compression = "none"; '
        "load = <0x40008000>; entry = <0x40008000>; "
    )
    (folder / "a.its").write_text(
        '/dts-v1/; / { description = "heron"; #address-cells = <1>; images { '
        f'kernel {{ data = /incbin/("{folder / "data"}"); {image} {hashes} }}; '
        f'extra {{ data = /incbin/("{folder / "script.txt"}"); {image} '
        'hash { algo = "sha256"; }; }; }; '
        'configurations { default = "c"; c { kernel = "kernel"; }; }; };'
    )
    made = [_whole("device tree", "devicetree", (folder / "a.dtb").read_bytes(), 4)]
    for name, flags in (("fit", ()), ("fit external", ("-E",))):
        run("mkimage", *flags, "-f", folder / "a.its", folder / "a.itb")
        blob = (folder / "a.itb").read_bytes()
        # Behind the last image mkimage pads to four bytes, which nothing points at.
        length = len(blob) if not flags else len(blob) - -(folder / "script.txt").stat().st_size % 4
        made.append(Item(name, "fit", blob, 4, length))
    return made


def _file_systems(folder: Path, root: Path) -> list[Item]:
    made = []
    out = folder / "fs"
    for compression in ("gzip", "lzma", "lzo", "lz4", "xz", "zstd"):
        out.unlink(missing_ok=True)
        options = ("-comp", compression, "-b", "16384", "-nopad", "-quiet", "-no-progress")
        run("mksquashfs", root, out, *options)
        made.append(_whole(f"squashfs {compression}", "squashfs", out.read_bytes()))
    for order in ("little", "big"):
        run("mkfs.cramfs", "-n", "heron", "-N", order, root, out)
        made.append(_whole(f"cramfs {order}", "cramfs", out.read_bytes(), 4))
        run("mkfs.cramfs", "-p", "-n", "heron", "-N", order, root, out)
        made.append(_whole(f"cramfs with room {order}", "cramfs", out.read_bytes(), 4))
    run("genromfs", "-V", "heron", "-d", root, "-f", out)
    blob = out.read_bytes()
    made.append(Item("romfs", "romfs", blob, 4, int.from_bytes(blob[8:12], "big")))
    return made


def _flash_file_systems(folder: Path, root: Path) -> list[Item]:
    made = []
    out, summed = folder / "jffs2", folder / "summed"
    for flag in ("-l", "-b"):
        run("mkfs.jffs2", flag, "-e", "64KiB", "-d", root, "-o", out)
        run("sumtool", flag, "-e", "64KiB", "-i", out, "-o", summed)
        for name, path in (("jffs2", out), ("jffs2 summed", summed)):
            blob = path.read_bytes()
            made.append(Item(f"{name} {flag}", "jffs2", blob, 4, len(blob), pieces=True))
    ubifs = folder / "ubifs"
    shape = ("-m", "8", "-e", "65408", "-c", "60")
    run("mkfs.ubifs", *shape, "-r", root, "-o", ubifs)
    blob = ubifs.read_bytes()
    made.append(Item("ubifs", "ubifs", blob, 8, len(blob), pieces=True))
    (folder / "ubi.ini").write_text(
        f"[files]\nmode=ubi\nimage={ubifs}\nvol_id=0\nvol_type=dynamic\nvol_name=files\n"
        "vol_size=3MiB\nvol_flags=autoresize\n"
        f"[kernel]\nmode=ubi\nimage={folder / 'data'}\nvol_id=1\nvol_type=static\n"
        "vol_name=kernel\nvol_size=256KiB\n"
    )
    run("ubinize", "-p", "64KiB", "-m", "1", "-o", folder / "ubi", folder / "ubi.ini")
    made.append(_whole("ubi", "ubi", (folder / "ubi").read_bytes(), 8))
    return made


def _streams(folder: Path) -> list[Item]:
    data = (folder / "data").read_bytes()
    made = []
    for name, kind, command in (
        ("gzip", "gzip", ("gzip", "-9c")),
        ("gzip -n", "gzip", ("gzip", "-1nc")),
        ("xz crc32", "xz", ("xz", "-c", "--check=crc32")),
        ("xz crc64", "xz", ("xz", "-c", "--check=crc64")),
        ("xz sha256", "xz", ("xz", "-c", "--check=sha256")),
        ("lzma", "lzma", ("xz", "-c", "--format=lzma")),
        ("bzip2", "bzip2", ("bzip2", "-c")),
        ("zstd", "zstd", ("zstd", "-c", "--check")),
        ("zstd plain", "zstd", ("zstd", "-c", "--no-check")),
        ("lz4", "lz4", ("lz4", "-c")),
        ("lz4 older form", "lz4", ("lz4", "-c", "-l")),
        ("lz4 blocks", "lz4", ("lz4", "-c", "-B4", "-BX")),
    ):
        made.append(_whole(name, kind, run(*command, feed=data)))
    return made


def _disks(folder: Path, root: Path) -> list[Item]:
    made = []
    for name, options in (("ext2", ()), ("ext4", ("-O", "metadata_csum,64bit"))):
        out = folder / name
        out.unlink(missing_ok=True)
        run("mke2fs", "-q", "-t", name, *options, "-L", "heron", "-d", root, out, "512k")
        made.append(_whole(name, "ext", out.read_bytes(), 512))
    for bits in ("12", "16"):
        out = folder / f"fat{bits}"
        out.unlink(missing_ok=True)
        size = "512" if bits == "12" else "4192"  # whole tracks, which mkfs.fat counts in
        cluster = ("-s", "1") if bits == "16" else ()
        run("mkfs.fat", "-F", bits, *cluster, "-n", "HERON", "-C", out, size)
        made.append(_whole(f"fat{bits}", "fat", out.read_bytes(), 512))
    disk = folder / "disk"
    for label, kind, offset, length in (("dos", "mbr", 0, 512), ("gpt", "gpt", 512, 92)):
        disk.write_bytes(bytes(256 << 10))
        parts = f"label: {label}\nunit: sectors\nstart=64, size=100\nstart=200, size=100\n"
        run("sfdisk", "-q", "--no-reread", "--no-tell-kernel", disk, feed=parts.encode())
        blob = disk.read_bytes()[: 64 * 512]
        made.append(Item(f"table {label}", kind, blob, 512, length, offset))
        if label == "gpt":
            made.append(Item("table gpt list", "gpt-table", blob, 512, 128 * 128, 1024))
    return made


def _credentials(folder: Path) -> list[Item]:
    key, certificate = folder / "key.pem", folder / "cert.pem"
    subject = ("-subj", "/C=XX/O=Heron/CN=gauge.example")
    run("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", *subject, "-keyout", key,
        "-out", certificate)  # fmt: skip
    made = []
    for name, kind, path in (
        ("key text", "private-key", key),
        ("certificate text", "certificate", certificate),
    ):
        blob = path.read_bytes()
        made.append(Item(name, kind, blob, 1, len(blob.rstrip(b"\n"))))
    der = run("openssl", "x509", "-in", certificate, "-outform", "DER")
    made.append(_whole("certificate", "certificate", der))
    for name, options in (("key pkcs8", ("pkcs8", "-topk8", "-nocrypt")), ("key pkcs1", ("rsa",))):
        extra = ("-traditional",) if name == "key pkcs1" else ()
        der = run("openssl", *options, *extra, "-in", key, "-outform", "DER")
        made.append(_whole(name, "private-key", der))
    run("openssl", "ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", folder / "ec.pem")
    der = run("openssl", "ec", "-in", folder / "ec.pem", "-outform", "DER")
    made.append(_whole("key sec1", "private-key", der))
    return made
