"""The rows of `believable_reading`: each a fault of the simulated bench, drawn from a seed."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from hwmocks.faults import (
    AlikeAtClocks,
    BitErrors,
    DeadClock,
    FixedPlaceError,
    HeldLow,
    IntermittentContact,
    LooseChipSelect,
    LooseMiso,
    LooseMosi,
    Meanwhile,
    MovedClip,
    NoPower,
    OneBitLate,
    OtherMaster,
    Pattern,
    PowerCut,
    SlowWire,
    StuckBits,
    WeakCells,
    WrongBlock,
)
from hwmocks.ftdi import LongReadFlaw, UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice

MIB = 1 << 20
ADAPTERS = ("ft232h", "ft2232h", "ft4232h", "ft2232c", "ft2232d")

Clip = Callable[[NorChip, int], SpiDevice]


def _plain(chip: NorChip, seed: int) -> SpiDevice:
    return chip


@dataclass(frozen=True)
class Row:
    """One line of the table; `clip` wraps the chip in its fault, drawn from a seed; `change`
    does something to the chip itself; `rate` is the true bit error rate where it is known; a
    `slow` row takes many passes. `anonymous` chips have no unique ID. `alone` rows are of
    places that go wrong by themselves, which the screen says are not excluded."""

    name: str
    clip: Clip = _plain
    adapter: str = "ft232h"
    size: int = MIB
    usb: Callable[[int], UsbFaults] = field(default=lambda seed: UsbFaults())
    change: Callable[[NorChip, int], None] = field(default=lambda chip, seed: None)
    half: bool = False
    rate: float | None = None
    slow: bool = False
    anonymous: bool = False
    alone: bool = False


def _noise(rate: float, *, size: int = MIB) -> Row:
    name = f"bit errors {rate:.0e}" if rate else "no fault"
    return Row(
        name + (" 8 MiB" if size > MIB else ""),
        lambda chip, seed: BitErrors(chip, rate, seed=seed),
        size=size,
        rate=rate,
    )


def _no_quad(chip: NorChip, seed: int) -> None:
    """With the quad enable bit set, as the chip ships, HOLD# is a data line and holds nothing."""
    chip.set_register("SR2", chip.registers["SR2"] & ~0x02, lasting=True)


def _stuck_cells(chip: NorChip, seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(20):
        chip.stick(rng.randrange(chip.description.size), rng.randrange(8), rng.randrange(2))


def _fill_security(chip: NorChip, seed: int) -> None:
    rng = random.Random(f"{seed}/security")
    for register in chip.security:
        register[:] = rng.randbytes(len(register))


def _worn(chip: NorChip, seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(5):
        chip.wear_out(rng.randrange(chip.description.size // 4096), bits=3)


def places(chip: NorChip, seed: int, count: int) -> list[int]:
    """Addresses of bits, drawn from the whole chip."""
    return random.Random(f"{seed}/places").sample(range(8 * chip.description.size), count)


def _weak(count: int, chance: float) -> Row:
    cells = "1 cell" if count == 1 else f"{count} cells"
    return Row(
        f"weak: {cells}, p {chance:g}",
        lambda c, s: WeakCells(
            c, c.description.size, dict.fromkeys(places(c, s, count), chance), seed=s
        ),
        alone=True,
    )


def _alike(count: int, size: int = MIB) -> Row:
    return Row(
        f"{count} bits wrong at 30 and 15 MHz" + (" 8 MiB" if size > MIB else ""),
        lambda c, s: AlikeAtClocks(c, c.description.size, places(c, s, count), (30e6, 15e6)),
        size=size,
    )


def _one_band(c: NorChip, s: int) -> SpiDevice:
    low = random.Random(s).randrange(c.description.size - 65536)
    return Pattern(c, c.description.size, 1e-4, low=low, high=low + 65536, seed=s)


def _wrong_block(rate: float) -> Clip:
    def clip(c: NorChip, s: int) -> SpiDevice:
        rng = random.Random(s)
        blocks = rng.sample(range(c.description.size // 65536), 1 + s % 4)
        return WrongBlock(c, c.description.size, blocks, rng.randrange(8, 19), rate, seed=s)

    return clip


def _writes(seed: int, chip: NorChip) -> None:
    """What a processor does to its settings or log: a few bytes, a record, or a sector anew."""
    rng = random.Random(f"{seed}/writes")
    size = chip.description.size
    match seed % 3:
        case 0:
            at, data = rng.randrange(size - 64), rng.randbytes(rng.randrange(1, 32))
            for place, byte in enumerate(data, start=at):
                chip.contents[place] &= byte
        case 1:
            at = rng.randrange(size // 256) * 256
            for place, byte in enumerate(rng.randbytes(256), start=at):
                chip.contents[place] &= byte
        case _:
            at = rng.randrange(size // 4096) * 4096
            used = rng.randrange(256, 4096)
            chip.contents[at : at + 4096] = rng.randbytes(used) + b"\xff" * (4096 - used)


def _processor(times: int) -> Clip:
    """Writes `times` times, at any moment of the passes."""

    def clip(c: NorChip, s: int) -> SpiDevice:
        found: SpiDevice = c
        rng = random.Random(f"{s}/when")
        for number in range(times):

            def act(now: float, number: int = number) -> None:
                _writes(s + number, c)
                STATES.append(bytes(c.contents))

            found = Meanwhile(found, 0.3 + rng.random() * 1.2, act)
        return found

    return clip


def sister(c: NorChip, s: int) -> SpiDevice:
    """A board with the same firmware and settings of its own comes onto the clip."""
    rng = random.Random(f"{s}/sister")
    contents = bytearray(c.contents)
    for _ in range(3):
        at = rng.randrange(len(contents) - 6)
        contents[at : at + 6] = rng.randbytes(6)
    other = NorChip(c.description, bytes(contents), seed=s + 100_000)
    moved = MovedClip(c)

    def act(now: float) -> None:
        moved.move(other, now)
        STATES.append(bytes(other.contents))

    return Meanwhile(moved, 0.3 + rng.random() * 1.2, act)


STATES: list[bytes] = []
"""Contents that were on the clip in the trial under way, since its beginning."""

ROWS: tuple[Row, ...] = (
    _noise(1e-6, size=8 * MIB),
    *(_noise(rate) for rate in (0, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3)),
    *(Row(f"adapter {name}", adapter=name, rate=0.0) for name in ADAPTERS),
    *(
        Row(
            f"adapter {name}, errors 1e-06",
            lambda chip, seed: BitErrors(chip, 1e-6, seed=seed),
            name,
            rate=1e-6,
        )
        for name in ADAPTERS
    ),
    Row("errors on MISO and MOSI", lambda c, s: BitErrors(c, 1e-6, mosi_rate=1e-5, seed=s)),
    Row("slow wire", lambda c, s: SlowWire(c, seed=s)),
    Row("slower wire", lambda c, s: SlowWire(c, delay=60e-9, jitter=3e-9, seed=s)),
    Row("MISO open, high", lambda c, s: LooseMiso(c, True)),
    Row("MISO open, low", lambda c, s: LooseMiso(c, False)),
    Row("MISO floating", lambda c, s: LooseMiso(c, None, seed=s)),
    Row("MOSI open", lambda c, s: LooseMosi(c, bool(s % 2))),
    Row("chip select open", lambda c, s: LooseChipSelect(c)),
    Row("clock open", lambda c, s: DeadClock(c)),
    Row("no supply", lambda c, s: NoPower(c, bool(s % 2))),
    Row("HOLD# low", lambda c, s: HeldLow(c, "HOLD#"), change=_no_quad),
    Row("HOLD# low, quad enabled", lambda c, s: HeldLow(c, "HOLD#"), rate=0.0),
    Row("WP# low", lambda c, s: HeldLow(c, "WP#"), rate=0.0),
    Row("one bit late", lambda c, s: OneBitLate(c)),
    Row("data bits stuck", lambda c, s: StuckBits(c, 0xF0 if s % 2 else 0x0F, bool(s // 2 % 2))),
    Row("one data bit stuck", lambda c, s: StuckBits(c, 1 << s % 8, bool(s // 8 % 2))),
    Row(
        "byte at a fixed place",
        lambda c, s: FixedPlaceError(c, random.Random(s).randrange(200), length=2000),
    ),
    Row(
        "byte at a fixed place, short",
        lambda c, s: FixedPlaceError(c, random.Random(s).randrange(200), length=400),
    ),
    Row("long read flaw", usb=lambda s: UsbFaults(long_read=LongReadFlaw(from_end=s % 300 + 1))),
    Row("MISO comes and goes", lambda c, s: IntermittentContact(c, quiet=0.3, seed=s)),
    Row(
        "MISO comes and goes, often",
        lambda c, s: IntermittentContact(c, quiet=0.02, seed=s),
        slow=True,
    ),
    Row(
        "CS comes and goes",
        lambda c, s: IntermittentContact(c, line="CS", quiet=0.3, seed=s),
        slow=True,
    ),
    Row("CS comes and goes, rare", lambda c, s: IntermittentContact(c, line="CS", quiet=3, seed=s)),
    Row("other master", lambda c, s: OtherMaster(c, seed=s), slow=True),
    Row("other master, rare", lambda c, s: OtherMaster(c, quiet=2.0, burst=2e-3, seed=s)),
    Row("supply cut", lambda c, s: PowerCut(c, at=0.1 + random.Random(s).random())),
    Row(
        "unplugged", usb=lambda s: UsbFaults(unplug_at=random.Random(s).randrange(20, 600)),
        rate=None,
    ),
    Row("worn sectors", change=_worn, rate=0.0),
    Row("stuck cells", change=_stuck_cells, rate=0.0),
    Row("relabelled, half the size", half=True),
    _weak(1, 0.02),
    _weak(1, 0.3),
    _weak(1, 0.5),
    _weak(5, 0.3),
    _weak(50, 0.02),
    _weak(50, 0.3),
    _alike(1),
    _alike(3),
    _alike(3, 8 * MIB),
    Row("one band of 64 KiB, 1e-04", _one_band, slow=True),
    Row("after runs of zeros, 1e-02", lambda c, s: Pattern(
        c, c.description.size, 1e-2, "zero runs", seed=s), alone=True),
    Row("on edges, 1e-05", lambda c, s: Pattern(c, c.description.size, 1e-5, "edges", seed=s)),
    Row("wrong address by block", _wrong_block(1.0)),
    Row("wrong address by block, p 0.5", _wrong_block(0.5), slow=True),
    Row("processor writes once", _processor(1)),
    Row("processor writes 4 times", _processor(4), slow=True),
    Row("a sister board meanwhile", sister),
    Row("a sister board, no unique ID", sister, anonymous=True),
    Row("processor writes, no unique ID", _processor(1), anonymous=True, slow=True),
    *(Row(
        f"security registers, errors {rate:.0e}",
        lambda c, s, rate=rate: BitErrors(c, rate, seed=s),
        change=lambda chip, s: _fill_security(chip, s),
        rate=rate,
        slow=True,
    ) for rate in (1e-6, 1e-5, 3e-5)),
)  # fmt: skip
