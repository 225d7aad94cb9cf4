"""From findings and text to hints."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from spiflash.dump.facts import BannerFacts, BundleFacts, ImageFacts, Speaker
from spiflash.dump.finding import Finding, environments
from spiflash.dump.hints.script import assigned, commands, filled, followed, wanted
from spiflash.dump.hints.values import Console, Environment, Hints, Load, Version
from spiflash.dump.layout.tree import Node, read_tree
from spiflash.dump.secrets import Masker
from spiflash.dump.uboot_env import Environment as Block
from spiflash.dump.wording import readable

_MOST = 200
_MOST_COMMANDS = 1000
_MOST_ENVIRONMENTS = 24
_VALUE = 2000
_ADDRESS_NAME = re.compile(r"addr(_\w+)?$|_addr|^loadaddr$|address$", re.IGNORECASE)
_ADDRESS_VALUE = re.compile(r"(0x)?[0-9a-fA-F]{4,16}")
_CONSOLE = re.compile(r"\bconsole=([\w./-]{2,32})(?:,(\d{3,8}))?")
_STDOUT_SPEED = re.compile(r":(\d{3,8})")

_FILE_NAME = re.compile(
    rb"(?<![\x21-\x7e])[\w./-]{1,40}\.(?:bin|img|itb|uimage|scr|dtb|ubi|squashfs|fw|rom|uboot)"
    rb"(?![\x21-\x7e])",
    re.IGNORECASE,
)


def collect(contents: bytes, findings: Sequence[Finding], hide: Masker) -> Hints:
    """See `hints`."""
    found = environments(findings)[:_MOST_ENVIRONMENTS]
    spaces = [_plain(block) for block in found]
    loads = [
        *_script_loads(found, spaces, hide),
        *_image_loads(findings, spaces[0] if spaces else {}, hide),
        *_text_loads(contents, found, findings),
    ]
    return Hints(
        versions=tuple(_versions(findings)),
        environments=tuple(
            _environment(block, space, hide) for block, space in zip(found, spaces, strict=True)
        ),
        loads=_distinct_loads(loads),
        consoles=tuple(dict.fromkeys(_consoles(contents, findings, found, spaces)))[:_MOST],
    )


def _plain(block: Block) -> dict[str, str]:
    return {
        readable(variable.name): readable(variable.value, _VALUE) for variable in block.variables
    }


def _versions(findings: Sequence[Finding]) -> Iterator[Version]:
    seen: set[str] = set()
    for finding in findings:
        facts = finding.facts
        if isinstance(facts, BannerFacts) and facts.text not in seen and len(seen) < _MOST:
            seen.add(facts.text)
            yield Version(finding.start, facts.text)


def origin(block: Block) -> str:
    """In words which environment it is."""
    if not block.saved:
        return "compiled into the boot code"
    return "saved" if block.checksum_ok else "saved, but its checksum fails"


def _environment(block: Block, space: Mapping[str, str], hide: Masker) -> Environment:
    safe = {name: hide.named(name, value) for name, value in space.items()}
    return Environment(
        at=block.start,
        origin=origin(block),
        vouched=block.checksum_ok,
        variables=tuple(safe.items()),
        command=followed("bootcmd", safe),
        arguments=filled(safe.get("bootargs", ""), safe),
        addresses=tuple(
            (name, value)
            for name, value in safe.items()
            if _ADDRESS_NAME.search(name) and _ADDRESS_VALUE.fullmatch(value)
        ),
    )


def _script_loads(
    found: Sequence[Block], spaces: Sequence[Mapping[str, str]], hide: Masker
) -> Iterator[Load]:
    # A real board has some dozens.
    left = _MOST_COMMANDS
    for block, space in zip(found, spaces, strict=True):
        # Filled in from what may be shown, or a token in a URL would slip through.
        safe = {name: hide.named(name, value) for name, value in space.items()}
        for variable in block.variables:
            script = safe.get(readable(variable.name), "")
            for known in assigned(script, safe):
                for command in commands(script):
                    left -= 1
                    if left < 0:
                        return
                    hit = wanted(command, known)
                    if hit is not None:
                        yield Load(hit.file[:200], hit.medium, hit.command[:400], variable.at)


def _image_loads(
    findings: Sequence[Finding], space: Mapping[str, str], hide: Masker
) -> Iterator[Load]:
    """What script images in the flash load; they run with the environment's variables."""
    safe = {name: hide.named(name, value) for name, value in space.items()}
    left = _MOST_COMMANDS
    for finding in findings:
        facts = finding.facts
        images = facts.images if isinstance(facts, BundleFacts) else (facts,)
        for image in images:
            if not isinstance(image, ImageFacts) or not image.script:
                continue
            script = hide.text(image.script)
            for known in assigned(script, safe):
                for command in commands(script):
                    left -= 1
                    hit = wanted(command, known) if left > 0 else None
                    if hit is not None:
                        yield Load(hit.file[:200], hit.medium, hit.command[:400], finding.start)


def _text_loads(
    contents: bytes, found: Sequence[Block], findings: Sequence[Finding]
) -> Iterator[Load]:
    """File names that stand by themselves in the boot code, near its banner."""
    covered = [(block.start, block.end) for block in found]
    for low, high in _boot_code(findings, len(contents)):
        for count, match in enumerate(_FILE_NAME.finditer(contents, low, high)):
            if count == _MOST:
                break
            at = match.start()
            if not any(start <= at < end for start, end in covered):
                yield Load(readable(match[0]), "named in the boot code", "", at)


def _boot_code(findings: Sequence[Finding], size: int) -> Iterator[tuple[int, int]]:
    """The 256 KiB on both sides of each boot loader banner, without overlap."""
    reached = 0
    for finding in findings:
        facts = finding.facts
        if isinstance(facts, BannerFacts) and facts.speaker is Speaker.LOADER:
            low = max(finding.start - (256 << 10), reached)
            reached = max(min(finding.end + (256 << 10), size), reached)
            if low < reached:
                yield low, reached


def _distinct_loads(loads: Iterable[Load]) -> tuple[Load, ...]:
    """Each file and medium once; a name from the boot code only where no script loads it."""
    found: dict[tuple[str, str], Load] = {}
    for load in loads:
        known = {file for file, _ in found}
        if not load.command and load.file in known:
            continue
        if len(found) < _MOST:
            found.setdefault((load.file, load.medium), load)
    return tuple(found.values())


def _consoles(
    contents: bytes,
    findings: Sequence[Finding],
    found: Sequence[Block],
    spaces: Sequence[Mapping[str, str]],
) -> Iterator[Console]:
    for block, space in zip(found, spaces, strict=True):
        where = f"environment at {block.start:06X}h"
        for name in space:
            text = f"console={space[name]}" if name == "console" else space[name]
            if "console=" not in text:
                continue
            for match in _CONSOLE.finditer(filled(text, space)):
                yield Console(match[1], int(match[2] or 0), where)
        if (speed := space.get("baudrate", "")).isdigit() and len(speed) <= 8:
            yield Console("boot loader", int(speed), where)
    for finding in findings:
        root = (
            read_tree(contents[finding.start : finding.end])
            if finding.kind == "devicetree"
            else None
        )
        if root is not None:
            yield from _tree_consoles(root, f"device tree at {finding.start:06X}h")


def _tree_consoles(root: Node, where: str) -> Iterator[Console]:
    chosen = root.child("chosen")
    if chosen is None:
        return
    path = chosen.text("stdout-path")
    if path:
        speed = _STDOUT_SPEED.search(path)
        yield Console(path.partition(":")[0], int(speed[1]) if speed else 0, where)
    for match in _CONSOLE.finditer(chosen.text("bootargs")):
        yield Console(match[1], int(match[2] or 0), where)
