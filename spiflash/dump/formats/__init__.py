"""The formats that a survey looks for: one file each, all listed here.

A format is a pure function from the contents of a dump to its findings. Two rules bind each:
work stays proportional to the size of the dump whatever the dump claims, and VOUCHED is said
only of bytes that a checksum covers. The second argument of a search holds the ranges, sorted
and without overlap, in which it need not look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from spiflash.dump.finding import Finding, Span
from spiflash.dump.formats.banner import find_banners
from spiflash.dump.formats.blank import find_blank
from spiflash.dump.formats.cpio import find_cpio
from spiflash.dump.formats.cramfs import find_cramfs
from spiflash.dump.formats.credentials import find_der, find_pem
from spiflash.dump.formats.disks import find_ext, find_fat
from spiflash.dump.formats.elf import find_elf
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.formats.erofs import find_erofs
from spiflash.dump.formats.fit import find_trees
from spiflash.dump.formats.jffs2 import find_jffs2
from spiflash.dump.formats.kernel import find_kernels
from spiflash.dump.formats.legacy import find_legacy_images
from spiflash.dump.formats.romfs import find_romfs
from spiflash.dump.formats.runs import find_dense, find_zeros
from spiflash.dump.formats.squashfs import find_squashfs
from spiflash.dump.formats.streams import find_streams
from spiflash.dump.formats.tables import find_gpt, find_mbr
from spiflash.dump.formats.trx import find_trx
from spiflash.dump.formats.ubi import find_ubi
from spiflash.dump.formats.ubifs import find_ubifs

Search = Callable[[bytes, Sequence[Span]], Iterable[Finding]]

FILE_SYSTEMS: tuple[Search, ...] = (
    find_ubi,
    find_ubifs,
    find_jffs2,
    find_squashfs,
    find_cramfs,
    find_erofs,
)
"""Searched first, in this order."""

FORMATS: tuple[Search, ...] = (
    find_romfs,
    find_ext,
    find_fat,
    find_trx,
    find_mbr,
    find_gpt,
    find_legacy_images,
    find_trees,
    find_kernels,
    find_cpio,
    find_environments,
    find_streams,
    find_elf,
    find_pem,
    find_der,
    find_banners,
    find_blank,
)
"""Searched outside the file systems of PACKED."""

REMAINDERS: tuple[Search, ...] = (find_zeros, find_dense)
"""What is worth noting where nothing else was found."""

PACKED = frozenset({"squashfs", "cramfs", "erofs", "jffs2", "ubi", "ubifs"})
"""Kinds of file systems that hold the contents of files in pieces."""

IN_PIECES = frozenset({"jffs2", "ubi", "ubifs", "banner", "blank", "default-environment"})
"""Kinds that are whole even inside such a file system: nodes in an erase block, short texts."""
