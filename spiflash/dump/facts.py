"""What a finding knows, as values: decisions are made from these, never from text for people.

Every string in them comes from the dump: untrusted and unmasked.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from spiflash.dump.uboot_env import Environment


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
    """What a boot image says that it carries."""

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
    """Who introduces itself in a version string."""

    LOADER = "boot loader"
    KERNEL = "kernel"
    USERLAND = "user land"


@dataclass(frozen=True, slots=True)
class BannerFacts:
    """A version string and whose it is."""

    speaker: Speaker
    text: str


@dataclass(frozen=True, slots=True)
class ImageFacts:
    """One image as a legacy header or a FIT node states it.

    `data` is where its bytes are in the dump, cut at the dump's end; `size` how many it should
    have. `checksum_ok` says whether its checksum or hash over them holds, None where it has
    none or none was computed. `architecture` is None where the image states none that is known.
    `script` is its text where it is one.
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
class TreeFacts:
    """A device tree: the board's model, and what its root node is compatible with."""

    model: str
    compatible: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProgramFacts:
    """An ELF file. `architecture` is None where its machine number is not known."""

    architecture: Architecture | None
    executable: bool


@dataclass(frozen=True, slots=True)
class StreamFacts:
    """A compressed stream. `unpacked` counts the bytes that came out; `complete` says that its
    end was reached; `checksum` names that of the contents, empty where there is none. `needs`
    is the memory in bytes that it asks for, where that is why it was NOT CHECKED, else 0."""

    compression: str
    unpacked: int
    complete: bool
    checksum: str
    needs: int = 0


@dataclass(frozen=True, slots=True)
class FileSystemFacts:
    """A file system: the size in bytes that it states for itself, 0 where it states none, and
    how its blocks are packed, empty where they are not or that is not known."""

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
