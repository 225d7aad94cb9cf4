"""FIT images: a flattened device tree that carries images, each with hash nodes over its data.

Layout: U-Boot, doc/usage/fit/source_file_format.rst (from memory; the tests compare with
`mkimage -f`). Data are a property, or lie behind the tree (`-E`). A hash node covers the data of
its image and nothing else: not the tree around them, not load addresses.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.facts import Architecture, BundleFacts, Holds, ImageFacts
from spiflash.dump.finding import Finding, Proof, Span, Verdict, merged, without
from spiflash.dump.formats.devicetree import Tree, TreeNode, device_tree, trees
from spiflash.text import counted, readable

_MOST_IMAGES = 64

# Short names of `arch` and `type`: U-Boot, boot/image.c (from memory).
_ARCHITECTURES = {
    "arm": Architecture.ARM,
    "arm64": Architecture.ARM64,
    "mips": Architecture.MIPS,
    "mips64": Architecture.MIPS64,
    "ppc": Architecture.POWERPC,
    "powerpc": Architecture.POWERPC,
    "riscv": Architecture.RISCV,
    "x86": Architecture.X86,
    "x86_64": Architecture.X86_64,
    "arc": Architecture.ARC,
    "sh": Architecture.SUPERH,
    "xtensa": Architecture.XTENSA,
    "nios2": Architecture.NIOS2,
    "microblaze": Architecture.MICROBLAZE,
    "m68k": Architecture.M68K,
    "or1k": Architecture.OPENRISC,
    "sparc": Architecture.SPARC,
    "nds32": Architecture.NDS32,
}
_HOLDS = {
    "kernel": Holds.KERNEL,
    "kernel_noload": Holds.KERNEL,
    "ramdisk": Holds.RAMDISK,
    "flat_dt": Holds.TREE,
    "firmware": Holds.FIRMWARE,
    "tfa-bl31": Holds.FIRMWARE,
    "script": Holds.SCRIPT,
    "filesystem": Holds.FILES,
    "standalone": Holds.PROGRAM,
    "loadable": Holds.OTHER,
}

_LONGEST_SCRIPT = 16 << 10

Digest = Callable[[bytes], bytes]


_DIGESTS: dict[str, Digest] = {
    "crc32": lambda data: crc32(data).to_bytes(4, "big"),
    "md5": lambda data: hashlib.md5(data, usedforsecurity=False).digest(),
    "sha1": lambda data: hashlib.sha1(data, usedforsecurity=False).digest(),
    "sha256": lambda data: hashlib.sha256(data).digest(),
    "sha384": lambda data: hashlib.sha384(data).digest(),
    "sha512": lambda data: hashlib.sha512(data).digest(),
}


@dataclass(frozen=True, slots=True)
class _Image:
    """One image: where its data lie, and what became of each of its hashes."""

    facts: ImageFacts
    described: str
    held: tuple[str, ...]
    failed: tuple[str, ...]
    unknown: tuple[str, ...]


def find_trees(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Trees with images, VOUCHED where every hash holds and DAMAGED where one fails; and plain
    device trees."""
    budget = Budget(16 * len(contents))
    for tree in trees(contents, packed):
        holder = next((each for each in tree.root.children if each.name == "images"), None)
        if holder is None:
            yield device_tree(contents, tree)
        else:
            found = [
                _examined(contents, tree, node, budget) for node in holder.children[:_MOST_IMAGES]
            ]
            yield _described(contents, tree, found)


def _examined(contents: bytes, tree: Tree, node: TreeNode, budget: Budget) -> _Image:
    start, end = _place(contents, tree, node)
    data = contents[start:end]
    held, failed, unknown = [], [], []
    for child in node.children:
        if not child.name.startswith("hash"):
            continue
        name = _text(contents, child, "algo")
        value = _value(contents, child, "value")
        digest = _DIGESTS.get(name)
        # Every kind of image costs its length for each of its hashes.
        if digest is None or value is None or not budget.spend(len(data)):
            unknown.append(name or child.name)
        elif end <= len(contents) and digest(data) == value:
            held.append(name)
        else:
            failed.append(name)
    words = [_text(contents, node, key) for key in ("description", "arch", "os", "type")]
    packing = _text(contents, node, "compression")
    words.append("" if packing in ("", "none") else f"{packing} compressed")
    described = ", ".join(word for word in words if word)
    holds = _HOLDS.get(_text(contents, node, "type"), Holds.OTHER)
    span = (start, min(end, len(contents)))
    facts = ImageFacts(
        name=node.name,
        holds=holds,
        architecture=_ARCHITECTURES.get(_text(contents, node, "arch")),
        system=_text(contents, node, "os"),
        compression="" if packing == "none" else packing,
        data=span,
        size=end - start,
        checksum_ok=False if failed else True if held else None,
        load=_number(contents, node, "load"),
        entry=_number(contents, node, "entry"),
        script=_script(data) if holds is Holds.SCRIPT else "",
    )
    return _Image(facts, described, tuple(held), tuple(failed), tuple(unknown))


def _script(data: bytes) -> str:
    text = readable(data[:_LONGEST_SCRIPT], _LONGEST_SCRIPT)
    return text.replace("\\x0a", "\n").replace("\\x09", " ")


def _place(contents: bytes, tree: Tree, node: TreeNode) -> Span:
    """Where the data of an image lie: within the tree, behind it, or at a stated position."""
    if "data" in node.properties:
        return node.properties["data"]
    size = _number(contents, node, "data-size")
    position = _number(contents, node, "data-position")
    offset = _number(contents, node, "data-offset")
    if size is None or (position is None and offset is None):
        return tree.start, tree.start
    if position is None:
        position = (tree.total + 3 & ~3) + (offset or 0)
    start = min(tree.start + position, len(contents))
    return start, start + size


def _value(contents: bytes, node: TreeNode, name: str) -> bytes | None:
    span = node.properties.get(name)
    return None if span is None else contents[span[0] : min(span[1], span[0] + 1000)]


def _number(contents: bytes, node: TreeNode, name: str) -> int | None:
    raw = _value(contents, node, name)
    return None if raw is None or len(raw) != 4 else int.from_bytes(raw, "big")


def _text(contents: bytes, node: TreeNode, name: str) -> str:
    raw = _value(contents, node, name)
    return "" if raw is None else readable(raw.split(b"\0")[0], 120)


def _proof(images: list[_Image]) -> Proof:
    """The weakest of the strongest hashes of each image."""
    strong = [any(name != "crc32" for name in each.held) for each in images if each.held]
    return Proof.DIGEST if all(strong) else Proof.CRC


def _described(contents: bytes, tree: Tree, images: list[_Image]) -> Finding:
    end = max([tree.start + tree.total, *(image.facts.data[1] for image in images)])
    checks = ["every token, name and string of the tree is in order; no checksum covers it"]
    details = [("description", _text(contents, tree.root, "description"))]
    vouched: list[Span] = []
    damage: list[Span] = []
    for image in images:
        details.append(
            (
                image.facts.name,
                f"{image.facts.data[1] - image.facts.data[0]} bytes, {image.described}".rstrip(
                    ", "
                ),
            )
        )
        for word, names in (
            ("holds", image.held),
            ("fails", image.failed),
            ("not checked", image.unknown),
        ):
            checks += [
                f"{readable(name.encode(), 20)} of {image.facts.name}: {word}" for name in names
            ]
        if not image.held and not image.failed and not image.unknown:
            checks.append(f"{image.facts.name} has no hash")
        if image.failed:
            damage.append(image.facts.data)
        elif image.held:
            vouched.append(image.facts.data)
    verdict = Verdict.CONSISTENT
    if damage:
        verdict = Verdict.DAMAGED
    elif vouched:
        verdict = Verdict.VOUCHED
    whole = [(tree.start, end)]
    # An image whose data are cut off entirely leaves no byte to blame but its description.
    spans = merged(damage) or ([(tree.start, tree.start + tree.total)] if damage else [])
    uncovered = [] if verdict is Verdict.CONSISTENT else without(whole, [*vouched, *spans])
    return Finding(
        tree.start,
        end - tree.start,
        "fit",
        f"FIT image, {counted(len(images), 'image')}",
        verdict,
        tuple(checks),
        tuple((name, value) for name, value in details if value),
        uncovered=tuple(uncovered),
        damage=tuple(spans),
        proof=_proof(images) if verdict is Verdict.VOUCHED else None,
        facts=BundleFacts(tuple(image.facts for image in images)),
    )
