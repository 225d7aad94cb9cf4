"""Everything about one dump: what is recognised in it, and the results of all examinations.

A format is a pure function from the contents of a dump to its findings; `survey` lists them all.
Two rules apply to each: the work stays proportional to the size of the dump whatever the dump
claims, and only bytes that a checksum covers are VERIFIED. The second argument of a search holds
the ranges, sorted and without overlap, in which it need not look.
"""

from __future__ import annotations

import bisect
import dataclasses
import functools
import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.dump.coverage import (
    Coverage,
    Fit,
    Island,
    Occupancy,
    coverage,
    entropy,
    fit,
    histogram,
    islands,
    occupancy,
    sectors_of,
    smallest_chip,
    used_end,
)
from spiflash.dump.finding import Finding, Proof, Verdict
from spiflash.dump.formats import Budget, outside, runs_of
from spiflash.dump.formats.boot_images import find_legacy_images, find_trees, find_trx
from spiflash.dump.formats.credentials import find_der, find_pem
from spiflash.dump.formats.disks import find_ext, find_fat, find_gpt, find_mbr
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.formats.jffs2 import find_jffs2
from spiflash.dump.formats.programs import find_banners, find_elf, find_kernels
from spiflash.dump.formats.rom_file_systems import find_cpio, find_cramfs, find_erofs, find_romfs
from spiflash.dump.formats.squashfs import find_squashfs
from spiflash.dump.formats.streams import find_streams
from spiflash.dump.formats.ubi import find_ubi, find_ubifs
from spiflash.dump.hints import Hints, hints
from spiflash.dump.identity import OwnItem, identity
from spiflash.dump.layout import Layout
from spiflash.dump.layout.find import FoundLayout, find_layouts
from spiflash.dump.secrets import Masker, masker
from spiflash.dump.symptoms import Symptom, symptoms
from spiflash.spans import SECTOR, Span, merged, spans_of, without
from spiflash.text import counted


@dataclass(frozen=True, slots=True)
class Audit:
    """Everything that is known of a dump. `others` are further layouts that it states; `remarks`
    are about the chosen one. `used_end` (an address) and `smallest` (a chip) are in bytes."""

    name: str
    contents: bytes
    findings: tuple[Finding, ...]
    coverage: Coverage
    symptoms: tuple[Symptom, ...]
    layout: Layout
    others: tuple[FoundLayout, ...]
    remarks: tuple[str, ...]
    regions: tuple[Occupancy, ...]
    islands: tuple[Island, ...]
    hints: Hints
    own: tuple[OwnItem, ...]
    used_end: int
    smallest: int
    fits: tuple[Fit, ...]


def examine(
    contents: bytes,
    name: str,
    *,
    layout: Layout | None = None,
    sizes: Sequence[int] = (),
    show_secrets: bool = False,
    signs: bool = True,
) -> Audit:
    """Examine `contents`; `name` is what to call them. `layout` takes the place of what they state;
    `sizes` are chips, in bytes, to try them against; with `signs` False, signs of
    a bad reading are not looked for: the contents were not just read from a chip. The same bytes
    are examined once, however often a command asks. Empty contents raise ValueError."""
    if not contents:
        raise ValueError("nothing to examine")
    found = _examined(bytes(contents), layout, tuple(sizes), show_secrets)
    return dataclasses.replace(found, name=name, symptoms=symptoms(contents) if signs else ())


@functools.lru_cache(maxsize=3)  # a conversion has three: board, image, and what is made of them
def _examined(
    contents: bytes, layout: Layout | None, sizes: tuple[int, ...], show_secrets: bool
) -> Audit:
    """An audit without name and signs."""
    findings = survey(contents)
    hide = masker(findings, show=show_secrets)
    known = find_layouts(contents, findings)
    chosen = layout or known[0].layout
    remarks = known[0].remarks if layout is None else _misfit(layout, len(contents))
    return Audit(
        name="",
        contents=contents,
        findings=tuple(_readable(each, hide) for each in findings),
        coverage=coverage(contents, findings),
        symptoms=(),
        layout=chosen,
        others=known if layout is not None else known[1:],
        remarks=remarks,
        regions=occupancy(contents, findings, chosen),
        islands=islands(contents, findings),
        hints=hints(findings, hide=hide),
        own=identity(contents, findings, chosen, hide=hide),
        used_end=used_end(contents, findings),
        smallest=smallest_chip(contents, findings),
        fits=tuple(fit(contents, findings, chosen, size) for size in sizes),
    )


def _readable(finding: Finding, hide: Masker) -> Finding:
    """The finding with its secrets masked for people; its facts are unchanged."""
    return dataclasses.replace(
        finding,
        title=hide.text(finding.title),
        checks=tuple(hide.text(each) for each in finding.checks),
        details=tuple((name, hide.named(name, value)) for name, value in finding.details),
    )


def _misfit(layout: Layout, size: int) -> tuple[str, ...]:
    if layout.size == size:
        return ()
    return (
        f"The given layout is for a flash of {counted(layout.size, 'byte')}, but the contents have "
        f"{counted(size, 'byte')}.",
    )


# Runs of sectors that hold no format ------------------------------------------------------------


def find_blank(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole blank sectors, as long as possible."""
    for first, last in runs_of((sectors_of(contents) == 0xFF).all(axis=1)):
        start, end = first * SECTOR, last * SECTOR
        yield _sectors(start, end, "blank", "blank", "every byte is FFh", Verdict.BLANK)


_LEAST_DENSE = 16 << 10
_DENSE = 7.9
"""Bits a byte of a sector: random bytes give 7.95, machine code 5 to 7 (common practice)."""


def find_zeros(contents: bytes, claimed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of whole sectors of zeros outside the `claimed` ranges."""
    zero = (sectors_of(contents) == 0).all(axis=1)
    for first, last in runs_of(zero & _free(len(zero), claimed)):
        start, end = first * SECTOR, last * SECTOR
        yield _sectors(start, end, "zeros", "zeros", "every byte is 00h")


def find_dense(contents: bytes, claimed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of 16 KiB or more whose every sector looks random: packed or encrypted."""
    data = sectors_of(contents)
    dense = _free(len(data), claimed)
    free = np.flatnonzero(dense)
    dense[free] = [entropy(histogram(data[index])) > _DENSE for index in free]
    for first, last in runs_of(dense):
        start, end = first * SECTOR, last * SECTOR
        if end - start >= _LEAST_DENSE:
            said = f"entropy above {_DENSE} bits a byte in every sector: compressed or encrypted"
            yield _sectors(start, end, "dense", "bytes without pattern", said)


def _sectors(
    start: int, end: int, kind: str, title: str, said: str, verdict: Verdict = Verdict.NOTED
) -> Finding:
    details = (("sectors", str((end - start) // SECTOR)),)
    return Finding(start, end - start, kind, title, verdict, (said,), details)


def _free(count: int, claimed: Sequence[Span]) -> npt.NDArray[np.bool_]:
    free = np.ones(count, dtype=bool)
    for start, end in claimed:
        free[start // SECTOR : -(-end // SECTOR)] = False
    return free


# All formats -------------------------------------------------------------------------------------

Search = Callable[[bytes, Sequence[Span]], Iterable[Finding]]

FILE_SYSTEMS: tuple[Search, ...] = (
    *(find_ubi, find_ubifs, find_jffs2, find_squashfs, find_cramfs, find_erofs),
)
"""Searched first, in this order."""

FORMATS: tuple[Search, ...] = (
    *(find_romfs, find_ext, find_fat, find_trx, find_mbr, find_gpt, find_legacy_images, find_trees),
    *(find_kernels, find_cpio, find_environments, find_streams, find_elf, find_pem, find_der),
    *(find_banners, find_blank),
)
"""Searched outside the file systems of PACKED."""

REMAINDERS: tuple[Search, ...] = (find_zeros, find_dense)
"""What is worth noting where nothing else was found."""

PACKED = frozenset({"squashfs", "cramfs", "erofs", "jffs2", "ubi", "ubifs"})
"""Kinds of file systems that hold the contents of files in pieces."""

IN_PIECES = frozenset({"jffs2", "ubi", "ubifs", "banner", "blank", "default-environment"})
"""Kinds that are whole even inside such a file system: nodes in an erase block, short texts."""


MOST = 4000
"""Findings kept of one format; real dumps have fewer."""

_MOST_SPANS = 200


def survey(contents: bytes) -> tuple[Finding, ...]:
    """The findings of every format in `contents`, sorted by start, longer ones first.

    Findings may overlap: a version string is inside an image; `parent` says where. Addresses
    are offsets into `contents`, in bytes. Any contents are accepted; the time is proportional
    to their size.
    """
    found: list[Finding] = []
    packed: list[Span] = []
    for search in (*FILE_SYSTEMS, *FORMATS):
        # These file systems store files in pieces: the data of a file does not follow its header.
        fresh = itertools.islice(search(contents, packed), MOST)
        found += [each for each in fresh if not _inside(each, packed)]
        if search in FILE_SYSTEMS:
            packed = merged(spans_of(f for f in found if f.kind in PACKED))
    claimed = merged(spans_of(found))
    for search in REMAINDERS:
        found += itertools.islice(search(contents, claimed), MOST)
    found.sort(key=lambda finding: (finding.start, -finding.length, finding.kind))
    return _with_parents(_weighed(found, len(contents)))


def _inside(finding: Finding, packed: Sequence[Span]) -> bool:
    """Whether an item that needs its bytes in one piece starts within such a file system."""
    return finding.kind not in IN_PIECES and not any(True for _ in outside([finding.start], packed))


_UNPACKED = frozenset({"gzip", "xz", "lzma", "bzip2", "zstd", "lz4", "squashfs"})
"""Kinds whose checksums are over the unpacked contents."""


def _weighed(found: Sequence[Finding], size: int) -> list[Finding]:
    """Every finding with its proof; where one checksum is OK and another fails, the bytes are
    proven only if the one that is OK is over the stored bytes.

    Say the checksum over a whole image fails. Where a file inside has a CRC over its own bytes
    that is OK, the damage is elsewhere in the image. A stream inside that unpacks to the right
    contents does not show that, and is no longer called proven.
    """
    found = [_with_proof(each) for each in found]
    damaged = [each for each in found if each.verdict is Verdict.DAMAGED]
    if not damaged:
        return found
    sure = np.zeros(size, dtype=bool)
    stored = [each.verdicts() for each in found if each.kind not in _UNPACKED]
    for start, end in merged(s for each in stored for s, said in each if said is Verdict.VERIFIED):
        sure[start:end] = True
    looking = Budget(16 * size)
    narrowed = {id(each): _narrow(each, sure, looking) for each in damaged}
    spans = merged(s for each in narrowed.values() for s in each.damage or (each.span,))
    return [narrowed.get(id(each)) or _cleared(each, spans) for each in found]


def _with_proof(finding: Finding) -> Finding:
    if finding.verdict is not Verdict.VERIFIED or finding.proof is not None:
        return finding
    weak = {"romfs": Proof.SUM, "cpio": Proof.SUM} | dict.fromkeys(_UNPACKED, Proof.UNPACKED)
    return dataclasses.replace(finding, proof=weak.get(finding.kind, Proof.CRC))


def _cleared(finding: Finding, damaged: Sequence[Span]) -> Finding:
    """What unpacks well, but is in a range whose own checksum fails."""
    if finding.proof is not Proof.UNPACKED:
        return finding
    index = bisect.bisect_left(damaged, finding.start, key=lambda span: span[1])
    if (
        index == len(damaged)
        or damaged[index][0] >= finding.end
        or damaged[index][1] == finding.start
    ):
        return finding
    return dataclasses.replace(
        finding,
        verdict=Verdict.CONSISTENT,
        checks=(*finding.checks, "but a checksum over a larger range fails"),
        uncovered=(),
        proof=None,
    )


def _narrow(finding: Finding, verified: npt.NDArray[np.bool_], looking: Budget) -> Finding:
    """Damage reduced to what other checksums do not prove, as long as `looking` lasts: hostile
    contents have thousands of items that overlap."""
    known = finding.damage or (finding.span,)
    if len(known) > _MOST_SPANS or not looking.spend(sum(end - start for start, end in known)):
        return finding
    spans = [span for start, end in known for span in _clear(verified, start, end)]
    if not spans or len(spans) > _MOST_SPANS or tuple(spans) == known:
        return finding
    # What other checksums prove is uncovered here: this item's own checksum failed.
    rest = without(known, spans)
    return dataclasses.replace(
        finding, damage=tuple(spans), uncovered=tuple(merged([*finding.uncovered, *rest]))
    )


def _clear(marked: npt.NDArray[np.bool_], start: int, end: int) -> list[Span]:
    """The ranges within `start` to `end` that are not marked."""
    return [(start + first, start + last) for first, last in runs_of(~marked[start:end])]


def _with_parents(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """`found` must be sorted by start, longer ones first."""
    open_: list[int] = []
    result: list[Finding] = []
    for index, each in enumerate(found):
        while open_ and found[open_[-1]].end < each.end:
            open_.pop()
        proof = each.proof
        around = result[open_[-1]] if open_ else None
        if proof is not None and around is not None and around.proof is not None:
            # It is proven by the strongest checksum over the whole of it.
            whole = all(end <= each.start or start >= each.end for start, end in around.uncovered)
            proof = max(proof, around.proof) if whole else proof
        result.append(dataclasses.replace(each, parent=open_[-1] if open_ else None, proof=proof))
        open_.append(index)
    return tuple(result)
