"""QEMU's ten models, spoken to in plain opcodes: is the referee itself what it should be?

IDs and sizes are those of the data sheets (table in qemu.py, from memory); the opcodes are the
ones all ten data sheets share. The further references lean on these.
"""

from __future__ import annotations

import random
import socket
from collections.abc import Generator
from pathlib import Path

import pytest

from spiflash.bus import Sampling, Transaction
from spiflash.errors import AdapterLostError, BusError
from tests.references.qemu import (
    MODELS,
    Model,
    QemuError,
    QtestLink,
    available_models,
    model_size,
    start_qemu,
)

pytestmark = pytest.mark.needs("qemu-system-arm")

every_model = pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
THREE_BYTES = 3
WREN = Transaction(b"\x06")
WRDI = Transaction(b"\x04")
RDSR = Transaction(b"\x05", 1)


def make_image(folder: Path, contents: bytes) -> Path:
    image = folder / "flash.img"
    image.write_bytes(contents)
    return image


def command(opcode: int, address: int, data: bytes = b"") -> bytes:
    return bytes([opcode]) + address.to_bytes(THREE_BYTES, "big") + data


def differences(left: bytes, right: bytes, block: int = 4096) -> list[str]:
    """The addresses of the blocks in which two equally long contents differ, in hex."""
    assert len(left) == len(right)
    starts = range(0, len(left), block)
    return [hex(s) for s in starts if left[s : s + block] != right[s : s + block]]


def unlock(model: Model) -> list[Transaction]:
    """SST parts wake up with every block protected: 50h and 01h 00h (SST25VF032B, WRSR)."""
    if not model.name.startswith("sst25vf"):
        return []
    return [Transaction(b"\x50"), Transaction(b"\x01\x00")]


@every_model
def test_id_and_status(model: Model, tmp_path: Path) -> None:
    image = make_image(tmp_path, bytes(model.size))
    with start_qemu(model.name, image) as bus:
        answers = bus.run([Transaction(b"\x9f", len(model.id)), WREN, RDSR, WRDI, RDSR])
        assert answers[0] == model.id
        assert (answers[2][0] & 0x03, answers[4][0] & 0x03) == (0x02, 0x00)
        assert model.name in bus.description


@every_model
def test_reads_agree_with_the_image_in_every_way_of_reading(model: Model, tmp_path: Path) -> None:
    contents = random.Random(model.name).randbytes(1 << 18) * (model.size >> 18)
    image = make_image(tmp_path, contents)
    with start_qemu(model.name, image) as bus:
        bus.set_sampling(Sampling.LATE)
        starts = [0, 1, 255, 0x10003, (1 << 18) - 7]
        slow = bus.run([Transaction(command(0x03, start), 300) for start in starts])
        fast = bus.run([Transaction(command(0x0B, start, b"\0"), 300) for start in starts])
        assert slow == fast == [contents[start : start + 300] for start in starts]
        pieces = list(bus.stream(command(0x03, 5), 100_000, chunk=30_000))
        assert [len(piece) for piece in pieces] == [30_000, 30_000, 30_000, 10_000]
        assert b"".join(pieces) == contents[5:100_005]
        assert bus.run([Transaction(command(0x03, 9), 70_000)]) == [contents[9:70_009]]


@every_model
def test_an_abandoned_stream_ends_the_select_period(model: Model, tmp_path: Path) -> None:
    image = make_image(tmp_path, bytes(model.size))
    with start_qemu(model.name, image) as bus:
        stream = bus.stream(command(0x03, 0), 5000, chunk=1000)
        assert next(stream) == bytes(1000)
        assert isinstance(stream, Generator)
        stream.close()
        assert bus.run([Transaction(b"\x9f", 3)]) == [model.id[:3]]


@every_model
def test_programmed_and_erased_bytes_reach_the_image_file(model: Model, tmp_path: Path) -> None:
    """After the end of QEMU the file holds what was written, and nothing else has changed."""
    before = bytearray(random.Random(model.name).randbytes(0x40000))
    before += bytes(model.size - len(before))
    image = make_image(tmp_path, bytes(before))
    block = 0x20000
    page = random.Random(1).randbytes(256)
    with start_qemu(model.name, image) as bus:
        bus.run([*unlock(model), WREN, Transaction(command(0xD8, block))])
        if model.name.startswith("sst25vf"):
            programmed = [
                transaction
                for offset, byte in enumerate(page)
                for transaction in (
                    WREN,
                    Transaction(command(0x02, block + 0x300 + offset, bytes([byte]))),
                )
            ]
        else:
            programmed = [WREN, Transaction(command(0x02, block + 0x300, page))]
        bus.run(programmed)
        expected = bytearray(before)
        expected[block : block + 0x10000] = b"\xff" * 0x10000
        expected[block + 0x300 : block + 0x400] = page
        assert (
            differences(
                bus.run([Transaction(command(0x03, 0), 0x40000)])[0], bytes(expected[:0x40000])
            )
            == []
        )
    assert differences(image.read_bytes(), bytes(expected)) == []


def test_the_family_has_the_ten_and_sizes_can_be_asked(tmp_path: Path) -> None:
    models = available_models()
    assert {model.name for model in MODELS} <= set(models)
    assert "max1111" not in models  # an A/D converter on the same kind of bus
    by_name = {model.name: model.size for model in MODELS}
    assert model_size("sst25vf032b", tmp_path) == by_name["sst25vf032b"]


def test_a_qemu_that_cannot_start_says_why(tmp_path: Path) -> None:
    image = make_image(tmp_path, bytes(4096))
    with pytest.raises(QemuError, match="flash content"), start_qemu("w25q64", image):
        pass


def test_a_link_names_what_went_wrong() -> None:
    ours, theirs = socket.socketpair()
    ours.settimeout(0.2)
    link = QtestLink(ours)
    theirs.sendall(b"OK AQI=\nFAIL Unknown command\n")
    assert link.exchange(["b64read 0 2"]) == [b"\x01\x02"]
    with pytest.raises(BusError, match="Unknown command"):
        link.exchange(["nonsense"])
    with pytest.raises(BusError, match="in time"):
        link.exchange(["b64read 0 1"])
    theirs.close()
    with pytest.raises(AdapterLostError):
        QtestLink(ours).exchange(["b64read 0 1"])
    ours.close()


def test_a_closed_bus_says_so(tmp_path: Path) -> None:
    image = make_image(tmp_path, bytes(8 << 20))
    with start_qemu("w25q64", image) as bus:
        bus.close()
        bus.close()
        with pytest.raises(BusError, match="closed"):
            bus.run([Transaction(b"\x9f", 3)])
