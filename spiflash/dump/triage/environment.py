"""Environments judged: checksum, twin, boot command, whose they are."""

from __future__ import annotations

import re
from collections.abc import Sequence

from spiflash.dump.boot_script import followed
from spiflash.dump.finding import Finding, environments
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.secrets import masked
from spiflash.dump.triage.differences import by_bits, out_of_place
from spiflash.dump.triage.reference import Known, Reference, identity_in
from spiflash.dump.triage.result import Kind, Proof, RegionFinding
from spiflash.dump.uboot_env import Environment
from spiflash.text import readable

_FLASH_READ = re.compile(r"^sf read \S+ (0x)?([0-9a-fA-F]{1,8}) ")
_BOOTS = frozenset(
    {
        *("boot", "bootd", "bootm", "bootz", "booti", "bootp", "bootelf", "bootvx", "bootefi"),
        *("bootflow", "bootmenu", "boota", "bootux", "bootaux", "bootcount", "bootstage"),
        *("bootstd", "bootdev", "bootmeth"),
    }
)
"""Commands of U-Boot that begin with "boot" (doc/usage/cmd; from memory). Vendors add others."""

_IDLE = frozenset(
    {
        *("echo", "setenv", "saveenv", "printenv", "env", "sleep", "sf", "mtd", "nand", "mmc"),
        *("usb", "sata", "scsi", "cp", "cp.b", "mw", "mw.b", "md", "cmp", "crc32", "test", "true"),
        *("false", "itest", "gpio", "led", "mtdparts", "ubi", "imls", "iminfo", "imi", "protect"),
        *("erase", "exit", "version", "help", "mii", "base", "reset", "silent"),
    }
)
"""Commands that start nothing. Any other may: vendors have commands of their own."""

_SHOWN = 60


def env_block(findings: Sequence[Finding], region: Region) -> Environment | None:
    """The saved environment that begins in a region, or None."""
    return next(
        (
            each
            for each in environments(findings)
            if each.saved and region.start <= each.start < region.end
        ),
        None,
    )


def twin(reference: Reference, region: Region) -> Environment | None:
    """The other copy of a redundant pair, where that one is whole; None where there is none."""
    return next(
        (
            each
            for each in environments(reference.findings)
            if each.saved
            and each.redundant
            and each.checksum_ok
            and not region.start <= each.start < region.end
        ),
        None,
    )


def as_text(block: Environment) -> dict[str, str]:
    """The variables as text, each byte one character."""
    return {
        name.decode("latin-1"): value.decode("latin-1") for name, value in block.by_name.items()
    }


def boots_nothing(block: Environment, images: Sequence[int], kernels: Sequence[Region]) -> str:
    """Why the boot command starts nothing, in words; empty when it may start something.

    `images` are the addresses at which something bootable was found, `kernels` the regions
    that are meant to hold it.
    """
    text = as_text(block)
    if not text.get("bootcmd", "").strip():
        return "there is no boot command"
    steps = followed("bootcmd", text)
    if steps and all(step.missing for step in steps):
        return f"the boot command runs a variable that is not set: {steps[0].missing[:40]}"
    if all(step.missing or step.verb in _IDLE for step in steps):
        return "the boot command loads and starts nothing"
    reads = [int(match[2], 16) for step in steps if (match := _FLASH_READ.match(step.command))]
    if reads and kernels and any(step.verb.startswith("boot") for step in steps):
        good = [at for at in reads if at in images or any(r.start <= at < r.end for r in kernels)]
        if not good:
            return f"the boot command reads from {reads[0]:06X}h, where no kernel stands"
    return ""


def boots_otherwise(now: Environment, then: Environment) -> tuple[str, bool]:
    """How the boot command differs from the backup's, in words, empty where it does not; and
    whether it has a command that no U-Boot is known to have, and the backup's has not."""
    a, b = as_text(now), as_text(then)
    steps, wanted = followed("bootcmd", a), followed("bootcmd", b)
    if steps == wanted:
        return "", False
    names = [
        name for name in dict.fromkeys((*reached(a), *reached(b))) if a.get(name) != b.get(name)
    ]
    step = next((str(each) for each in steps if each not in wanted), "nothing")
    instead = next((str(each) for each in wanted if each not in steps), "nothing")
    shown = [masked("bootcmd", each)[:_SHOWN] for each in (step, instead)]
    verbs = {each.verb for each in wanted}
    strange = any(
        verb.startswith("boot") and verb not in _BOOTS and verb not in verbs
        for verb in (each.verb for each in steps)
    )
    which = ", ".join(readable(name.encode("latin-1"), 40) for name in names[:4]) or "bootcmd"
    return f"{which}: “{shown[0]}” where the backup has “{shown[1]}”", strange


def reached(variables: dict[str, str]) -> list[str]:
    """bootcmd and the variables that it runs, in turn."""
    found = ["bootcmd"]
    for name in found:
        for match in re.finditer(r"\brun ([^;&|]+)", variables.get(name, "")):
            found += [each for each in match[1].split() if each not in found]
        if len(found) > 100:
            break
    return found


def judge_environment(known: Known, region: Region) -> RegionFinding:
    """The finding for an environment's region that is neither blank nor as in the backup."""
    chip = known.chip
    block = env_block(chip.findings, region)
    if block is None or not block.checksum_ok:
        return _without_checksum(known, region, block)
    images = [each.start for each in chip.findings if each.kind in ("uboot-image", "fit")]
    kernels = [each for each in chip.layout.regions if each.role is Role.KERNEL]
    problem = boots_nothing(block, images, kernels)
    where = ((block.start, block.start + block.length),)
    if problem:
        return RegionFinding(region, Kind.ENV_NO_BOOT, problem, where)
    whole = RegionFinding(region, Kind.INTACT, "its checksum holds", proof=Proof.CHECKSUM)
    if known.own is None:
        return whole
    theirs, ours = identity_in(chip, region), identity_in(known.own, region)
    if theirs and ours and not theirs & ours:
        names = ", ".join(sorted(text for _, text in theirs))
        return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", where)
    if ours and not theirs:
        lacking = ", ".join(sorted(text for _, text in ours))
        return RegionFinding(region, Kind.OWN_LOST, f"it lacks {lacking}", where)
    then = env_block(known.own.findings, region)
    if then is not None:
        how, strange = boots_otherwise(block, then)
        if how:
            kind = Kind.ENV_NO_BOOT if strange else Kind.NOT_CHECKED
            return RegionFinding(region, kind, how, where)
    return RegionFinding(
        region, Kind.INTACT, "its checksum holds; changed since the backup", proof=Proof.CHECKSUM
    )


def _without_checksum(known: Known, region: Region, block: Environment | None) -> RegionFinding:
    chip = known.chip
    where = ((region.start, region.end),)
    if known.own is not None:
        right = known.own.sized(len(chip.contents))[region.start : region.end]
        chunk = chip.contents[region.start : region.end]
        found = by_bits(region, chunk, right, where)
        if found is None and block is None:
            found = out_of_place(region, chunk, right)
        if found is not None and found.kind is not Kind.BIT_ROT:
            return found
    other = twin(chip, region)
    beside = f"; its other copy at {other.start:06X}h is whole" if other is not None else ""
    if block is not None:
        count = len(block.variables)
        return RegionFinding(
            region,
            Kind.ENV_CHECKSUM,
            f"its checksum fails; {count} variables can be read{beside}",
            ((block.start, min(block.end, region.end)),),
        )
    # Other loaders have environments of other forms: a name is no proof of this one.
    expected = [e for e in (known.own, known.model) if e is not None and e.reaches(region)]
    if any(env_block(each.findings, region) is not None for each in expected):
        text = f"no checksum holds, and no variables are found{beside}"
        return RegionFinding(region, Kind.ENV_CHECKSUM, text, where)
    return RegionFinding(region, Kind.NOT_CHECKED, "no environment of a known form is found in it")
