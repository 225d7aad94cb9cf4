"""Whether an environment starts anything, and which one a region holds."""

from __future__ import annotations

import re
from collections.abc import Sequence

from spiflash.dump.finding import Finding
from spiflash.dump.hints.script import followed
from spiflash.dump.layout.region import Region
from spiflash.dump.uboot_env import Environment

_FLASH_READ = re.compile(r"^sf read \S+ (0x)?([0-9a-fA-F]{3,8}) ")
_STARTS = re.compile(r"^(boot|go\b|source\b|\w*load\b|tftp|dhcp|nfs\b|pxe\b|sysboot|run\b)")


def env_block(findings: Sequence[Finding], region: Region) -> Environment | None:
    """The saved environment that begins in a region, or None."""
    for finding in findings:
        facts = finding.facts
        if (
            isinstance(facts, Environment)
            and facts.saved
            and region.start <= finding.start < region.end
        ):
            return facts
    return None


def boots_nothing(block: Environment, images: Sequence[int], kernels: Sequence[Region]) -> str:
    """Why the boot command starts nothing, in words; empty when it may start something.

    `images` are the addresses at which something bootable was found, `kernels` the regions
    that are meant to hold it.
    """
    text = {each.name.decode("latin-1"): each.value.decode("latin-1") for each in block.variables}
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
