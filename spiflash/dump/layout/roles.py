"""What a partition is for, by its name.

The words are those that boards use; common practice, no source. A name outweighs contents: a
partition called "factory" is the board's own also while it is blank.
"""

from __future__ import annotations

import re

from spiflash.dump.layout.region import Role

_BY_NAME = (
    # "u-boot-env" is an environment, "kernel-dtb" a device tree, "rootfs_data" settings:
    # the more special words come first.
    (Role.ENVIRONMENT, r"(^|[-_. ])env(ironment)?\d?($|[-_. ])|bootenv|uenv|ubootenv"),
    (Role.OWN, r"factory|(^|[-_.])art($|[-_.\d])|calib|caldata|identity|eeprom|radio|board[-_]?data"
               r"|(^|[-_.])mac|serial|devinfo|product[-_]?info|nvram"),
    (Role.TREE, r"dtb|fdt|device[-_]?tree"),
    (Role.SETTINGS, r"conf|settings|overlay|rootfs[-_]data|(^|[-_.])cfg|jffs2|persist"),
    (Role.ROOT, r"root|squash|system"),
    (Role.KERNEL, r"kernel|linux|uimage|zimage|(^|[-_.])fit($|[-_.])"),
    (Role.BOOT, r"boot|loader|spl"),
    (Role.SPARE, r"spare|unused|free|reserved|empty"),
    (Role.DATA, r"data|log|user|readings|storage|home|opt"),
)  # fmt: skip
_PATTERNS = tuple((role, re.compile(words, re.IGNORECASE)) for role, words in _BY_NAME)


def role_of(name: str) -> tuple[Role, bool]:
    """The role that a partition's name speaks of, and whether it is to be kept."""
    for role, pattern in _PATTERNS:
        if pattern.search(name):
            return role, role is Role.OWN
    return Role.OTHER, False
