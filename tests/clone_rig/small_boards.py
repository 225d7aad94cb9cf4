"""Boards of 128 KiB: what they come with, the jobs for them, and what a good one is to hold."""

from __future__ import annotations

import random
import zlib
from functools import cache
from typing import Any

SIZE = 128 << 10
ENV, FACTORY, SERIAL_AT = (0x4000, 0x5000), (0x8000, 0x9000), 0xA000
SHARED = bytes.fromhex("D2640C0A11223344")
KINDS = {"own": "W25Q64JV", "shared": "W25Q64JV", "none": "MX25L6406E"}
KEEP = f'[[keep]]\nname = "factory"\nstart = {FACTORY[0]}\nlength = "4K"\n'

TEXT = """clone = 1
name = "{name}"
image = "open.bin"
chips = ["W25Q64JV", "MX25L6406E"]
label = "{{{serial}}} {{{mac}}}"

{keep}
[[environment]]
start = 0x4000
length = "4K"

[[value]]
name = "{mac}"
kind = "mac"
first = "00:00:5e:00:53:{first}"
last = "00:00:5e:00:53:{last}"
variable = "ethaddr"

[[value]]
name = "{serial}"
pattern = "HG-####"
first = {low}
last = {high}
variable = "serial#"
at = {at}
length = 16
sum = "CRC-32/ISO-HDLC"
sum_at = {sum}
"""

SAME: dict[str, Any] = {"at": SERIAL_AT, "sum": SERIAL_AT + 16}
JOBS: dict[str, dict[str, Any]] = {
    "first": {"mac": "ethaddr", "serial": "serial", "first": "80", "last": "9f",
              "low": 1, "high": 32, "keep": KEEP},
    "other names": {"mac": "wifi", "serial": "sticker", "first": "90", "last": "af",
                    "low": 17, "high": 48, "keep": KEEP},
    "keeps nothing": {"mac": "ethaddr", "serial": "serial", "first": "80", "last": "9f",
                      "low": 1, "high": 32, "keep": ""},
    "corrected": {"mac": "ethaddr", "serial": "serial", "first": "84", "last": "a3",
                  "low": 5, "high": 36, "keep": KEEP},
    "batch": {"mac": "ethaddr", "serial": "serial", "first": "50", "last": "ff",
              "low": 1, "high": 96, "keep": KEEP},
}  # fmt: skip


def environment(variables: dict[str, str]) -> bytes:
    """4 KiB, as a boot loader stores it: CRC-32 (little endian), variables, FFh."""
    body = b"".join(f"{name}={value}\0".encode() for name, value in variables.items()) + b"\0"
    body = body.ljust(ENV[1] - ENV[0] - 4, b"\xff")
    return zlib.crc32(body).to_bytes(4, "little") + body


def _common(seed: int) -> bytearray:
    """What all boards of a batch have in common: code, and room that is blank."""
    rng = random.Random(seed)
    made = bytearray(b"\xff" * SIZE)
    for start, end in ((0, 0x3800), (0x9000, 0x9F00), (0xC000, 0x19000)):
        made[start:end] = rng.randbytes(end - start)
    return made


def image() -> bytes:
    """The firmware that is cloned: no identity in it."""
    made = _common(2)
    made[slice(*ENV)] = environment({"bootcmd": "run open", "baudrate": "115200"})
    return bytes(made)


def factory(number: int, mac: int) -> bytes:
    """What a board comes with."""
    made = _common(1)
    address = f"00:00:5e:00:53:{mac:02x}"
    made[slice(*ENV)] = environment({"ethaddr": address, "serial#": f"FA-2019-{number:04d}"})
    own = b"FAC1" + bytes.fromhex(address.replace(":", "")) + f"FA-2019-{number:04d}".encode()
    made[FACTORY[0] : FACTORY[0] + len(own)] = own
    made[FACTORY[0] + 0x200 : FACTORY[0] + 0x240] = random.Random(number).randbytes(64)
    return bytes(made)


def expected(own: bytes, job: str, values: dict[str, str]) -> bytes:
    """What a good board holds."""
    made, names = bytearray(image()), JOBS[job]
    variables = {"bootcmd": "run open", "baudrate": "115200"}
    variables |= {"ethaddr": values[names["mac"]], "serial#": values[names["serial"]]}
    made[slice(*ENV)] = environment(variables)
    if names["keep"]:
        made[slice(*FACTORY)] = own[slice(*FACTORY)]
    raw = values[names["serial"]].encode().ljust(16, b"\0")
    made[SERIAL_AT : SERIAL_AT + 20] = raw + zlib.crc32(raw).to_bytes(4, "little")
    return bytes(made)


def every_value() -> dict[str, tuple[bytes, ...]]:
    """All values of all jobs, and what they look like on a chip."""
    macs = [f"00:00:5e:00:53:{i:02x}" for i in range(0x50, 0x100)]
    found = {each: (each.encode(), bytes.fromhex(each.replace(":", ""))) for each in macs}
    return found | {f"HG-{i:04d}": (f"HG-{i:04d}".encode(),) for i in range(1, 97)}


@cache
def values_in(cells: bytes) -> frozenset[str]:
    """Which of the values stand on a chip that holds `cells`."""
    return frozenset(text for text, looks in VALUES.items() if any(each in cells for each in looks))


VALUES = every_value()
