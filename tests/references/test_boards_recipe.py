"""The demo board's pieces against the Debian tools that made them.

References: `dumpimage` (u-boot-tools), `unsquashfs` (squashfs-tools), `fdtget`
(device-tree-compiler), and the recipe itself.
"""

from __future__ import annotations

import lzma
import re
import subprocess
from pathlib import Path

import pytest

from hwmocks.boards import heron

BOARDS = Path(heron.__file__).parent
DATA = BOARDS / "data"


def run(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


RECIPE_TOOLS = ("mkimage", "mkenvimage", "mksquashfs", "mkfs.jffs2", "dtc", "xz", "gzip")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folders = [tmp_path_factory.mktemp("recipe") for _ in range(2)]
    for folder in folders:
        run("sh", BOARDS / "recipe.sh", folder)
    return folders


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def uncompressed(pieces: dict[str, bytes]) -> dict[str, bytes]:
    """The pieces that no compressor has a part in."""
    plain = {name: piece for name, piece in pieces.items() if name.endswith(".dtb")}
    for name in ("factory-env.xz", "open-env.xz", "factory-readings.xz"):
        plain[name] = lzma.decompress(pieces[name])
    return plain


@pytest.mark.needs(*RECIPE_TOOLS)
def test_the_recipe_gives_the_same_bytes_on_every_run(made: list[Path]) -> None:
    assert contents(made[0]) == contents(made[1])


@pytest.mark.needs(*RECIPE_TOOLS)
def test_the_recipe_gives_the_committed_bytes(made: list[Path]) -> None:
    ours, fresh = contents(DATA), contents(made[0])
    assert ours.keys() == fresh.keys()
    if ours["tools.txt"] != fresh["tools.txt"]:  # other compressors pack otherwise
        ours, fresh = uncompressed(ours), uncompressed(fresh)
    assert [name for name in fresh if fresh[name] != ours[name]] == []


def cut(tmp_path: Path, image: bytes, name: str, size: int | None = None) -> Path:
    """A file with a partition's first `size` bytes (`dumpimage` takes no trailing bytes)."""
    partition = next(p for p in heron.PARTITIONS if p.name == name)
    path = tmp_path / name
    path.write_bytes(image[partition.start : partition.end][:size])
    return path


@pytest.mark.needs("dumpimage")
def test_dumpimage_reads_the_kernels(tmp_path: Path) -> None:
    size = (DATA / "factory-kernel.uimage").stat().st_size
    listing = run("dumpimage", "-l", cut(tmp_path, heron.heron_factory(), "kernel", size))
    assert "Linux-4.14.138 heron\n" in listing
    assert "ARM Linux Kernel Image (lzma compressed)" in listing
    assert f"Data Size:    {size - 64} Bytes" in listing
    size = (DATA / "open-kernel.uimage").stat().st_size
    listing = run("dumpimage", "-l", cut(tmp_path, heron.heron_open(), "kernel", size))
    assert "ARM Linux Kernel Image (gzip compressed)" in listing
    assert f"Data Size:    {size - 64} Bytes" in listing


@pytest.mark.parametrize(("board", "compression"), [("factory", "xz"), ("open", "gzip")])
@pytest.mark.needs("unsquashfs")
def test_unsquashfs_reads_the_root_file_system(
    tmp_path: Path, board: str, compression: str
) -> None:
    image = heron.heron_factory() if board == "factory" else heron.heron_open()
    path = cut(tmp_path, image, "rootfs")
    summary = run("unsquashfs", "-s", path)
    assert f"Compression {compression}\n" in summary
    size = re.search(r"Filesystem size (\d+) bytes", summary)
    assert size is not None
    used = (DATA / f"{board}-rootfs.squashfs").stat().st_size
    assert used - 4096 < int(size[1]) <= used  # mksquashfs pads to 4 KiB
    assert "Heron stream gauge" in run("unsquashfs", "-cat", path, "etc/banner")


@pytest.mark.parametrize("board", ["factory", "open"])
@pytest.mark.needs("fdtget")
def test_fdtget_reads_the_device_tree(tmp_path: Path, board: str) -> None:
    image = heron.heron_factory() if board == "factory" else heron.heron_open()
    path = cut(tmp_path, image, "dtb")
    assert run("fdtget", path, "/", "model").startswith("Heron stream gauge")
