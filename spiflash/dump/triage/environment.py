"""Environments: judged by checksum, twin, boot command and whose they are; and made anew from an
image's with this board's own values.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.boot_script import followed
from spiflash.dump.finding import Finding, saved_environments
from spiflash.dump.identity import OwnItem, forms
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.secrets import masked
from spiflash.dump.triage.chip_state import by_bits, out_of_place
from spiflash.dump.triage.references import Reference, References, identity_in
from spiflash.dump.triage.result import Kind, Proof, RegionFinding
from spiflash.dump.uboot_env import Environment, set_variables
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
    return next((e for e in saved_environments(findings) if region.holds(e.start)), None)


def twin(reference: Reference, region: Region) -> Environment | None:
    """The other copy of a redundant pair, where that one is whole; None where there is none."""
    whole = [e for e in saved_environments(reference.findings) if e.redundant and e.checksum_ok]
    return next((each for each in whole if not region.holds(each.start)), None)


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
            return f"the boot command reads from {reads[0]:06X}h, and no kernel is there"
    return ""


def boots_otherwise(now: Environment, then: Environment) -> tuple[str, bool]:
    """How the boot command differs from the backup's, in words, empty where it does not; and
    whether it has a command that no U-Boot is known to have, and the backup's has not."""
    a, b = as_text(now), as_text(then)
    steps, wanted = followed("bootcmd", a), followed("bootcmd", b)
    if steps == wanted:
        return "", False
    names = [
        name
        for name in dict.fromkeys((*variables_run(a), *variables_run(b)))
        if a.get(name) != b.get(name)
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


def variables_run(variables: dict[str, str]) -> list[str]:
    """bootcmd and the variables that it runs, in turn."""
    found = ["bootcmd"]
    for name in found:
        for match in re.finditer(r"\brun ([^;&|]+)", variables.get(name, "")):
            found += [each for each in match[1].split() if each not in found]
        if len(found) > 100:
            break
    return found


def judge_environment(refs: References, region: Region) -> RegionFinding:
    """The finding for an environment's region that is neither blank nor as in the backup."""
    chip = refs.chip
    block = env_block(chip.findings, region)
    if block is None or not block.checksum_ok:
        return _without_checksum(refs, region, block)
    images = [each.start for each in chip.findings if each.kind in ("uboot-image", "fit")]
    kernels = [each for each in chip.layout.regions if each.role is Role.KERNEL]
    problem = boots_nothing(block, images, kernels)
    where = ((block.start, block.start + block.length),)
    if problem:
        return RegionFinding(region, Kind.ENV_NO_BOOT, problem, where)
    whole = RegionFinding(region, Kind.INTACT, "checksum OK", proof=Proof.CHECKSUM)
    if refs.backup is None:
        return whole
    theirs, ours = identity_in(chip, region), identity_in(refs.backup, region)
    if theirs and ours and not theirs & ours:
        names = ", ".join(sorted(text for _, text in theirs))
        return RegionFinding(region, Kind.FOREIGN, f"it names another board: {names}", where)
    if ours and not theirs:
        missing = ", ".join(sorted(text for _, text in ours))
        return RegionFinding(region, Kind.OWN_LOST, f"{missing} missing", where)
    then = env_block(refs.backup.findings, region)
    if then is not None:
        how, strange = boots_otherwise(block, then)
        if how:
            kind = Kind.ENV_NO_BOOT if strange else Kind.NOT_CHECKED
            return RegionFinding(region, kind, how, where)
    return RegionFinding(
        region, Kind.INTACT, "checksum OK; changed since the backup", proof=Proof.CHECKSUM
    )


def _without_checksum(refs: References, region: Region, block: Environment | None) -> RegionFinding:
    chip = refs.chip
    where = (region.span,)
    if refs.backup is not None:
        right = region.of(refs.backup.sized(len(chip.contents)))
        chunk = region.of(chip.contents)
        found = by_bits(region, chunk, right, where)
        if found is None and block is None:
            found = out_of_place(region, chunk, right)
        if found is not None and found.kind is not Kind.BIT_ROT:
            return found
    other = twin(chip, region)
    beside = f"; its other copy at {other.start:06X}h is OK" if other is not None else ""
    if block is not None:
        count = len(block.variables)
        return RegionFinding(
            region,
            Kind.ENV_CHECKSUM,
            f"checksum FAILS; {count} variables can be read{beside}",
            ((block.start, min(block.end, region.end)),),
        )
    # Other loaders have environments of other forms: a name is no proof of this one.
    expected = [e for e in (refs.backup, refs.model) if e is not None and e.reaches(region)]
    if any(env_block(each.findings, region) is not None for each in expected):
        text = f"no valid checksum and no variables found{beside}"
        return RegionFinding(region, Kind.ENV_CHECKSUM, text, where)
    return RegionFinding(region, Kind.NOT_CHECKED, "no environment of a known format found")


_IDENTITY = ("mac", "serial", "key")


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """An environment for this board: `contents` for the bytes from `start` on. `kept` names the
    variables that are this board's, `lost` those whose values could not be found."""

    start: int
    contents: bytes
    kept: tuple[str, ...]
    lost: tuple[str, ...]

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + len(self.contents)


def rebuilt_environment(
    model: Reference, view: Reference, region: Region, layout: Layout
) -> Rebuilt | None:
    """The image's environment with this board's own values; None where the image has none in
    `region`, or they do not fit. `view` is the chip put in order."""
    theirs = env_block(model.findings, region)
    if theirs is None or not theirs.checksum_ok or theirs.end > len(view.contents):
        return None
    values = _values(model, view, region, theirs, layout)
    kept = [f"{name.decode('latin-1')} in {region.name}" for name, v in values.items() if v]
    lost = [
        f"the variable {name.decode('latin-1')} of {region.name}"
        for name, value in values.items()
        if value is None
    ]
    try:
        block = set_variables(theirs.of(model.contents), values, theirs)
    except ValueError:
        return None
    return Rebuilt(theirs.start, block, tuple(kept), tuple(lost))


def mended_environment(
    model: Reference, view: Reference, region: Region
) -> tuple[Rebuilt, frozenset[bytes]] | None:
    """This board's environment with the image's boot command and what that runs; and the names
    of those variables. None where that is not available."""
    ours, theirs = env_block(view.findings, region), env_block(model.findings, region)
    if ours is None or not ours.checksum_ok or theirs is None or not theirs.checksum_ok:
        return None
    names = frozenset(each.encode("latin-1") for each in variables_run(as_text(theirs)))
    values: dict[bytes, bytes | None] = {
        name: value for name, value in theirs.by_name.items() if name in names
    }
    try:
        block = set_variables(ours.of(view.contents), values)
    except ValueError:
        return None
    return Rebuilt(ours.start, block, (), ()), names


def _values(
    model: Reference,
    view: Reference,
    region: Region,
    theirs: Environment,
    layout: Layout,
) -> dict[bytes, bytes | None]:
    """This board's own variables; None for those of the model that this board's are not known."""
    found: dict[bytes, bytes | None] = {}
    names = _named(model.own, region)
    ours = env_block(view.findings, region)
    as_image = ours is not None and _same(view, model, ours)
    mine = _named(view.own, region)
    # Names that U-Boot itself gives a meaning (U-Boot, doc/usage/environment; from memory).
    usual = () if names or mine else (b"ethaddr", b"serial#")
    for name in (*dict.fromkeys((*names, *mine)), *usual):
        value = None
        if ours is not None and not as_image:
            value = ours.by_name.get(name)
        if value is None or (ours is not None and not ours.checksum_ok):
            # What an own region has at the place of the image's same value outweighs text that
            # may be damaged; the only one of its kind there is taken where there is no text.
            value = _same_place(model, names.get(name), layout, view) or value
        if value is None:
            value = _only_one(model, names.get(name), layout, name, view)
        if value is not None or name not in usual:
            found[name] = value
    return found


def _same(view: Reference, model: Reference, ours: Environment) -> bool:
    return ours.of(view.contents) == ours.of(model.sized(len(view.contents)))


def _named(items: Sequence[OwnItem], region: Region) -> dict[bytes, OwnItem]:
    return {
        item.name.encode("latin-1", "replace"): item
        for item in items
        if region.holds(item.start) and item.kind in _IDENTITY
    }


def _trusted(model: Reference, layout: Layout, view: Reference) -> list[OwnItem]:
    """The own items in regions of this board's own. What is the same as in the image may be the
    image's: another board's."""
    contents = view.contents
    other = model.sized(len(contents))
    regions = [
        each for each in layout.regions if each.is_own and each.of(contents) != each.of(other)
    ]
    return [
        item
        for item in view.own
        if any(each.holds(item.start) for each in regions)
        and any(byte != 0xFF for byte in item.of(contents))
    ]


def _same_place(
    model: Reference, model_item: OwnItem | None, layout: Layout, view: Reference
) -> bytes | None:
    """The value that this board's own region holds where the image's holds the same as its
    variable."""
    if model_item is None:
        return None
    ours = {(item.start, item.kind): item for item in _trusted(model, layout, view)}
    for item in model.own:
        same = item.kind == model_item.kind and item.text == model_item.text
        here = ours.get((item.start, item.kind)) if same else None
        if here is not None and here.end <= len(view.contents):
            text = _as_text(here.of(view.contents), here.kind)
            if text is not None:
                return text
    return None


def _only_one(
    model: Reference, model_item: OwnItem | None, layout: Layout, name: bytes, view: Reference
) -> bytes | None:
    """The only address or serial number in this board's own regions."""
    kind = model_item.kind if model_item is not None else "mac" if b"addr" in name else "serial"
    single = {item.text for item in _trusted(model, layout, view) if item.kind == kind}
    return single.pop().encode("latin-1", "replace") if len(single) == 1 else None


def _as_text(raw: bytes, kind: str) -> bytes | None:
    if kind == "mac":
        if len(raw) == 6:
            return forms.mac_text(raw).encode() if forms.is_plausible(raw) else None
        return raw if forms.parse_mac(raw) is not None else None
    return raw if raw and all(0x20 < byte < 0x7F for byte in raw) else None
