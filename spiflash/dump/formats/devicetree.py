"""Flattened device trees: a header, a structure block of tokens, a strings block.

Layout: Devicetree Specification v0.4, chapter 5 (from memory; the tests compare with `dtc`). No
checksum: a finding is CONSISTENT when every token, name and string offset is in order.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import places
from spiflash.dump.wording import readable

MAGIC = bytes.fromhex("d00dfeed")

_HEADER = struct.Struct(">10I")
_BEGIN, _END_NODE, _PROPERTY, _NOP, _END = 1, 2, 3, 4, 9
_DEEPEST = 64


class _MalformedError(ValueError):
    """The structure block breaks a rule."""


def find_device_trees(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Trees of version 16 and 17 whose structure block is in order from end to end."""
    budget = Budget(len(contents))  # tokens; each is at least four bytes
    done = 0
    for at in places(contents, MAGIC):
        if at < done or at + _HEADER.size > len(contents):
            continue
        finding = _read(contents, at, budget)
        if finding is not None:
            yield finding
            done = finding.end


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
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
    ):
        return None
    blob = contents[at : at + total] if budget.spend(total // 64 + 1) else b""
    try:
        nodes, root = _walk(
            blob[structure : structure + size], blob[strings : strings + strings_size], budget
        )
    except _MalformedError:
        return None
    details = [("size", f"{total} bytes"), ("version", str(version)), ("nodes", str(nodes))]
    for name in ("model", "compatible"):
        if name in root:
            values = [readable(value, 200) for value in root[name].rstrip(b"\0").split(b"\0")[:8]]
            details.append((name, ", ".join(values)))
    return Finding(
        at,
        total,
        "devicetree",
        "flattened device tree",
        Verdict.CONSISTENT,
        ("every token, name and string of the structure block is in order",),
        tuple(details),
    )


def _walk(structure: bytes, strings: bytes, budget: Budget) -> tuple[int, dict[str, bytes]]:
    """The number of nodes and the root's properties; _MalformedError when a rule is broken."""
    at = depth = nodes = 0
    root: dict[str, bytes] = {}
    while budget.spend(1):
        token = _word(structure, at)
        at += 4
        if token == _BEGIN:
            end = structure.find(b"\0", at, at + 256)
            if end < 0 or depth == _DEEPEST or (depth == 0 and nodes):
                raise _MalformedError
            at = _aligned(end + 1)
            depth += 1
            nodes += 1
        elif token == _END_NODE and depth:
            depth -= 1
        elif token == _PROPERTY and depth:
            length, name = _word(structure, at), _word(structure, at + 4)
            end = strings.find(b"\0", name, name + 256)
            if end < 0 or at + 8 + length > len(structure):
                raise _MalformedError
            if depth == 1:
                root[readable(strings[name:end])] = structure[at + 8 : at + 8 + min(length, 2048)]
            at = _aligned(at + 8 + length)
        elif token == _END and depth == 0 and nodes:
            return nodes, root
        elif token != _NOP:
            raise _MalformedError
    raise _MalformedError


def _word(block: bytes, at: int) -> int:
    if at + 4 > len(block):
        raise _MalformedError
    return int.from_bytes(block[at : at + 4], "big")


def _aligned(at: int) -> int:
    return (at + 3) & ~3
