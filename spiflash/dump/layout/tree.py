"""Partitions in flattened device trees.

Bindings: Linux, Documentation/devicetree/bindings/mtd/partitions/fixed-partitions.yaml and
partition.yaml (from memory). A node `partitions` with compatible "fixed-partitions" under the
flash holds a node for each partition; in older trees the partitions stand directly under the
flash. `reg` is an offset and a length, in as many 32-bit cells as the parent says.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from spiflash.dump.layout.partitions import MOST, Partition
from spiflash.text import readable

_BEGIN, _END_NODE, _PROPERTY, _NOP = 1, 2, 3, 4
_DEEPEST = 64
_MOST_NODES = 20_000
_CELL = struct.Struct(">I")


@dataclass(slots=True)
class Node:
    """A node while its tree is read: name, properties, children in order."""

    name: str
    properties: dict[str, bytes] = field(default_factory=dict)
    children: list[Node] = field(default_factory=list)

    def text(self, name: str) -> str:
        """The first string of a property, made readable; empty when there is none."""
        return readable(self.properties.get(name, b"").split(b"\0")[0], 4000)

    def strings(self, name: str) -> list[str]:
        """All strings of a property."""
        value = self.properties.get(name, b"").rstrip(b"\0")
        return [readable(part, 200) for part in value.split(b"\0")[:16]]

    def cells(self, name: str, default: int) -> int:
        """A property of one cell."""
        value = self.properties.get(name, b"")
        return int(_CELL.unpack(value)[0]) if len(value) == 4 else default

    def child(self, name: str) -> Node | None:
        """The child with that name."""
        return next((child for child in self.children if child.name == name), None)

    def walk(self) -> Iterator[Node]:
        """This node and all below it, parents first."""
        stack = [self]
        while stack:
            node = stack.pop()
            yield node
            stack.extend(reversed(node.children))


def read_tree(blob: bytes) -> Node | None:
    """The root node of a flattened device tree (Devicetree Specification, chapter 5).

    `blob` begins with the header. None when it is not in order from end to end.
    """
    if len(blob) < 40:
        return None
    structure, strings = struct.unpack_from(">2I", blob, 8)
    top = Node("")
    path = [top]
    at, nodes = structure, 0
    try:
        while len(path) > 1 or nodes == 0:
            token = _CELL.unpack_from(blob, at)[0]
            at += 4
            if token == _BEGIN and len(path) < _DEEPEST and nodes < _MOST_NODES:
                end = blob.index(b"\0", at, at + 256)
                node = Node(readable(blob[at:end], 255))
                path[-1].children.append(node)
                path.append(node)
                nodes += 1
                at = end + 4 & ~3
            elif token == _END_NODE and len(path) > 1:
                path.pop()
            elif token == _PROPERTY and len(path) > 1:
                length, name = struct.unpack_from(">2I", blob, at)
                end = blob.index(b"\0", strings + name, strings + name + 256)
                value = blob[at + 8 : at + 8 + length]
                path[-1].properties[readable(blob[strings + name : end], 255)] = value
                at = at + 8 + length + 3 & ~3
            elif token != _NOP:
                return None
    except (struct.error, ValueError):
        return None
    return top.children[0]


@dataclass(frozen=True, slots=True)
class FlashNode:
    """The partitions of one flash node, and the node's name."""

    name: str
    partitions: tuple[Partition, ...]


def flash_partitions(root: Node) -> list[FlashNode]:
    """Every partition table of the tree, in its order."""
    found = []
    for node in root.walk():
        if "fixed-partitions" in node.strings("compatible"):
            continue  # taken together with the flash it belongs to
        table = next(
            (c for c in node.children if "fixed-partitions" in c.strings("compatible")), None
        )
        partitions = _table(table) if table is not None else _legacy(node)
        if partitions:
            found.append(FlashNode(node.name, partitions))
    return found


def _legacy(node: Node) -> tuple[Partition, ...]:
    if not any("nor" in word or "flash" in word for word in node.strings("compatible")):
        return ()
    return _table(node)


def _table(table: Node) -> tuple[Partition, ...]:
    address = table.cells("#address-cells", 2)
    size = table.cells("#size-cells", 1)
    if not (1 <= address <= 2 and 1 <= size <= 2):
        return ()
    found = []
    for node in table.children[:MOST]:
        register = node.properties.get("reg", b"")
        if len(register) < 4 * (address + size):
            continue
        start = int.from_bytes(register[: 4 * address], "big")
        length = int.from_bytes(register[4 * address : 4 * (address + size)], "big")
        name = node.text("label") or node.name.partition("@")[0]
        found.append(Partition(name, start, length))
    return tuple(found)
