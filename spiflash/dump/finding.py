"""What was recognised at one place of a dump: where, how sure, and its facts.

Decisions are made from a finding's verdict, proof and facts, never from its text for people.
Strings in it come from the dump: untrusted and unmasked.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from spiflash.dump.layout import Region
from spiflash.dump.uboot_env import Environment
from spiflash.spans import Sized, Span, merged, without


class Architecture(enum.StrEnum):
    """Processor architectures by the names that boot images use."""

    ALPHA = "Alpha"
    ARM = "ARM"
    ARM64 = "AArch64"
    X86 = "Intel x86"
    X86_64 = "AMD x86_64"
    IA64 = "IA64"
    MIPS = "MIPS"
    MIPS64 = "MIPS 64 Bit"
    POWERPC = "PowerPC"
    S390 = "IBM S390"
    SUPERH = "SuperH"
    SPARC = "SPARC"
    SPARC64 = "SPARC 64 Bit"
    M68K = "M68K"
    NIOS = "NIOS"
    NIOS2 = "NIOS II"
    MICROBLAZE = "MicroBlaze"
    BLACKFIN = "Blackfin"
    AVR32 = "AVR32"
    ST200 = "ST200"
    SANDBOX = "Sandbox"
    NDS32 = "NDS32"
    OPENRISC = "OpenRISC 1000"
    ARC = "ARC"
    XTENSA = "Xtensa"
    RISCV = "RISC-V"
    LOONGARCH = "LoongArch"

    @property
    def family(self) -> Architecture:
        """The 32-bit one of a pair: a 64-bit processor may start in 32-bit code."""
        return _FAMILIES.get(self, self)


_FAMILIES = {
    Architecture.ARM64: Architecture.ARM,
    Architecture.MIPS64: Architecture.MIPS,
    Architecture.X86_64: Architecture.X86,
    Architecture.SPARC64: Architecture.SPARC,
}


class Holds(enum.Enum):
    """What a boot image contains, as it states."""

    KERNEL = "kernel"
    RAMDISK = "ramdisk"
    TREE = "devicetree"
    FIRMWARE = "firmware"
    SCRIPT = "script"
    FILES = "filesystem"
    PROGRAM = "program"
    SEVERAL = "several"
    OTHER = "other"


class Speaker(enum.Enum):
    """What a version string belongs to."""

    LOADER = "boot loader"
    KERNEL = "kernel"
    USERLAND = "user land"


class Certainty(enum.Enum):
    """How sure it is that an item is what it is called."""

    SURE = "sure"  # a checksum is OK, or two places agree
    LIKELY = "likely"  # a name or a region says so
    GUESS = "guess"  # by its form alone


@dataclass(frozen=True, slots=True)
class BannerFacts:
    """A version string and what it belongs to."""

    speaker: Speaker
    text: str


@dataclass(frozen=True, slots=True)
class ImageFacts:
    """One image as a legacy header or a FIT node states it.

    `data` is where its bytes are in the dump, cut at the end of the dump; `size` how many it should
    have. `checksum_ok` says whether its checksum or hash over them is OK, None where it has none or
    it was not computed. `architecture` is None where the image states none that is known. `script`
    is the text of a script.
    """

    name: str
    holds: Holds
    architecture: Architecture | None
    system: str
    compression: str
    data: tuple[int, int]
    size: int
    checksum_ok: bool | None
    load: int | None = None
    entry: int | None = None
    script: str = ""


@dataclass(frozen=True, slots=True)
class BundleFacts:
    """The images of a FIT, in its order."""

    images: tuple[ImageFacts, ...]


@dataclass(frozen=True, slots=True)
class PartitionTable:
    """The partitions of one flash as a dump states them, which may leave the flash; and what the
    flash is called."""

    flash: str
    partitions: tuple[Region, ...]


@dataclass(frozen=True, slots=True)
class TreeFacts:
    """A device tree: the board's model and what its root node is compatible with; the path and
    options of the console and the boot arguments, empty where it states none; the range of the
    board's serial number in the dump, empty where it states none; its partition tables."""

    model: str
    compatible: tuple[str, ...]
    console: str = ""
    arguments: str = ""
    serial: Span = (0, 0)
    tables: tuple[PartitionTable, ...] = ()


@dataclass(frozen=True, slots=True)
class ProgramFacts:
    """An ELF file. `architecture` is None where its machine number is not known."""

    architecture: Architecture | None
    executable: bool


@dataclass(frozen=True, slots=True)
class StreamFacts:
    """A compressed stream. `unpacked` counts the bytes that came out; `complete` says that its
    end was reached; `checksum` names that of the contents, empty where there is none. `needs`
    is the memory in bytes that it asks for where it was NOT CHECKED for that reason, else 0.
    `archive` says that what comes out begins as a cpio archive."""

    compression: str
    unpacked: int
    complete: bool
    checksum: str
    needs: int = 0
    archive: bool = False


@dataclass(frozen=True, slots=True)
class FileSystemFacts:
    """A file system: the size in bytes that it states for itself, 0 where it states none, and
    how its blocks are packed, empty where they are not, or where that is not known."""

    size: int
    compression: str = ""


Facts = (
    Environment
    | BannerFacts
    | ImageFacts
    | BundleFacts
    | TreeFacts
    | ProgramFacts
    | StreamFacts
    | FileSystemFacts
)


class Verdict(enum.Enum):
    """What the checks say of a finding."""

    VERIFIED = "vouched"  # a checksum inside the dump covers these bytes and is OK
    DAMAGED = "damaged"  # a checksum inside the dump covers these bytes and fails
    CONSISTENT = "consistent"  # the structure is plausible, but no checksum covers it
    BLANK = "blank"  # erased: every byte FFh
    UNCHECKED = "not checked"  # a checksum covers it, but was not computed: see `checks`
    NOTED = "noted"  # worth a line, but no format: zeros, or bytes that look random


class Proof(enum.IntEnum):
    """What kind of checksum a VERIFIED finding rests on, the weakest first.

    UNPACKED is one over the unpacked contents: it proves these, not each packed byte, since other
    bytes can unpack to the same (a changed distance to a text that occurs twice, a date in a
    header). The others are over the stored bytes.
    """

    UNPACKED = 1
    SUM = 2
    CRC = 3
    DIGEST = 4

    @property
    def words(self) -> str:
        """In words, for people."""
        return _PROOF_WORDS[self]


_PROOF_WORDS = {
    Proof.UNPACKED: "a checksum of its unpacked contents",
    Proof.SUM: "a sum",
    Proof.CRC: "a CRC",
    Proof.DIGEST: "a cryptographic hash",
}


@dataclass(frozen=True, slots=True)
class Finding(Sized):
    """A recognised item: `length` bytes from `start`, both in bytes.

    `kind` is a short stable identifier for scripts ("uboot-image", "environment", "squashfs",
    "jffs2", "banner", "blank"); `title` is for people; `checks` says in words what was
    checked; `details` are (name, value) pairs in the order in which to show them: text for
    people. Decisions are made from `facts`, typed by what was found, None where there are none.
    Strings that come from the dump are untrusted.

    `uncovered` are the bytes of a VERIFIED or DAMAGED item that none of its checksums covers.
    `damage` are the smallest ranges known to contain the damage of a DAMAGED item; empty means
    all of it. `parent` is the position, in the survey that returned this, of the smallest
    finding around this one, or None. `proof` is the strongest checksum that
    covers the whole of a VERIFIED item, that of an item around it included.
    """

    start: int
    length: int
    kind: str
    title: str
    verdict: Verdict
    checks: tuple[str, ...] = ()
    details: tuple[tuple[str, str], ...] = ()
    uncovered: tuple[Span, ...] = ()
    damage: tuple[Span, ...] = ()
    parent: int | None = None
    proof: Proof | None = None
    # Unmasked: left out of repr, so that it is not printed by accident.
    facts: Facts | None = field(default=None, repr=False)

    def verdicts(self) -> Iterator[tuple[Span, Verdict]]:
        """The verdict on each byte: ranges without overlap, in no special order.

        Where the damage of an item is known, its other checksums still prove the rest.
        """
        if self.verdict is not Verdict.VERIFIED and not self.damage:
            yield self.span, self.verdict
            return
        yield from ((span, Verdict.DAMAGED) for span in self.damage)
        uncovered = list(without(self.uncovered, self.damage))
        yield from ((span, Verdict.CONSISTENT) for span in uncovered)
        rest = without([self.span], [*uncovered, *self.damage])
        yield from ((span, Verdict.VERIFIED) for span in rest)


def images(finding: Finding) -> tuple[ImageFacts, ...]:
    """The boot images that a finding describes: one, those of a FIT, or none."""
    if isinstance(finding.facts, BundleFacts):
        return finding.facts.images
    return (finding.facts,) if isinstance(finding.facts, ImageFacts) else ()


def is_loader_banner(finding: Finding) -> bool:
    """Whether a finding is the version string of a boot loader."""
    return isinstance(finding.facts, BannerFacts) and finding.facts.speaker is Speaker.LOADER


def environments(findings: Iterable[Finding]) -> tuple[Environment, ...]:
    """The environments among `findings`: saved ones, then compiled-in ones, each rising."""
    found = [each.facts for each in findings if isinstance(each.facts, Environment)]
    return tuple(sorted(found, key=lambda each: (not each.saved, each.start)))


def saved_environments(findings: Iterable[Finding]) -> list[Environment]:
    """Those of them that are in a place of their own, rising."""
    return [each for each in environments(findings) if each.saved]


def damaged_spans(findings: Iterable[Finding]) -> list[Span]:
    """Every range in which a checksum fails, sorted and without overlap."""
    claims = (claim for each in findings for claim in each.verdicts())
    return merged([span for span, verdict in claims if verdict is Verdict.DAMAGED])
