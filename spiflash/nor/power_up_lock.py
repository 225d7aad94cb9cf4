"""Parts that wake with every block protected: opened for a session, closed again after it. Pure.

Nothing here outlasts a power cycle. From memory of the data sheets: SST25VF032B (BP bits are set at
power-up; BPL is bit 7), AT25DF321A ("global unprotect": 00h into the status register, "global
protect": ones in bits 5 to 2; SWP, bits 3 and 2, read ones while all sectors are protected) and
SST26VF064B (98h; its blocks stay open until the next power-up).
"""

from __future__ import annotations

from spiflash.bus.transaction import Transaction
from spiflash.nor import commands
from spiflash.nor.chip import Chip

_SST_BITS = 0xBC
_GLOBAL_PROTECT = 0x3C
_SWP = 0x0C


def unlock(chip: Chip) -> tuple[Transaction, ...]:
    """What opens every block; nothing for other parts."""
    if not chip.locked_at_power_up:
        return ()
    if "sst-block" in chip.protection_schemes:
        return (commands.write_enable(), commands.write_register(0x98, b""))
    return _status(chip, 0x00)


def lock_again(chip: Chip, status: int) -> tuple[Transaction, ...]:
    """What brings back the protection that `status`, read before `unlock`, showed."""
    if not chip.locked_at_power_up or status & commands.WIP:
        return ()
    match chip.protection_schemes:
        case ("sst-bp",) if status & _SST_BITS:
            return _status(chip, status & _SST_BITS)
        case ("global-unlock",) if status & _SWP == _SWP:
            return _status(chip, _GLOBAL_PROTECT)
    return ()


def _status(chip: Chip, value: int) -> tuple[Transaction, ...]:
    rest = chip.geometry.program.maximum
    return commands.write_enable(), commands.write_register(0x01, bytes((value,)), rest=rest)
