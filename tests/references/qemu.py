"""QEMU's flash models as a `Bus`: an implementation of flash chips that nobody here wrote.

QEMU emulates the AST2500 and its flash controller. The processor stays stopped; the controller
is driven from outside over QEMU's "qtest" socket, a line protocol that reads and writes
physical addresses (QEMU documentation, "QTest Device Emulation Testing Framework"). In the
controller's user mode every access to the flash window moves bytes over SPI as they are
(register layout: QEMU's hw/ssi/aspeed_smc.c, after ASPEED's AST2500 data sheet).

The file needs Debian's qemu-system-arm and nothing of spiflash but the bus contract.
"""

from __future__ import annotations

import base64
import contextlib
import json
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from spiflash.bus import Clock, Sampling, Transaction
from spiflash.errors import AdapterLostError, BusError

PROGRAM: Final = "qemu-system-arm"
MACHINE: Final = "ast2500-evb"

CONTROLLER: Final = 0x1E620000
WINDOW: Final = 0x20000000
CONFIGURE: Final = CONTROLLER + 0x00
ADDRESS_WIDTH: Final = CONTROLLER + 0x04
CHIP_SELECT: Final = CONTROLLER + 0x10
CONFIGURE_SPI_WRITABLE: Final = 0x00010002
SELECTED: Final = 3
DESELECTED: Final = 7

OUTSTANDING: Final = 48 * 1024
"""Most bytes sent, or expected back, before replies are read: both well below what a UNIX
socket buffers, so that neither side ever blocks on a write while the other one does."""
LONGEST_READ: Final = 65536

FAST_READS: Final = frozenset({0x0B, 0x0C})
"""Reads with one dummy byte after the address, as far as a single-wire bus has them."""

DUMMY_TRANSFERS: Final = {0xEF: 8, 0xC2: 8, 0x20: 8, 0x01: 8, 0x9D: 1, 0xBF: 1}
"""Byte transfers that QEMU's model wants for the dummy byte of a fast read, by manufacturer.

QEMU counts dummy *clocks* as bytes for most makers, one byte for ISSI and SST, and has none at
all for the others (hw/block/m25p80.c, decode_fast_read_cmd; checked by the fast-read test, which
compares 0Bh with 03h)."""


@dataclass(frozen=True, slots=True)
class Model:
    """A flash model of QEMU and what the data sheet of that chip says of it.

    `id` is the answer to 9Fh as far as the data sheet fixes it, `size` is in bytes.
    """

    name: str
    id: bytes
    size: int


MODELS: Final = (
    Model("w25q64", bytes.fromhex("ef4017"), 8 << 20),  # Winbond W25Q64FV, table of IDs
    Model("gd25q64", bytes.fromhex("c84017"), 8 << 20),  # GigaDevice GD25Q64C, table of IDs
    Model("mx25l12805d", bytes.fromhex("c22018"), 16 << 20),  # Macronix MX25L12805D, RDID
    Model("w25q256", bytes.fromhex("ef4019"), 32 << 20),  # Winbond W25Q256FV, table of IDs
    Model("mx25l25635f", bytes.fromhex("c22019"), 32 << 20),  # Macronix MX25L25635F, RDID
    Model("n25q128", bytes.fromhex("20ba18"), 16 << 20),  # Micron N25Q128A 3 V, READ ID
    Model("s25fl129p1", bytes.fromhex("0120184d01"), 16 << 20),  # Spansion S25FL129P 64 KB, RDID
    Model("is25lp128", bytes.fromhex("9d6018"), 16 << 20),  # ISSI IS25LP128, product ID
    Model("sst25vf032b", bytes.fromhex("bf254a"), 4 << 20),  # SST SST25VF032B, JEDEC read-ID
    Model("en25q64", bytes.fromhex("1c3017"), 8 << 20),  # EON EN25Q64, ID definitions
)
"""The models that every run checks; the figures are those of the data sheets, from memory."""


class QemuError(Exception):
    """QEMU did not start or did not stop as it should; carries what it printed."""


class RealClock:
    """The machine's own monotonic clock."""

    def now(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class QtestLink:
    """The line protocol: a command a line, and an answer that starts with OK to each.

    Data come in Base64, which QEMU writes three times as fast as hexadecimal digits.
    """

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._answers = connection.makefile("rb")

    def exchange(self, commands: Sequence[str]) -> list[bytes]:
        """Send the commands at once; the bytes after "OK" of each answer.

        Raises `AdapterLostError` when QEMU is gone and `BusError` when it does not answer in
        time or answers with an error.
        """
        try:
            self._connection.sendall("".join(f"{command}\n" for command in commands).encode())
            return [self._answer(command) for command in commands]
        except TimeoutError as late:
            raise BusError("QEMU did not answer in time.") from late
        except (ConnectionError, OSError) as gone:
            raise AdapterLostError(f"QEMU is gone: {gone}.") from gone

    def _answer(self, command: str) -> bytes:
        line = self._answers.readline()
        if not line:
            raise ConnectionError("the socket was closed")
        word, _, rest = line.strip().partition(b" ")
        if word != b"OK":
            raise BusError(f"QEMU answered {line!r} to {command[:60]!r}.")
        return base64.b64decode(rest, validate=True)

    def close(self) -> None:
        self._answers.close()
        self._connection.close()


class QemuBus:
    """A `Bus` with one of QEMU's flash models on it.

    QEMU's chips are never busy, so `rest` costs no time; its wires have no clock, so
    `set_clock` and `set_sampling` are accepted and change nothing.
    """

    def __init__(self, link: QtestLink, model: str) -> None:
        self._link = link
        self._model = model
        self._clock = RealClock()
        self._closed = False
        self._hertz = 6e6
        self._sampling = Sampling.LATE
        link.exchange(
            [
                f"writel {CONFIGURE:#x} {CONFIGURE_SPI_WRITABLE:#x}",
                f"writel {CHIP_SELECT:#x} {DESELECTED}",
            ]
        )
        maker = self.run([Transaction(b"\x9f", 1)])[0][0]
        self._dummy_transfers = DUMMY_TRANSFERS.get(maker, 0)

    @property
    def clock(self) -> Clock:
        return self._clock

    @property
    def description(self) -> str:
        return f"QEMU {MACHINE}, flash model {self._model}"

    @property
    def clock_limits(self) -> tuple[float, float]:
        return (1e3, 100e6)

    @property
    def hertz(self) -> float:
        return self._hertz

    def set_clock(self, hertz: float) -> float:
        slowest, fastest = self.clock_limits
        if hertz < slowest:
            raise BusError(f"{hertz} Hz is below {slowest} Hz.")
        self._hertz = min(hertz, fastest)
        return self._hertz

    def set_sampling(self, sampling: Sampling) -> None:
        if not isinstance(sampling, Sampling):
            raise TypeError(f"{sampling!r} is no Sampling")
        self._sampling = sampling

    @property
    def sampling(self) -> Sampling:
        return self._sampling

    def run(self, transactions: Sequence[Transaction]) -> list[bytes]:
        answers: list[bytes] = []
        batch: list[list[str]] = []
        sent = expected = 0
        for transaction in transactions:
            if transaction.read > LONGEST_READ:
                answers += self._flush(batch)
                batch, sent, expected = [], 0, 0
                answers.append(b"".join(self.stream(transaction.out, transaction.read)))
                continue
            commands = self._period(transaction)
            size = sum(map(len, commands)) + len(commands)
            reply = 2 * transaction.read + 8 * len(commands)
            if batch and (sent + size > OUTSTANDING or expected + reply > OUTSTANDING):
                answers += self._flush(batch)
                batch, sent, expected = [], 0, 0
            batch.append(commands)
            sent += size
            expected += reply
        return answers + self._flush(batch)

    def run_ahead(self, batches: Iterable[Sequence[Transaction]]) -> Iterator[list[bytes]]:
        return (self.run(batch) for batch in batches)

    def stream(self, out: bytes, length: int, chunk: int = 65536) -> Iterator[bytes]:
        if not 1 <= chunk <= LONGEST_READ:
            raise BusError(f"A chunk of {chunk} bytes is not within 1 to {LONGEST_READ}.")
        self._check_open()
        self._link.exchange([f"writel {CHIP_SELECT:#x} {SELECTED}", *self._send(out)])
        try:
            for start in range(0, length, chunk):
                yield self._link.exchange([_read(min(chunk, length - start))])[0]
        finally:
            self._link.exchange([f"writel {CHIP_SELECT:#x} {DESELECTED}"])

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._link.close()

    def _check_open(self) -> None:
        if self._closed:
            raise BusError("The bus to QEMU is closed.")

    def _flush(self, batch: Sequence[Sequence[str]]) -> list[bytes]:
        """One answer a chip-select period: what its last but one command, a read, brought."""
        self._check_open()
        replies = iter(self._link.exchange([line for period in batch for line in period]))
        return [b"".join(next(replies) for _ in period) for period in batch]

    def _period(self, transaction: Transaction) -> list[str]:
        commands = [f"writel {CHIP_SELECT:#x} {SELECTED}", *self._send(transaction.out)]
        if transaction.read:
            commands.append(_read(transaction.read))
        return [*commands, f"writel {CHIP_SELECT:#x} {DESELECTED}"]

    def _send(self, out: bytes) -> list[str]:
        if not out:
            return []
        if out[0] in FAST_READS and len(out) in (5, 6):
            return self._send_fast_read(out)
        # The controller watches user-mode writes for reads with dummies (see below); the first
        # byte alone makes sure that it sees the opcode and nothing else as the opcode.
        return [_write(out[:1]), *([_write(out[1:])] if len(out) > 1 else [])]

    def _send_fast_read(self, out: bytes) -> list[str]:
        """A fast read whose dummy byte becomes what QEMU's model wants.

        The controller replaces the first byte after opcode and address by eight transfers.
        Where the model wants one or none it is told of 4-byte addresses, so that it waits for
        a byte that never comes.
        """
        address = len(out) - 2
        as_eight = self._dummy_transfers == 8
        wide = address == 4 or not as_eight
        body = out if self._dummy_transfers else out[:-1]
        if address == 4 and not as_eight:
            raise BusError("QEMU has no fast read with 4-byte addresses for this maker.")
        return [
            f"writel {ADDRESS_WIDTH:#x} {int(wide)}",
            *(_write(bytes([byte])) for byte in body),
        ]


def _write(data: bytes) -> str:
    return f"write {WINDOW:#x} {len(data):#x} 0x{data.hex()}"


def _read(length: int) -> str:
    return f"b64read {WINDOW:#x} {length:#x}"


@contextlib.contextmanager
def start_qemu(model: str, image: Path, deadline: float = 20.0) -> Iterator[QemuBus]:
    """A bus to a fresh QEMU with `model`, whose contents are the file `image`.

    The file must be at least as long as the chip. When the block ends QEMU is stopped in
    order, after which the file holds what the chip held. `deadline` in seconds holds for the
    start, for every answer and for the end.
    Raises `QemuError` when QEMU does not start, crashes, or does not end by itself.
    """
    with (
        tempfile.TemporaryDirectory(prefix="qtest-") as folder,
        socket.socket(socket.AF_UNIX) as listener,
    ):
        path = Path(folder, "socket")
        listener.bind(str(path))
        listener.listen(1)
        log = Path(folder, "stderr")
        with log.open("wb") as stderr:
            process = subprocess.Popen(
                _command_line(model, image, path), stdin=subprocess.DEVNULL, stderr=stderr
            )
        try:
            connection = _accept(listener, process, log, deadline)
            connection.settimeout(deadline)
            try:
                bus = QemuBus(QtestLink(connection), model)
            except BusError as failed:
                process.wait(deadline)
                raise QemuError(f"QEMU did not start: {log.read_text()}") from failed
            try:
                yield bus
            finally:
                bus.close()
            _stop(process, log, deadline)
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()


def _command_line(model: str, image: Path, path: Path) -> list[str]:
    return [
        PROGRAM,
        *("-M", f"{MACHINE},fmc-model={model}"),
        *("-accel", "tcg"),
        "-S",
        *("-display", "none"),
        "-nodefaults",
        *("-serial", "none"),
        *("-drive", f"file={image},if=mtd,format=raw"),
        *("-qtest", f"unix:{path}"),
        *("-qtest-log", "/dev/null"),
    ]


def _accept(
    listener: socket.socket, process: subprocess.Popen[bytes], log: Path, deadline: float
) -> socket.socket:
    end = time.monotonic() + deadline
    listener.settimeout(0.1)
    while time.monotonic() < end:
        try:
            return listener.accept()[0]
        except TimeoutError:
            if process.poll() is not None:
                break
    raise QemuError(f"QEMU did not start (status {process.poll()}): {log.read_text()}")


def _stop(process: subprocess.Popen[bytes], log: Path, deadline: float) -> None:
    """Ask QEMU to end: on SIGTERM it drains its block layer before it goes."""
    if process.poll() is not None:
        raise QemuError(f"QEMU ended early (status {process.poll()}): {log.read_text()}")
    process.terminate()
    try:
        status = process.wait(deadline)
    except subprocess.TimeoutExpired as late:
        raise QemuError(f"QEMU did not end within {deadline} s: {log.read_text()}") from late
    if status != 0:
        raise QemuError(f"QEMU ended with status {status}: {log.read_text()}")


def available_models() -> tuple[str, ...]:
    """The names of all flash models this QEMU has, sorted (its m25p80 family, asked by QMP)."""
    requests = (
        {"execute": "qmp_capabilities"},
        {"execute": "qom-list-types", "arguments": {"implements": "m25p80-generic"}},
        {"execute": "quit"},
    )
    done = subprocess.run(
        [PROGRAM, "-M", "none", "-display", "none", "-qmp", "stdio"],
        input="\n".join(json.dumps(request) for request in requests),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    lists = [a["return"] for a in answers if isinstance(a.get("return"), list)]
    if len(lists) != 1:
        raise QemuError(f"QEMU answered {done.stdout!r}")
    return tuple(sorted(entry["name"] for entry in lists[0]))


def model_size(model: str, folder: Path) -> int:
    """The size of a model in bytes: that of the smallest drive with which QEMU starts.

    `folder` takes the trial image, which is sparse. Raises `QemuError` when none up to
    512 MiB will do.
    """
    image = folder / f"{model}.trial"
    for exponent in range(16, 30):
        with image.open("wb") as file:
            file.truncate(1 << exponent)
        try:
            with start_qemu(model, image):
                return 1 << exponent
        except QemuError:
            continue
        finally:
            image.unlink()
    raise QemuError(f"no drive is large enough for {model}")
