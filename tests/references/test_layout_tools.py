"""Layouts and hints against trees and environments made by others.

References: `dtc` and `fdtget` (device-tree-compiler), `mkenvimage` (u-boot-tools), Debian's.
Bindings: Linux, mtd/partitions/fixed-partitions.yaml and partition.yaml.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.hints import hints
from spiflash.dump.identity import identity
from spiflash.dump.layout.find import find_layouts

SIZE = 4 << 20

NODES = {
    "boot": (0, 0x40000),
    "u-boot-env": (0x40000, 0x10000),
    "factory": (0x50000, 0x10000),
    "firmware": (0x60000, SIZE - 0x60000),
}


def run(*command: str | Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def tree(folder: Path, flash: str, chosen: str = "") -> bytes:
    source = (
        "/dts-v1/; / { #address-cells = <1>; #size-cells = <1>; chosen { " + chosen + " };"
        "spi@1000 { #address-cells = <1>; #size-cells = <0>; flash@0 { reg = <0>;"
        'compatible = "jedec,spi-nor"; ' + flash + " }; }; };"
    )
    (folder / "board.dts").write_text(source)
    run("dtc", "-q", "-O", "dtb", "-o", folder / "board.dtb", folder / "board.dts")
    return (folder / "board.dtb").read_bytes()


def dump(tree: bytes, at: int = 0x123000) -> bytes:
    return (b"\xff" * at + tree).ljust(SIZE, b"\xff")


def ranges(contents: bytes) -> dict[str, tuple[int, int]]:
    known = find_layouts(contents, survey(contents))[0]
    return {each.name: (each.start, each.length) for each in known.layout.regions}


def partitions(cells: int, sizes: int, label: bool) -> str:
    text = f"#address-cells = <{cells}>; #size-cells = <{sizes}>;"
    for name, (start, length) in NODES.items():
        register = "0 " * (cells - 1) + hex(start) + " " + "0 " * (sizes - 1) + hex(length)
        if label:
            text += f'partition@{start:x} {{ label = "{name}"; reg = <{register}>; }};'
        else:
            text += f"{name}@{start:x} {{ reg = <{register}>; }};"
    return text


@pytest.mark.needs("dtc", "fdtget")
@pytest.mark.parametrize("cells", [1, 2])
@pytest.mark.parametrize("sizes", [1, 2])
@pytest.mark.parametrize("label", [True, False])
@pytest.mark.parametrize("legacy", [True, False])
def test_partitions_of_a_device_tree(
    tmp_path: Path, cells: int, sizes: int, label: bool, legacy: bool
) -> None:
    inner = partitions(cells, sizes, label)
    if legacy and label:
        # Older trees have the partitions directly under the flash.
        flash = inner
    else:
        flash = 'partitions { compatible = "fixed-partitions"; ' + inner + " };"
    contents = dump(tree(tmp_path, flash))
    assert ranges(contents) == NODES
    parent = "/spi@1000/flash@0" + ("" if legacy and label else "/partitions")
    for name, (start, length) in NODES.items():
        node = f"{parent}/{'partition' if label else name}@{start:x}"
        words = run("fdtget", "-t", "x", tmp_path / "board.dtb", node, "reg").split()
        assert int(words[cells - 1], 16) == start
        assert int(words[-1], 16) == length


@pytest.mark.needs("dtc")
def test_boot_arguments_of_a_tree_outweigh_its_nodes(tmp_path: Path) -> None:
    chosen = 'bootargs = "console=ttyS2,9600 mtdparts=spi0.0:1m(a),-(b)"; '
    chosen += 'stdout-path = "serial3:57600n8";'
    table = 'partitions { compatible = "fixed-partitions"; ' + partitions(1, 1, True) + " };"
    contents = dump(tree(tmp_path, table, chosen))
    assert ranges(contents) == {"a": (0, 1 << 20), "b": (1 << 20, SIZE - (1 << 20))}
    found = find_layouts(contents, survey(contents))
    assert [len(each.layout.regions) for each in found[:2]] == [2, len(NODES)]
    consoles = hints(survey(contents)).consoles
    assert {(each.device, each.speed) for each in consoles} == {("ttyS2", 9600), ("serial3", 57600)}


VARIABLES = {
    "bootcmd": "run net || run card",
    "net": "tftpboot ${addr} ${file}",
    "card": "ext4load mmc 0:2 ${addr} /boot/${file}",
    "addr": "0x42000000",
    "file": "uImage-own",
    "bootargs": "console=ttyS1,57600 mtdparts=nor:256k(boot),64k(env),64k(art)ro,-(rest)",
    "ethaddr": "00:00:5e:00:53:a1",
    "eth1addr": "00:00:5e:00:53:a2",
    "serial#": "HG-2031-0007",
    "wlan_psk": "quite-secret",
}


@pytest.mark.needs("mkenvimage")
@pytest.mark.parametrize("redundant", [True, False])
@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("size", [4096, 16384, 65536])
def test_what_mkenvimage_makes(tmp_path: Path, redundant: bool, order: str, size: int) -> None:
    (tmp_path / "text").write_text("".join(f"{k}={v}\n" for k, v in VARIABLES.items()))
    options = [*(["-r"] if redundant else []), *(["-b"] if order == "big" else [])]
    run("mkenvimage", *options, "-s", str(size), "-o", tmp_path / "env", tmp_path / "text")
    contents = (b"\xff" * 0x40000 + (tmp_path / "env").read_bytes()).ljust(SIZE, b"\xff")
    findings = survey(contents)
    found = hints(findings, show_secrets=True)
    (environment,) = found.environments
    assert environment.checksum_ok
    assert dict(environment.variables) == VARIABLES
    assert environment.command == ("tftpboot ${addr} ${file}",
                                   "ext4load mmc 0:2 ${addr} /boot/${file}")  # fmt: skip
    assert {(each.file, each.medium) for each in found.loads} == {
        ("uImage-own", "network"),
        ("/boot/uImage-own", "SD card"),
    }
    layout = find_layouts(contents, findings)[0].layout
    assert {each.name: each.start for each in layout.regions} == {
        "boot": 0, "env": 0x40000, "art": 0x50000, "rest": 0x60000}  # fmt: skip
    assert [each.name for each in layout.kept] == ["art"]
    own = identity(contents, findings, layout)
    assert {(each.kind, each.name) for each in own} == {
        ("mac", "ethaddr"),
        ("mac", "eth1addr"),
        ("serial", "serial#"),
        ("key", "wlan_psk"),
    }
    for item in own:
        assert contents[item.start : item.end].decode() == VARIABLES[item.name]
    assert "quite-secret" not in repr(own)
