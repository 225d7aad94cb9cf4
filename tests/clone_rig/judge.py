"""Whether a batch of cloned boards is right.

What a good board must hold is computed from the demo boards, zlib and mkenvimage, and
fw_printenv is asked what a boot loader's tools see: nothing of it comes from the program.
"""

from __future__ import annotations

import os
import re
import subprocess
import zlib
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from hwmocks.boards.heron import heron_open, heron_variant
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import BoardRecord, check_ledger
from tests.clone_rig.heron import ENV, FACTORY, SERIAL_AT, Board

KINDS = {
    "bad clip": "contact",
    "worn sector": "write",
    "wrong chip": "chip",
    "unplugged": "adapter",
}
"""What the ledger must call each fault."""


def board_number(record: BoardRecord) -> int:
    """Which board a row is about; the adapter's name tells."""
    found = re.match(r"board (\d+) ", record.adapter)
    assert found, record.adapter
    return int(found[1])


def expected(number: int, values: dict[str, str], folder: Path) -> bytes:
    """What a good board holds, made without the program: environment by mkenvimage, factory
    region of the board itself, serial number with its CRC-32 by zlib."""
    contents = bytearray(heron_open())
    text = bytes(contents[ENV[0] + 4 : contents.index(b"\0\0", ENV[0])]).split(b"\0")
    text += [f"ethaddr={values['ethaddr']}".encode(), f"serial#={values['serial']}".encode()]
    source, made = folder / "env.txt", folder / "env.bin"
    source.write_bytes(b"\n".join(text) + b"\n")
    subprocess.run(["mkenvimage", "-s", "0x10000", "-o", made, source], check=True)
    contents[ENV[0] : ENV[1]] = made.read_bytes()
    contents[slice(*FACTORY)] = heron_variant(number)[slice(*FACTORY)]
    raw = values["serial"].encode().ljust(16, b"\0")
    contents[SERIAL_AT : SERIAL_AT + 20] = raw + zlib.crc32(raw).to_bytes(4, "little")
    return bytes(contents)


def printed(contents: bytes, folder: Path) -> dict[str, str]:
    """What fw_printenv (Debian's libubootenv-tool) sees; it refuses a wrong CRC."""
    dump, config = folder / "dump.bin", folder / "fw_env.config"
    dump.write_bytes(contents)
    config.write_text(f"{dump} {ENV[0]:#x} {ENV[1] - ENV[0]:#x}\n")
    # -f names a default environment for a wrong CRC; an empty one must never be needed.
    done = subprocess.run(
        ["fw_printenv", "-c", config, "-f", os.devnull], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr + done.stdout
    return dict(line.partition("=")[::2] for line in done.stdout.splitlines())


def judge(
    boards: Sequence[Board],
    contents: Callable[[Board], bytes],
    records: Iterable[BoardRecord],
    folder: Path,
) -> list[str]:
    """Everything that is wrong with a batch, in words."""
    wrong: list[str] = []
    last: dict[int, BoardRecord] = {}
    passed: dict[int, int] = {}
    used: dict[str, int] = {}
    for record in records:
        number = board_number(record)
        last[number] = record
        passed[number] = passed.get(number, 0) + record.good
    for board in boards:
        found = last.get(board.number)
        if found is None:
            wrong.append(f"board {board.number} has no row")
        elif board.fault:
            if passed[board.number]:
                wrong.append(f"board {board.number} ({board.fault}) was called good")
            if found.kind != KINDS[board.fault]:
                wrong.append(f"board {board.number} ({board.fault}) is recorded as {found.kind}")
        else:
            wrong += _wrong_board(board, contents(board), found, passed[board.number], folder)
            for value in found.values.values():
                if value in used:
                    wrong.append(f"{value} is on boards {used[value]} and {board.number}")
                used[value] = board.number
    return wrong


def _wrong_board(
    board: Board, held: bytes, record: BoardRecord, passed: int, folder: Path
) -> list[str]:
    if passed != 1:
        return [f"good board {board.number}: {record.kind} {record.reason}, {passed} good rows"]
    values = dict(record.values)
    wrong = []
    if held != expected(board.number, values, folder):
        wrong.append(f"board {board.number} does not hold what it should")
    seen = printed(held, folder)
    if (seen.get("ethaddr"), seen.get("serial#")) != (values["ethaddr"], values["serial"]):
        wrong.append(f"fw_printenv sees {seen.get('ethaddr')} on board {board.number}")
    return wrong


def batch_complaints(ledger: Ledger, records: Sequence[BoardRecord]) -> list[str]:
    """What is wrong with the ledger after a batch, in words."""
    good = {record.key for record in records if record.good}
    checked = check_ledger(ledger.store)
    wrong = list(checked.problems)
    given = {text for record in records if record.good for text in record.values.values()}
    if len(given) != 2 * len(good):
        wrong.append(f"{len(good)} good boards have {len(given)} values")
    for board in ledger.all_in_hand():
        if board.key in good:
            wrong.append(f"the good board {board.key} is in hand still")
    return wrong
