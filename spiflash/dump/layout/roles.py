"""What a partition is for, by its name: the one table of names.

A name is taken apart into words first ("BootloaderSplashScreen" is no boot loader, "display" no
SPL), and rows that come earlier win: "u-boot-env" is an environment, "rootfs_data" settings. The
words come from the partition labels in the device trees of Linux 6.1
(`tests/references/test_partition_names.py` lists labels with their files); those that only vendors'
own trees have are common practice, no source. A name that no row knows is *unknown*: it is kept
like the board's own, and never taken for firmware.
"""

from __future__ import annotations

import re

from spiflash.dump.layout.region import Role

_UNKNOWN = frozenset(
    [
        "splash",
        "logo",
        "display",
        "screen",
        "diag",
        "diagnostic",
        "sysdiag",
        "test",
        "fpga",
        "microcode",
        "ucode",
        "qe",
        "vitesse",
        "ssd",
        "pmmc",
        "bootcount",
        "panic",
        "crash",
        "crashdump",
        "pstore",
        "table",
    ]
)
"""Words that make a name unknown whatever else it says: pictures, tests, other chips' code."""

_ROWS: tuple[tuple[Role, frozenset[str], re.Pattern[str]], ...] = tuple(
    (role, frozenset(words.split()), re.compile(joined or r"(?!)"))
    for role, words, joined in (
        (
            Role.ENVIRONMENT,
            "env envs environment nenv envr envred ubootenv bareboxenv appsblenv uenv",
            r"ubootenv|bootenv|bootldrenv|bootloaderenv|bootenvironment|storagevariables",
        ),
        (
            Role.OWN,
            "art factory calib calibration cal caldata eeprom radio radiocfg rf wifi wlan wireless "
            "mac macs macaddr bdata bdinfo identity id uid uuid uniqid serial serialno sn "
            "hwinfo hwid devinfo deviceinfo info nvram nvdata mfg mfginfo manufacture "
            "manufacturing manufacturer oem oeminfo prodinfo pdata key keys keystore cert certs "
            "certificate certificates priv private protect protected pin devdata",
            r"boarddata|boardinfo|boardconfig|boardcfg|caldata|macaddress|hwinfo|hwconfig|hwcfg|"
            r"productinfo|devinfo|deviceinfo|devparams|deviceid|uniqueid|keystore|privdata|"
            r"factoryinfo|wifidata|wlandata|cfgfactory",
        ),
        (Role.TREE, "dtb ndtb dts fdt oftree devicetree", r"devicetree"),
        (
            Role.SETTINGS,
            "config configuration conf cfg settings overlay ovlfs rwfs syscfg sysconf persist "
            "persistent rgdb etc nvconfig",
            r"rootfsdata|userconfig",
        ),
        # Before root and kernel: "User File System", "Writable User area".
        (Role.DATA, "user usr usrdata userdata log logs readings storage home opt var", ""),
        (
            Role.ROOT,
            "root rootfs nrootfs minirootfs rofs rfs squashfs cramfs romfs initrd uinitrd "
            "initramfs initfs ramdisk",
            r"rootfs|rootfilesystem|^n?system$",
        ),
        (
            Role.KERNEL,
            "kernel linux fit hlos bootkernel",
            r"[uz]image$|^(primary|secondary)os$",
        ),
        # Only by itself: "a53-firmware" and "Vitesse-7385 Firmware" are for other chips.
        (Role.KERNEL, "", r"^(mini|alt)?firmware[ab]?$"),
        (Role.SPARE, "spare unused free reserved reserve rsv empty open", ""),
        (
            Role.BOOT,
            "boot nboot uboot ubootl bootloader bootldr loader spl mlo xloader preloader barebox "
            "redboot routerboot cfe cferom yamon bios openbios bootstrap atbootstrap fsbl fip bl "
            "sbl qsee appsbl tz dink bs boots bootcode bootrom bootblock",
            r"uboot|bootstrap|xloader|bootloader",
        ),
        (Role.DATA, "data ndata jffs fs filesystem ubifs", r"filesystem"),
    )
)


def role_of(name: str) -> tuple[Role, bool]:
    """The role that a partition's name speaks of, and whether it is the board's own: to be kept
    when another board's contents are written."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", name)
    words = re.findall(r"[a-z]+", spaced.lower())
    if not _UNKNOWN.isdisjoint(words):
        return Role.OTHER, False
    joined = "".join(words)
    for role, known, together in _ROWS:
        if not known.isdisjoint(words) or together.search(joined):
            return role, role is Role.OWN
    return Role.OTHER, False
