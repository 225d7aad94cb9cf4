"""Parts that wake protected: open while a session lasts, closed again after it.

Data sheets, from memory: SST25VF032B (BP3 to BP0 are ones after power-up), AT25DF321A (global
protect and unprotect).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.nor.chip import Answers
from spiflash.nor.identify import chip_table, identify
from spiflash.nor.protection import power_up_relock, power_up_unlock
from tests.job_rig import Rig


@pytest.mark.parametrize("error", [None, KeyboardInterrupt])
def test_an_sst25_is_left_as_it_was_met(error: type[BaseException] | None) -> None:
    chip = NorChip("SST25VF032B", seed=3)
    chip.contents[:4096] = bytes(range(256)) * 16
    chip.power(False, 0.0)
    chip.power(True, 0.0)
    met = chip.registers["SR1"]
    assert met & 0x1C == 0x1C
    try:
        with Rig(chip).connect() as connection:
            assert not chip.protected_ranges
            kind = min(connection.flash.geometry.erase_types, key=lambda kind: kind.size)
            connection.flash.erase(0, kind)
            if error is not None:
                raise error
    except KeyboardInterrupt:
        pass
    assert chip.contents[:4096] == b"\xff" * 4096
    assert chip.registers["SR1"] == met


@pytest.mark.parametrize(
    ("name", "status", "value"),
    [
        ("SST25VF032B", 0x1C, 0x1C),
        ("SST25VF032B", 0x00, None),
        ("SST25VF032B", 0xFF, None),  # an open line: nothing was read
        ("AT25DF321A", 0x1C, 0x3C),
        ("AT25DF321A", 0x14, None),  # some sectors were open: which, is not known any more
        ("SST26VF064B", 0x00, None),
    ],
)
def test_what_is_written_on_leaving(name: str, status: int, value: int | None) -> None:
    part = chip_table().by_name(name)[0]
    chip = identify(Answers((part.id + bytes(8))[:8]), chip_table(), name)
    written = [order.out for order in power_up_relock(chip, status)]
    assert written == ([] if value is None else [b"\x06", bytes((0x01, value))])
    assert [order.out[0] for order in power_up_unlock(chip)][-1] in (0x01, 0x98)
    assert not power_up_unlock(replace(chip, locked_at_power_up=False))
    assert not power_up_relock(replace(chip, locked_at_power_up=False), 0x1C)
