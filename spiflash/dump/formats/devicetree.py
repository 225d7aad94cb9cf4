"""Flattened device trees: a header, a structure block of tokens, a strings block.

Layout: Devicetree Specification v0.4, chapter 5 (from memory; the tests compare with `dtc`). No
checksum: a finding is CONSISTENT when every token, name and string offset is valid.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from spiflash.dump.finding import Finding, PartitionTable, TreeFacts, Verdict
from spiflash.dump.formats import Budget, outside, places
from spiflash.dump.layout import Region
from spiflash.spans import Span
from spiflash.text import readable

MAGIC = bytes.fromhex("d00dfeed")

_HEADER = struct.Struct(">10I")
_BEGIN, _END_NODE, _PROPERTY, _NOP, _END = 1, 2, 3, 4, 9
_DEEPEST = 64
_MOST_PARTITIONS = 128
_LONGEST = 4096
"""Bytes of a property that are looked at."""

_MOST = 100_000  # nodes and properties together; a board's tree has some thousand


class _MalformedError(ValueError):
    """The structure block breaks a rule."""


@dataclass(slots=True)
class Node:
    """One node of a tree in `contents`: its properties as ranges of the dump, its children in
    order. All text is untrusted, but readable."""

    name: str
    contents: bytes = field(repr=False)
    properties: dict[str, Span] = field(default_factory=dict)
    children: list[Node] = field(default_factory=list)

    def value(self, name: str) -> bytes:
        """The first 4 KiB of a property; empty when there is none."""
        start, end = self.properties.get(name, (0, 0))
        return self.contents[start : min(end, start + _LONGEST)]

    def text(self, name: str) -> str:
        """The first string of a property; empty when there is none."""
        return readable(self.value(name).split(b"\0")[0], _LONGEST)

    def strings(self, name: str) -> tuple[str, ...]:
        """The strings of a property, sixteen at most."""
        raw = self.value(name).rstrip(b"\0")
        return tuple(readable(part, 200) for part in raw.split(b"\0")[:16]) if raw else ()

    def number(self, name: str) -> int | None:
        """A property of one 32-bit cell; None for any other."""
        raw = self.value(name)
        return int.from_bytes(raw, "big") if len(raw) == 4 else None

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


@dataclass(frozen=True, slots=True)
class Tree:
    """A tree whose structure is valid: `total` bytes from `start`."""

    start: int
    total: int
    version: int
    nodes: int
    root: Node


def find_device_trees(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Trees of version 16 and 17 whose structure block is valid from end to end.

    A tree with a node "images" is a FIT image, which has a search of its own.
    """
    for tree in trees(contents, packed):
        if tree.root.child("images") is None:
            yield device_tree(tree)


def trees(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Tree]:
    """All valid trees, also those within a property of another."""
    # Tokens: a hundred trees of the usual size in 16 MiB, and some seconds at the most.
    budget = Budget((1 << 18) + len(contents) // 16)
    for at in outside(places(contents, MAGIC), packed):
        tree = _read(contents, at, budget)
        if tree is not None:
            yield tree


def _read(contents: bytes, at: int, budget: Budget) -> Tree | None:
    if at + _HEADER.size > len(contents):
        return None
    (_, total, structure, strings, reserved, version, compatible, _cpu, strings_size, size) = (
        _HEADER.unpack_from(contents, at)
    )
    if version == 16:  # has no such field yet: what follows the header is something else
        size = (strings if strings > structure else total) - structure
    if (
        not 16 <= compatible <= version <= 17
        or not _HEADER.size < total <= len(contents) - at
        or structure % 4
        or not 0 < size <= total - structure
        or strings + strings_size > total
        or reserved + 16 > total
        or not budget.spend(total // 64 + 1)
    ):
        return None
    names = contents[at + strings : at + strings + strings_size]
    try:
        nodes, root = _walk(contents, at + structure, at + structure + size, names, budget)
    except _MalformedError:
        return None
    return Tree(at, total, version, nodes, root)


def device_tree(tree: Tree) -> Finding:
    """The finding for a tree that carries no images."""
    root = tree.root
    chosen = root.child("chosen")
    said = {name: root.strings(name)[:8] for name in ("model", "compatible")}
    return Finding(
        tree.start,
        tree.total,
        "devicetree",
        "flattened device tree",
        Verdict.CONSISTENT,
        ("every token, name and string of the structure block is valid",),
        (
            ("size", f"{tree.total} bytes"),
            ("version", str(tree.version)),
            ("nodes", str(tree.nodes)),
            *((name, ", ".join(said[name])) for name in said if name in root.properties),
        ),
        facts=TreeFacts(
            model=next(iter(said["model"]), ""),
            compatible=said["compatible"],
            console=chosen.text("stdout-path") if chosen else "",
            arguments=chosen.text("bootargs") if chosen else "",
            serial=root.properties.get("serial-number", (0, 0)),
            tables=tuple(_tables(root)),
        ),
    )


def _tables(root: Node) -> Iterator[PartitionTable]:
    """Every partition table of the tree, in its order.

    Bindings: Linux, Documentation/devicetree/bindings/mtd/partitions/fixed-partitions.yaml and
    partition.yaml (from memory): a node with compatible "fixed-partitions" under the flash has a
    node for each partition; in older trees the partitions are directly under the flash. `reg` is an
    offset and a length, in as many 32-bit cells as the parent says.
    """
    for node in root.walk():
        if not node.children:
            continue
        fixed = next((each for each in node.children if _is_table(each)), None)
        words = () if fixed or _is_table(node) else node.strings("compatible")
        older = any("nor" in word or "flash" in word for word in words)
        if holder := fixed or (node if older else None):
            partitions = tuple(_partitions(holder))
            if partitions:
                yield PartitionTable(node.name, partitions)


def _is_table(node: Node) -> bool:
    return "compatible" in node.properties and "fixed-partitions" in node.strings("compatible")


def _partitions(table: Node) -> Iterator[Region]:
    address, size = table.number("#address-cells"), table.number("#size-cells")
    # Defaults of the Devicetree Specification, section 2.3.5.
    address = 2 if address is None else address
    size = 1 if size is None else size
    if not (1 <= address <= 2 and 1 <= size <= 2):
        return
    for node in table.children[:_MOST_PARTITIONS]:
        register = node.value("reg")
        if len(register) >= 4 * (address + size):
            start = int.from_bytes(register[: 4 * address], "big")
            length = int.from_bytes(register[4 * address : 4 * (address + size)], "big")
            name = node.text("label") or node.name.partition("@")[0]
            yield Region(name, start, length)


def _walk(contents: bytes, at: int, limit: int, strings: bytes, budget: Budget) -> tuple[int, Node]:
    """The number of nodes and the root; _MalformedError for an error in the structure.

    Tokens from `at` to `limit`; padding counts from `at`, as the format says.
    """
    base, nodes, left = at, 0, Budget(_MOST)
    path: list[Node] = []
    root: Node | None = None
    while budget.spend(1):
        token = _word(contents, at, limit)
        at += 4
        if token in (_BEGIN, _PROPERTY) and not left.spend(1):
            raise _MalformedError
        if token == _BEGIN:
            end = contents.find(b"\0", at, min(at + 256, limit))
            if end < 0 or len(path) == _DEEPEST or (root is not None and not path):
                raise _MalformedError
            node = Node(readable(contents[at:end]), contents)
            if path:
                path[-1].children.append(node)
            else:
                root = node
            path.append(node)
            at = base + _aligned(end + 1 - base)
            nodes += 1
        elif token == _END_NODE and path:
            path.pop()
        elif token == _PROPERTY and path:
            length, name = _word(contents, at, limit), _word(contents, at + 4, limit)
            end = strings.find(b"\0", name, name + 256)
            if end < 0 or at + 8 + length > limit:
                raise _MalformedError
            path[-1].properties[readable(strings[name:end])] = (at + 8, at + 8 + length)
            at = base + _aligned(at + 8 + length - base)
        elif token == _END and root is not None and not path:
            return nodes, root
        elif token != _NOP:
            raise _MalformedError
    raise _MalformedError


def _word(contents: bytes, at: int, limit: int) -> int:
    if at + 4 > limit:
        raise _MalformedError
    return int.from_bytes(contents[at : at + 4], "big")


def _aligned(at: int) -> int:
    return (at + 3) & ~3
