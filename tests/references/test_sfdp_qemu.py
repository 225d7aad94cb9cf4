"""SFDP read from QEMU's flash models, which carry the tables of real chips.

Sizes are those of the data sheets (order codes, in Mbit). That the erase types are right is
asked of the models themselves: each erase is carried out, and QEMU's memory shows how far it
reached.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from chipdb.part import FourByte
from spiflash.bus import Transaction
from spiflash.nor.sfdp import parse
from spiflash.nor.sfdp.derived import four_byte_methods, quad_enable, to_geometry
from spiflash.nor.sfdp.headers import SfdpError, read_whole
from tests.references.qemu import QemuBus, start_qemu

pytestmark = pytest.mark.needs("qemu-system-arm")

MIB = 1 << 20
MODELS = {
    "n25q256a": 256,
    "mx25l25635e": 256,
    "mx25l25635f": 256,
    "mx66l1g45g": 1024,
    "w25q256": 256,
    "w25q512jv": 512,
    "w25q01jvq": 1024,
}
SHORT = ("n25q256a", "mx25l25635e", "mx25l25635f", "w25q256")
"""Models whose table is that of JESD216 1.0: QEMU's captures of early parts."""

every_model = pytest.mark.parametrize("model", MODELS)


def blank_image(folder: Path, size: int) -> Path:
    """Zeros, as a sparse file: no erase has reached them."""
    image = folder / "flash.img"
    with image.open("wb") as file:
        file.truncate(size)
    return image


def read_tables(bus: QemuBus) -> bytes:
    def fetch(address: int, length: int) -> bytes:
        opcode = b"\x5a" + address.to_bytes(3, "big") + b"\x00"
        return bus.run([Transaction(opcode, length)])[0]

    return read_whole(fetch)


@every_model
def test_tables_give_the_size_and_the_way_to_it(model: str, tmp_path: Path) -> None:
    size = MODELS[model] * MIB // 8
    with start_qemu(model, blank_image(tmp_path, size)) as bus:
        sfdp = parse(read_tables(bus))
    assert sfdp.basic.size == size
    assert sfdp.anomalies == ()
    assert (sfdp.basic.page is None) == (model in SHORT)
    assert ("4-byte methods" in sfdp.missing) == (model in SHORT)
    if model not in SHORT:
        # MX66L1G45G, W25Q512JV and W25Q01JV data sheets: 4-byte opcodes, B7h, C5h/C8h;
        # QE is bit 6 of SR1 at Macronix, bit 1 of SR2 at Winbond (from memory).
        assert four_byte_methods(sfdp) == (
            FourByte.OPCODES,
            FourByte.ENTER,
            FourByte.EXTENDED_REGISTER,
        )
        assert quad_enable(sfdp) == ("sr1.6" if model.startswith("mx") else "sr2.1")


@every_model
def test_every_erase_type_reaches_as_far_as_the_table_says(model: str, tmp_path: Path) -> None:
    """QEMU erases from the address it is given on, so the addresses are those of whole blocks."""
    size = MODELS[model] * MIB // 8
    with start_qemu(model, blank_image(tmp_path, size)) as bus:
        geometry = to_geometry(parse(read_tables(bus)))
        assert len(geometry.erase_types) >= 2
        for number, kind in enumerate(geometry.erase_types, start=1):
            start = number * 0x40000
            address = start.to_bytes(3, "big")
            bus.run([Transaction(b"\x06"), Transaction(bytes([kind.opcode]) + address)])
            around = (start - 4096).to_bytes(3, "big")
            found = bus.run([Transaction(b"\x03" + around, kind.size + 8192)])[0]
            assert found == bytes(4096) + b"\xff" * kind.size + bytes(4096)


def test_model_without_tables_answers_nothing(tmp_path: Path) -> None:
    with start_qemu("w25q64", blank_image(tmp_path, 8 * MIB)) as bus:
        raw = read_tables(bus)
    assert raw == b""
    with pytest.raises(SfdpError, match="no SFDP signature"):
        parse(raw)
