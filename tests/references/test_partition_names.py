"""Roles of partitions by name: labels as they stand in the device trees of Linux 6.1.

Each label is listed with its file below the root of the kernel's sources (Debian's package
`linux-source-6.1`); in the full sweep they are looked for there. Names of vendors' own trees are
common practice, no source.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from spiflash.dump.layout import Role
from spiflash.dump.layout.find import role_of

SOURCES = Path("/usr/src/linux-source-6.1.tar.xz")
FULL = os.environ.get("SPIFLASH_SWEEP", "small") == "full"

LABELS = (
    ("u-boot", "arch/mips/boot/dts/ralink/mt7621-gnubee-gb-pc2.dts", Role.BOOT),
    ("kernel", "arch/mips/boot/dts/cavium-octeon/octeon_68xx.dts", Role.KERNEL),
    ("rootfs", "arch/mips/boot/dts/ingenic/qi_lb60.dts", Role.ROOT),
    ("env", "arch/arm64/boot/dts/freescale/imx8mm-kontron-osm-s.dtsi", Role.ENVIRONMENT),
    ("uboot", "arch/mips/boot/dts/ralink/gardena_smart_gateway_mt7688.dts", Role.BOOT),
    ("bootloader", "arch/mips/boot/dts/cavium-octeon/octeon_68xx.dts", Role.BOOT),
    ("u-boot-env", "arch/mips/boot/dts/ralink/mt7621-gnubee-gb-pc2.dts", Role.ENVIRONMENT),
    ("dtb", "arch/arm64/boot/dts/marvell/armada-3720-turris-mox.dts", Role.TREE),
    ("root", "arch/arm64/boot/dts/altera/socfpga_stratix10_socdk_nand.dts", Role.ROOT),
    ("boot", "arch/mips/boot/dts/ingenic/qi_lb60.dts", Role.BOOT),
    ("uImage", "arch/arm/boot/dts/kirkwood-rd88f6281.dtsi", Role.KERNEL),
    ("at91bootstrap", "arch/arm/boot/dts/at91-sama5d4_xplained.dts", Role.BOOT),
    ("linux", "arch/mips/boot/dts/ralink/rt2880_eval.dts", Role.KERNEL),
    ("firmware", "arch/mips/boot/dts/ralink/mt7621-gnubee-gb-pc2.dts", Role.KERNEL),
    ("data", "arch/powerpc/boot/dts/socrates.dts", Role.DATA),
    ("NAND U-Boot Image", "arch/powerpc/boot/dts/fsl/p1010rdb-pa.dtsi", Role.BOOT),
    ("NOR DTB Image", "arch/powerpc/boot/dts/fsl/p1021rdb-pc.dtsi", Role.TREE),
    ("nrootfs", "arch/arm64/boot/dts/broadcom/northstar2/ns2-xmc.dts", Role.ROOT),
    ("nsystem", "arch/arm64/boot/dts/broadcom/northstar2/ns2-xmc.dts", Role.ROOT),
    ("nboot", "arch/arm64/boot/dts/broadcom/northstar2/ns2-xmc.dts", Role.BOOT),
    ("nenv", "arch/arm64/boot/dts/broadcom/northstar2/ns2-xmc.dts", Role.ENVIRONMENT),
    ("oftree", "arch/powerpc/boot/dts/pcm032.dts", Role.TREE),
    ("ramdisk", "arch/powerpc/boot/dts/glacier.dts", Role.ROOT),
    ("xloader", "arch/arm/boot/dts/spear320-hmi.dts", Role.BOOT),
    ("barebox", "arch/arm/boot/dts/animeo_ip.dts", Role.BOOT),
    ("bareboxenv", "arch/arm/boot/dts/at91-qil_a9260.dts", Role.ENVIRONMENT),
    ("bootloader env", "arch/arm/boot/dts/at91-sama5d4_xplained.dts", Role.ENVIRONMENT),
    ("RedBoot", "arch/arm/boot/dts/gemini-wbd222.dts", Role.BOOT),
    ("jffs2", "arch/powerpc/boot/dts/glacier.dts", Role.DATA),
    ("NOR Vitesse-7385 Firmware", "arch/powerpc/boot/dts/fsl/p1021rdb-pc.dtsi", Role.OTHER),
    ("u-boot env", "arch/powerpc/boot/dts/obs600.dts", Role.ENVIRONMENT),
    ("zImage", "arch/arm/boot/dts/kirkwood-iconnect.dts", Role.KERNEL),
    ("rofs", "arch/arm/boot/dts/nuvoton-npcm730-kudo.dts", Role.ROOT),
    ("rwfs", "arch/arm/boot/dts/nuvoton-npcm730-kudo.dts", Role.SETTINGS),
    ("devinfo", "arch/arm/boot/dts/armada-385-linksys-caiman.dts", Role.OWN),
    ("syscfg", "arch/arm/boot/dts/armada-385-linksys-caiman.dts", Role.SETTINGS),
    ("reserved", "arch/arm/boot/dts/kirkwood-c200-v1.dts", Role.SPARE),
    ("factory", "arch/mips/boot/dts/ralink/gardena_smart_gateway_mt7688.dts", Role.OWN),
    ("splash", "arch/arm64/boot/dts/rockchip/rk3568-odroid-m1.dts", Role.OTHER),
    ("NOR JFFS2 Root File System", "arch/powerpc/boot/dts/fsl/p1021rdb-pc.dtsi", Role.ROOT),
    ("unused_area", "arch/arm/boot/dts/armada-385-linksys-caiman.dts", Role.SPARE),
    ("dev_params", "arch/arm/boot/dts/kirkwood-c200-v1.dts", Role.OWN),
    ("SBL1", "arch/arm/boot/dts/qcom-ipq4018-ap120c-ac.dtsi", Role.BOOT),
    ("QSEE", "arch/arm/boot/dts/qcom-ipq4018-ap120c-ac.dtsi", Role.BOOT),
    ("MIBIB", "arch/arm/boot/dts/qcom-ipq4018-ap120c-ac.dtsi", Role.OTHER),
    ("CDT", "arch/arm/boot/dts/qcom-ipq4018-ap120c-ac.dtsi", Role.OTHER),
    ("ART", "arch/arm/boot/dts/qcom-ipq4018-ap120c-ac.dtsi", Role.OWN),
    ("art", "arch/mips/boot/dts/qca/ar9132_tl_wr1043nd_v1.dts", Role.OWN),
    ("cal_data", "arch/arm/boot/dts/kirkwood-dir665.dts", Role.OWN),
    ("EEPROM", "arch/arm/boot/dts/bcm53340-ubnt-unifi-switch8.dts", Role.OWN),
    ("MAC-Address", "arch/arm/boot/dts/da850-evm.dts", Role.OWN),
    ("priv_data1", "arch/arm/boot/dts/qcom-ipq4018-ap120c-ac.dtsi", Role.OWN),
    ("key_store", "arch/arm/boot/dts/kirkwood-nsa3x0-common.dtsi", Role.OWN),
    ("certificate", "arch/arm/boot/dts/kirkwood-c200-v1.dts", Role.OWN),
    ("calibration", "arch/mips/boot/dts/ralink/rt2880_eval.dts", Role.OWN),
    ("Board Config", "arch/mips/boot/dts/mti/malta.dts", Role.OWN),
    ("hw-info", "arch/arm64/boot/dts/marvell/armada-3720-espressobin-ultra.dts", Role.OWN),
    ("info", "arch/arm/boot/dts/kirkwood-nsa3x0-common.dtsi", Role.OWN),
    ("mfg", "arch/arm/boot/dts/imx6q-ba16.dtsi", Role.OWN),
    ("persistent", "arch/powerpc/boot/dts/warp.dts", Role.SETTINGS),
    ("ovlfs", "arch/arm/boot/dts/at91-tse850-3.dts", Role.SETTINGS),
    ("rgdb", "arch/arm/boot/dts/gemini-dlink-dir-685.dts", Role.SETTINGS),
    ("log", "arch/arm/boot/dts/omap3-n900.dts", Role.DATA),
    ("BootloaderSplashScreen", "arch/arm/boot/dts/pxa300-raumfeld-common.dtsi", Role.OTHER),
    ("BootloaderEnvironment", "arch/arm/boot/dts/pxa300-raumfeld-common.dtsi", Role.ENVIRONMENT),
    ("diag", "arch/powerpc/boot/dts/bluestone.dts", Role.OTHER),
    ("shmoo", "arch/arm/boot/dts/bcm958625-meraki-mx6x-common.dtsi", Role.OTHER),
    ("U-Boot Config", "arch/arm/boot/dts/kirkwood-ts219.dtsi", Role.SETTINGS),
    ("NAS Config", "arch/arm/boot/dts/kirkwood-ts219.dtsi", Role.SETTINGS),
    ("Env_and_Config_Primary", "arch/powerpc/boot/dts/hotfoot.dts", Role.ENVIRONMENT),
    ("uboot_env0", "arch/mips/boot/dts/ralink/gardena_smart_gateway_mt7688.dts", Role.ENVIRONMENT),
    ("cferom", "arch/arm64/boot/dts/broadcom/bcmbca/bcm4906-tplink-archer-c2300-v1.dts", Role.BOOT),
    ("fip", "arch/arm64/boot/dts/broadcom/northstar2/ns2-xmc.dts", Role.BOOT),
    ("YAMON", "arch/mips/boot/dts/mti/malta.dts", Role.BOOT),
    ("usrdata", "arch/arm/boot/dts/mt7623a-rfb-nand.dts", Role.DATA),
    ("nvram", "arch/arm/boot/dts/kirkwood-dir665.dts", Role.OWN),
    ("a53-firmware", "arch/arm64/boot/dts/marvell/armada-3720-turris-mox.dts", Role.OTHER),
    ("fpga", "arch/powerpc/boot/dts/warp.dts", Role.OTHER),
    ("alt-rofs", "arch/arm/boot/dts/openbmc-flash-layout-64-alt.dtsi", Role.ROOT),
    ("test", "arch/arm/boot/dts/kirkwood-openblocks_a7.dts", Role.OTHER),
    ("spare", "arch/arm/boot/dts/nuvoton-npcm750-evb.dts", Role.SPARE),
    ("free space", "arch/arm/boot/dts/da850-lcdk.dts", Role.SPARE),
)

VENDORS = (
    *("0:ART", "art2", "bdata", "wifi", "wlan", "rf", "hwinfo", "oeminfo", "prodinfo", "sn"),
    *("board_info", "uniqid", "keys", "product-info", "default-mac", "radiocfg", "boarddata"),
    *("caldata", "board_data", "device-id", "serial", "mfginfo", "nvdata", "wlandata"),
)
"""Own data under names of vendors' own trees: common practice, no source."""


@pytest.mark.parametrize(("label", "file", "role"), LABELS, ids=lambda each: str(each)[:40])
def test_labels_of_public_device_trees(label: str, file: str, role: Role) -> None:
    assert file.startswith("arch/")
    assert role_of(label) == (role, role is Role.OWN)


@pytest.mark.parametrize("name", VENDORS)
def test_own_data_under_vendors_names(name: str) -> None:
    for spelled in (name, name.upper(), f"0:{name}", f"{name}_bak"):
        assert role_of(spelled) == (Role.OWN, True)


@pytest.mark.parametrize("name", ["display", "splash", "xyzzy", "m25p128-0", "partition-table", ""])
def test_a_name_that_says_nothing_is_unknown(name: str) -> None:
    assert role_of(name) == (Role.OTHER, False)


@pytest.mark.skipif(not (FULL and SOURCES.exists()), reason="reads 130 MB of kernel sources")
def test_the_labels_stand_in_the_files_named(tmp_path: Path) -> None:
    names = sorted({f"linux-source-6.1/{file}" for _, file, _ in LABELS})
    subprocess.run(["tar", "-xJf", SOURCES, "-C", tmp_path, *names], check=True)
    for label, file, _ in LABELS:
        text = (tmp_path / "linux-source-6.1" / file).read_text("utf-8", "replace")
        assert f'"{label}"' in text, (label, file)
