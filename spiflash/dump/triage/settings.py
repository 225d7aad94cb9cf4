"""Environments judged: checksum, boot command, whose they are."""

from __future__ import annotations

from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.alone import (
    IMAGES,
)
from spiflash.dump.triage.differences import by_bits, out_of_place
from spiflash.dump.triage.envblock import boots_nothing, env_block
from spiflash.dump.triage.known import Known, identity_in
from spiflash.dump.triage.result import Kind, RegionFinding
from spiflash.dump.uboot_env import Environment


def judge_environment(known: Known, region: Region) -> RegionFinding:
    chip = known.chip
    block = env_block(chip.findings, region)
    where = ((region.start, region.end),)
    expected = known.own
    if block is None:
        if expected is not None:
            right = expected.sized(len(chip.contents))[region.start : region.end]
            chunk = chip.contents[region.start : region.end]
            found = by_bits(region, chunk, right, where) or out_of_place(region, chunk, right)
            if found is not None and found.kind is not Kind.BIT_ROT:
                return found
        return RegionFinding(
            region, Kind.ENV_CHECKSUM, "no checksum holds, and no variables are found", where
        )
    if not block.checksum_ok:
        if expected is not None:
            right = expected.sized(len(chip.contents))[region.start : region.end]
            chunk = chip.contents[region.start : region.end]
            found = by_bits(region, chunk, right, where)
            if found is not None and found.kind is not Kind.BIT_ROT:
                return found
        return RegionFinding(
            region,
            Kind.ENV_CHECKSUM,
            f"its checksum fails; {len(block.variables)} variables can be read",
            where,
        )
    return _whole_environment(known, region, block)


def _whole_environment(known: Known, region: Region, block: Environment) -> RegionFinding:
    chip = known.chip
    images = [each.start for each in chip.findings if each.kind in IMAGES]
    kernels = [each for each in chip.layout.regions if each.role is Role.KERNEL]
    problem = boots_nothing(block, images, kernels)
    where = ((block.start, block.end),)
    if problem:
        return RegionFinding(region, Kind.ENV_NO_BOOT, problem, where)
    if known.own is not None:
        theirs, ours = identity_in(chip, region), identity_in(known.own, region)
        if theirs and ours and not theirs & ours:
            names = ", ".join(sorted(text for _, text in theirs))
            return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", where)
        if ours and not theirs:
            lacking = ", ".join(sorted(text for _, text in ours))
            return RegionFinding(region, Kind.OWN_LOST, f"it lacks {lacking}", where)
        return RegionFinding(region, Kind.INTACT, "its checksum holds; changed since the backup")
    return RegionFinding(region, Kind.INTACT, "its checksum holds")
