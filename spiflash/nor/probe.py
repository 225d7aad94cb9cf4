"""Ask the chip what it is, with commands that no chip understands as anything else.

A chip that does not answer may be in deep power-down, left in a continuous read by the board's
processor, or in another mode. It is woken in that order, the gentlest way first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from spiflash.bus import Bus, Sampling, Transaction
from spiflash.errors import ChipAbsentError, ChipTimeoutError, UnstableReadError
from spiflash.nor import commands
from spiflash.nor.chip import Answers, Chip, ChipIdentity, Part
from spiflash.nor.jedec import FLOATING, nand
from spiflash.nor.scheme import MIRRORING, Register, distinguishing_registers
from spiflash.nor.sfdp import parse
from spiflash.nor.sfdp.headers import SfdpError, read_whole
from spiflash.text import hex_pairs

PROBE_CLOCK = 1e6
"""Hertz for the first commands to a chip: slow enough for long or bad leads."""

ID_BYTES = 8

BUSY_LIMIT = 6.0
"""Seconds to wait for a busy chip: longer than any block erase (4 s at most, by the data sheets),
shorter than a chip erase."""


READ_ANY = 0x65

HARMLESS_DETECTIONS = frozenset({0x05, 0x65})
"""Opcodes that are sent when a sector map asks for them: 05h reads the status register of every
chip, 65h any register of the chips that have it (S25FS; it is a read on Micron's, too). A table may
name any opcode, but many that read on one chip change another; those are not sent."""


@dataclass(frozen=True, slots=True)
class AnyRegister:
    """The form in which a chip takes 65h (read any register) now: `width` bytes of address, which
    is its address mode, and `dummy` bytes before the answer. This holds for the volatile registers,
    from 800000h on; if even these have dummies, all registers have the same number (S25FS-S)."""

    width: int
    dummy: int


_VOLATILE = 0x800000
"""Address of the first volatile register; the copy of the one at n is at 800000h + n."""
_FORMS = tuple(AnyRegister(width, dummy) for width in (3, 4) for dummy in (0, 1))


def any_register(bus: Bus) -> AnyRegister | None:
    """Find out the form in which the chip takes 65h: read status register 1 with it (at 800000h)
    and with 05h, once with the write enable latch set and once without. None if no form matches, or
    if both widths do.

    The kernel finds out the address mode of these parts in the same way (spansion.c,
    cypress_nor_determine_addr_mode_by_sr1). The latch is left clear; nothing else changes.
    """
    reads = [commands.read_status()]
    for form in _FORMS:
        head = bytes((READ_ANY,)) + _VOLATILE.to_bytes(form.width, "big")
        reads.append(Transaction(head + bytes(form.dummy), 1))
    count = len(reads)
    answers = bus.run([commands.write_enable(), *reads, commands.write_disable(), *reads])
    armed, idle = answers[1 : 1 + count], answers[2 + count :]
    if not armed[0][0] & commands.WEL or idle[0][0] & commands.WEL:
        return None
    fits = [
        form
        for form, one, other in zip(_FORMS, armed[1:], idle[1:], strict=True)
        if (one, other) == (armed[0], idle[0])
    ]
    # The chip repeats the value, so one dummy byte too many reads the same.
    return fits[0] if len({form.width for form in fits}) == 1 else None


def probe(bus: Bus) -> Answers:
    """Read ID, REMS, legacy ID and SFDP at a slow clock.

    Raises `ChipAbsentError` if nothing answers, `UnstableReadError` if two readings of the ID
    differ, `ChipTimeoutError` if the chip stays busy.
    """
    bus.set_clock(PROBE_CLOCK)
    bus.set_sampling(Sampling.LATE)
    first = _id_after_waking(bus)
    if first[0] in FLOATING:
        after = bus.run([commands.read_id_after_dummy(ID_BYTES)])[0]
        if nand(first, after):
            # No further commands: they mean something else on a NAND.
            return Answers(first, after_dummy=after)
    rems, legacy = bus.run([commands.read_rems(), commands.read_legacy_id()])

    def fetch(start: int, count: int) -> bytes:
        return bus.run([commands.read_sfdp(start, count)])[0]

    tables = read_whole(fetch)
    second = bus.run([commands.read_id(ID_BYTES)])[0]
    if first != second:
        raise UnstableReadError(
            f"The chip answered with two different IDs: {hex_pairs(first)}, then "
            f"{hex_pairs(second)}.",
            state="Nothing has been changed on it.",
            remedy="Seat the clip again, shorten the leads, and make sure that the board's own "
            "processor is held in reset.",
        )
    return Answers(first, rems, legacy, tables, _configuration(bus, tables))


def _configuration(bus: Bus, tables: bytes) -> tuple[int, ...] | None:
    """The answers to the sector map's detection commands; None if there are none, or if one is not
    known to be harmless or does not say how it is to be sent."""
    try:
        found = parse(tables) if tables else None
    except SfdpError:
        return None
    if found is None or found.sector_map is None or not found.sector_map.detections:
        return None
    form: AnyRegister | None = None
    if any(d.opcode == READ_ANY and d.dummy is None for d in found.sector_map.detections):
        form = any_register(bus)
    reads: list[Transaction] = []
    for each in found.sector_map.detections:
        # "As the chip is set up" means three bytes in the mode after power-up.
        width, dummy = 3 if each.address_bytes is None else each.address_bytes, each.dummy
        address = each.address
        if dummy is None and form is not None:
            dummy = 8 * form.dummy
            width = form.width if each.address_bytes is None else width
            if not dummy:
                # The dummies of other registers are not known, and the volatile copy is the one
                # that the chip uses in any case (S25HL-T).
                address |= _VOLATILE
        if each.opcode not in HARMLESS_DETECTIONS or dummy is None or dummy % 8:
            return None
        if address >> 8 * width:
            return None
        head = bytes((each.opcode,)) + address.to_bytes(width, "big")
        reads.append(Transaction(head + bytes(dummy // 8), 1))
    first, again = bus.run(reads), bus.run(reads)
    return tuple(answer[0] for answer in first) if first == again else None


def probe_shared_id(bus: Bus, answers: Answers, candidates: Sequence[Part]) -> Answers:
    """Read the registers that only some of `candidates` have, if trying them is harmless, and the
    one that mirrors their erase map.

    FFh and 00h do not count: they are read without any register, too.
    """
    found: list[tuple[str, int]] = []
    mirrors = {part.mirrored_by for part in candidates} - {""}
    if len(mirrors) == 1 and all(part.mirrored_by for part in candidates):
        register, _ = MIRRORING[mirrors.pop()]
        value = _steady(bus, register)
        if value is not None and value != 0xFF:
            found.append((register.name, value))
    if len(candidates) > 1:
        for register in distinguishing_registers(
            answers.id[0], [part.protection for part in candidates]
        ):
            value = _steady(bus, register)
            if value is not None and value not in (0x00, 0xFF):
                found.append((register.name, value))
    return replace(answers, registers=tuple(found))


def _steady(bus: Bus, register: Register) -> int | None:
    """The first byte of a register; None if two readings differ."""
    first, again = bus.run([commands.read_register(register.opcode, register.length)] * 2)
    return first[0] if first == again else None


def _id_after_waking(bus: Bus) -> bytes:
    read_id = commands.read_id(ID_BYTES)
    for wake in (
        (),
        # 04h ends an auto-increment run that was interrupted (SST25VF).
        (commands.write_disable(), commands.read_legacy_id()),
        (commands.leave_continuous_read(),),
        commands.software_reset(),
    ):
        # A busy chip answers only with its status, and a reset would interrupt its work.
        _let_finish(bus)
        answer = bus.run([*wake, read_id])[-1]
        if not _silent(answer):
            return answer
    level = "low (all 00)" if answer[0] == 0 else "high (all FF)"
    likely = (
        "no supply at the chip, or DO (pin 2) shorted to ground"
        if answer[0] == 0
        else "the clip is not seated, DO (pin 2) is open, or CS# (pin 1) does not reach the chip"
    )
    raise ChipAbsentError(
        f"No flash chip answers: the data line stays {level}.",
        state="Nothing has been changed.",
        remedy=f"Likely: {likely}. Check pin 1, the supply and ground, then repeat; "
        "'spiflash wiring' shows the pins.",
    )


def _let_finish(bus: Bus) -> None:
    """Wait for a chip that is still busy with an earlier write or erase."""
    deadline = bus.clock.now() + BUSY_LIMIT
    while True:
        status = bus.run([commands.read_status()])[0][0]
        if status in (0x00, 0xFF) or not status & commands.WIP:
            return
        if bus.clock.now() > deadline:
            raise ChipTimeoutError(
                f"A chip answers, but it has been busy for {BUSY_LIMIT:.0f} s with an earlier "
                "command.",
                state="It finishes by itself as long as it has power.",
                remedy="Leave it powered and repeat in a few minutes. If that does not help, "
                "switch its supply off and on.",
            )
        bus.clock.sleep(0.01)


def _silent(answer: bytes) -> bool:
    """All ones or all zeros in the three bytes of an ID."""
    return answer[:3] in (b"\x00\x00\x00", b"\xff\xff\xff")


def read_unique_id(bus: Bus, chip: Chip) -> bytes | None:
    """The factory-programmed unique ID; None for chips without one, or if all of its bytes are
    equal."""
    order = unique_id_order(chip)
    if order is None:
        return None
    return ChipIdentity(chip.jedec_id, bus.run([order])[0], chip.size).unique_id


def unique_id_order(chip: Chip) -> Transaction | None:
    """The transaction that reads the unique ID, with three address bytes; None for a chip without
    one."""
    how = chip.unique_id
    if how is None:
        return None
    return commands.read_unique_id(how.opcode, how.dummy, how.length, how.address)


def read_security(bus: Bus, chip: Chip) -> tuple[bytes, ...]:
    """The contents of each security register; empty for chips without any."""
    if chip.security is None:
        return ()
    how = chip.security
    return tuple(
        bus.run(
            [
                commands.read_security(how.opcode, start, how.dummy, how.length)
                for start in how.addresses
            ]
        )
    )
