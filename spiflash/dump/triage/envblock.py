"""Environments taken apart and put together again with the right checksum.

The layout is that of `formats/environment.py`: a CRC-32 in the processor's byte order, perhaps a
flag byte, then NUL-terminated strings, an empty one at their end, and padding.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from spiflash.dump.checksums import crc32
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.hints.script import followed
from spiflash.dump.hints.variables import blocks
from spiflash.dump.layout.region import Region

_FLASH_READ = re.compile(r"^sf read \S+ (0x)?([0-9a-fA-F]{3,8}) ")
_STARTS = re.compile(r"^(boot|go\b|source\b|\w*load\b|tftp|dhcp|nfs\b|pxe\b|sysboot|run\b)")


@dataclass(frozen=True, slots=True)
class EnvBlock:
    """One environment: `length` bytes at `start`; its variables in order; whether its checksum
    holds, and in which byte order ("big" or "little")."""

    start: int
    length: int
    vouched: bool
    order: str
    redundant: bool
    variables: tuple[tuple[bytes, bytes], ...]

    @property
    def by_name(self) -> dict[bytes, bytes]:
        """The values by name."""
        return dict(self.variables)


def env_block(contents: bytes, findings: Sequence[Finding], region: Region) -> EnvBlock | None:
    """The environment that begins in a region, or None."""
    for finding in findings:
        if finding.kind == "environment" and region.start <= finding.start < region.end:
            found = [block for block in blocks(contents, [finding]) if block.saved]
            if not found:
                return None
            details = dict(finding.details)
            variables = tuple((each.name, each.value) for each in found[0].variables)
            return EnvBlock(
                finding.start,
                finding.length,
                finding.verdict is Verdict.VOUCHED,
                details.get("byte order", "").split(" ")[0] or "little",
                details.get("copies") == "redundant",
                variables,
            )
    return None


def with_values(contents: bytes, block: EnvBlock, values: Mapping[bytes, bytes | None]) -> bytes:
    """The `block.length` bytes of an environment in which `values` are set; None takes a
    variable out. New ones go to the end, the padding stays what it is.

    Raises ValueError when they do not fit.
    """
    old = contents[block.start : block.start + block.length]
    known = block.by_name
    if all(known.get(name) == value for name, value in values.items()):
        return old
    lines = [
        (name, values.get(name, value))
        for name, value in block.variables
        if values.get(name, value) is not None
    ]
    lines += [(n, v) for n, v in values.items() if n not in known and v is not None]
    text = b"".join(name + b"=" + (value or b"") + b"\0" for name, value in lines) + b"\0"
    first = 5 if block.redundant else 4
    if len(text) > block.length - first:
        raise ValueError("the variables do not fit the environment")
    body = text.ljust(block.length - first, old[-1:])
    return (
        crc32(body).to_bytes(4, "big" if block.order == "big" else "little") + old[4:first] + body
    )


def boots_nothing(block: EnvBlock, images: Sequence[int], kernels: Sequence[Region]) -> str:
    """Why the boot command starts nothing, in words; empty when it may start something.

    `images` are the addresses at which something bootable was found, `kernels` the regions
    that are meant to hold it.
    """
    text = {name.decode("latin-1"): value.decode("latin-1") for name, value in block.variables}
    if not text.get("bootcmd", "").strip():
        return "there is no boot command"
    steps = followed("bootcmd", text)
    if steps and all(step.startswith("run ") and step.endswith("(not set)") for step in steps):
        return f"the boot command runs what is not set: {steps[0][4:].split(' ')[0][:40]}"
    if not any(_STARTS.match(step) for step in steps):
        return "the boot command loads and starts nothing"
    reads = [int(match[2], 16) for step in steps if (match := _FLASH_READ.match(step))]
    places = {region.start for region in kernels}
    if reads and any(step.startswith("boot") for step in steps):
        good = [at for at in reads if at in places or at in images]
        if places and not good:
            return f"the boot command reads from {reads[0]:06X}h, where no kernel stands"
    return ""
