"""Ask the chip what it is. Only commands that no chip takes for anything else are sent.

A chip that does not answer may be asleep (deep power-down), left in a continuous read by the
board's processor, or in another mode: it is woken in that order, gentlest first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from spiflash.bus.transaction import Bus, Sampling, Transaction
from spiflash.errors import ChipAbsentError, ChipTimeoutError, UnstableReadError
from spiflash.nor import commands, sfdp
from spiflash.nor.chip import Answers, Chip, ChipIdentity, Part
from spiflash.nor.jedec import FLOATING, nand
from spiflash.nor.scheme import MIRRORING, telling

PROBE_CLOCK = 1e6
"""Hertz at which a chip is first spoken to: slow enough for a long, bad lead."""

ID_BYTES = 8

BUSY_LIMIT = 6.0
"""Seconds that a busy chip is waited for: longer than any block erase (4 s at most, from memory
of the data sheets), shorter than a chip erase."""


READ_ANY = 0x65

HARMLESS_DETECTIONS = frozenset({0x05, 0x65})
"""Opcodes that a sector map may have read: 05h reads the status register of every chip, 65h any
register of those that have it (S25FS; Micron takes it for a read too). A table may name any
opcode, and many that read on one chip change another; those are not sent."""


@dataclass(frozen=True, slots=True)
class AnyRegister:
    """How a chip wants 65h (read any register) at present: `width` bytes of address, which is its
    address mode, and `dummy` bytes before the answer. This is sure of the volatile registers, from
    800000h on; where even they have dummies, all have the same (S25FS-S, from memory)."""

    width: int
    dummy: int


_VOLATILE = 0x800000
"""Address of the first volatile register; the copy of the one at n is at 800000h + n."""
_FORMS = tuple(AnyRegister(width, dummy) for width in (3, 4) for dummy in (0, 1))


def any_register(bus: Bus) -> AnyRegister | None:
    """Find out how the chip takes 65h, by reading status register 1 with it (at 800000h) and with
    05h, once with the write enable latch set and once without. None when no form fits, or both
    widths do.

    That is how the kernel tells the address mode of these parts (spansion.c,
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
    # The value is sent again and again: one dummy byte too many reads the same.
    return fits[0] if len({form.width for form in fits}) == 1 else None


def probe(bus: Bus) -> Answers:
    """Read ID, REMS, legacy ID and SFDP at a slow clock.

    Raises `ChipAbsentError` when nothing answers, `UnstableReadError` when two readings of
    the ID differ, `ChipTimeoutError` when the chip is busy and stays so.
    """
    bus.set_clock(PROBE_CLOCK)
    bus.set_sampling(Sampling.LATE)
    first = _id_after_waking(bus)
    if first[0] in FLOATING:
        after = bus.run([commands.read_id_after_dummy(ID_BYTES)])[0]
        if nand(first, after):
            # Nothing else is asked: these commands mean something else on a NAND.
            return Answers(first, after_dummy=after)
    rems, legacy = bus.run([commands.read_rems(), commands.read_legacy_id()])

    def fetch(start: int, count: int) -> bytes:
        return bus.run([commands.read_sfdp(start, count)])[0]

    tables = sfdp.read_whole(fetch)
    second = bus.run([commands.read_id(ID_BYTES)])[0]
    if first != second:
        raise UnstableReadError(
            f"The chip gave two different IDs: {first.hex(' ')}, then {second.hex(' ')}.",
            state="Nothing has been changed on it.",
            remedy="Seat the clip again, shorten the leads, and make sure that the board's own "
            "processor is held in reset.",
        )
    return Answers(first, rems, legacy, tables, _configuration(bus, tables))


def _configuration(bus: Bus, tables: bytes) -> tuple[int, ...] | None:
    """The answers to the sector map's detection commands; None where there are none, or where
    one is not known to be harmless or does not say how it is read."""
    try:
        found = sfdp.parse(tables) if tables else None
    except sfdp.SfdpError:
        return None
    if found is None or found.sector_map is None or not found.sector_map.detections:
        return None
    form: AnyRegister | None = None
    if any(d.opcode == READ_ANY and d.dummy is None for d in found.sector_map.detections):
        form = any_register(bus)
    reads: list[Transaction] = []
    for each in found.sector_map.detections:
        # "As the chip is set up" is three bytes in the mode in which chips wake.
        width, dummy = 3 if each.address_bytes is None else each.address_bytes, each.dummy
        address = each.address
        if dummy is None and form is not None:
            dummy = 8 * form.dummy
            width = form.width if each.address_bytes is None else width
            if not dummy:
                # How long other registers take is not known; the volatile copy is the one that
                # counts in any case (S25HL-T, from memory).
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
    """Read the registers that only some of `candidates` have, where trying them is harmless, and
    the one that turns their erase map round.

    Only an answer counts: an open line reads FFh or 00h whether or not there is a register.
    """
    found: list[tuple[str, int]] = []
    mirrors = {part.mirrored_by for part in candidates} - {""}
    if len(mirrors) == 1 and all(part.mirrored_by for part in candidates):
        register, _ = MIRRORING[mirrors.pop()]
        read = commands.read_register(register.opcode, register.length)
        first, again = bus.run([read, read])
        if first == again and first[0] != 0xFF:
            found.append((register.name, first[0]))
    if len(candidates) < 2:
        return replace(answers, registers=tuple(found))
    for register in telling(answers.id[0], [part.protection for part in candidates]):
        read = commands.read_register(register.opcode, register.length)
        first, again = bus.run([read, read])
        if first == again and first[0] not in (0x00, 0xFF):
            found.append((register.name, first[0]))
    return replace(answers, registers=tuple(found))


def _id_after_waking(bus: Bus) -> bytes:
    read_id = commands.read_id(ID_BYTES)
    for wake in (
        (),
        # 04h ends an auto-increment run that was broken off (SST25VF).
        (commands.write_disable(), commands.read_legacy_id()),
        (commands.leave_continuous_read(),),
        commands.software_reset(),
    ):
        # A busy chip answers nothing but its status, and a reset would break its work off.
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
    """Wait for a chip that was found in the middle of a write or erase."""
    deadline = bus.clock.now() + BUSY_LIMIT
    while True:
        status = bus.run([commands.read_status()])[0][0]
        if status in (0x00, 0xFF) or not status & commands.WIP:
            return
        if bus.clock.now() > deadline:
            raise ChipTimeoutError(
                f"A chip answers, but it has been busy for {BUSY_LIMIT:.0f} s with something "
                "that was started earlier.",
                state="It finishes that by itself as long as it has power.",
                remedy="Leave it powered and repeat in a few minutes; if that does not help, "
                "take the supply off and on again.",
            )
        bus.clock.sleep(0.01)


def _silent(answer: bytes) -> bool:
    """All ones or all zeros in the three bytes that make up an ID."""
    return answer[:3] in (b"\x00\x00\x00", b"\xff\xff\xff")


def read_unique_id(bus: Bus, chip: Chip) -> bytes | None:
    """The factory-programmed unique ID; None for chips without one, or where all of its bytes are
    equal."""
    order = unique_id_order(chip)
    if order is None:
        return None
    return ChipIdentity(chip.jedec_id, bus.run([order])[0], chip.size).unique_id


def unique_id_order(chip: Chip) -> Transaction | None:
    """What reads the unique ID, with addresses of three bytes; None for a chip without one."""
    how = chip.unique_id
    if how is None:
        return None
    return commands.read_unique_id(how.opcode, how.dummy, how.length, how.address)


def read_security(bus: Bus, chip: Chip) -> tuple[bytes, ...]:
    """The contents of each security register; empty for chips without."""
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
