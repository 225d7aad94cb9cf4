"""The formats that a survey looks for: one file each, all listed here.

A format is a pure function from the contents of a dump to its findings. Two rules bind each:
work stays proportional to the size of the dump whatever the dump claims, and VOUCHED is said
only of bytes that a checksum covers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from spiflash.dump.finding import Finding
from spiflash.dump.formats.banner import find_banners
from spiflash.dump.formats.blank import find_blank
from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.formats.jffs2 import find_jffs2
from spiflash.dump.formats.legacy import find_legacy_images
from spiflash.dump.formats.squashfs import find_squashfs

Search = Callable[[bytes], Iterable[Finding]]

FORMATS: tuple[Search, ...] = (
    find_legacy_images,
    find_environments,
    find_squashfs,
    find_jffs2,
    find_device_trees,
    find_banners,
    find_blank,
)
