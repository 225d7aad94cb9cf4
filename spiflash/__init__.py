"""spiflash: save, understand, recover and clone SPI NOR flash chips at a repair bench.

This is the Python interface, made of the same jobs as the commands and held to the same rules: a
chip is only written when a verified backup of this very chip is on the shelf, and a write that
returns has been read back. Names that are not in `__all__` may change at any time.

    import spiflash

    with spiflash.open("sim:heron") as chip:
        backup = chip.backup(shelf="shelf")
        chip.write("openfw.img", confirm=lambda plan: plan.erases < 50)

Addresses, lengths and sizes are bytes, clocks hertz, times seconds. Every error is a
`SpiflashError`, with `cause`, `state` (what is safe now) and `remedy`.
"""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spiflash.errors import SpiflashError, UnstableReadError

if TYPE_CHECKING:
    from spiflash.archive.shelf import Shelf
    from spiflash.dump.audit import Audit
    from spiflash.jobs import Watcher
    from spiflash.jobs.backup import Backup, Verified
    from spiflash.jobs.connection import Connection
    from spiflash.jobs.image import Image
    from spiflash.jobs.write import Rewritten, Work
    from spiflash.plan import Plan

__version__ = "0.1.0"

__all__ = [
    "Audit",
    "Backup",
    "Chip",
    "Plan",
    "Rewritten",
    "SpiflashError",
    "SupplyWarning",
    "Verified",
    "Watcher",
    "audit",
    "errors",
    "open",
]

_ELSEWHERE = {
    "Audit": "spiflash.dump.audit",
    "Backup": "spiflash.jobs.backup",
    "Plan": "spiflash.plan",
    "Rewritten": "spiflash.jobs.write",
    "Verified": "spiflash.jobs.backup",
    "Watcher": "spiflash.jobs",
}
"""Public types and the modules that are loaded when one of them is used: `import spiflash` alone
takes no time."""


def __getattr__(name: str) -> Any:
    if name in _ELSEWHERE:
        return getattr(importlib.import_module(_ELSEWHERE[name]), name)
    raise AttributeError(f"module 'spiflash' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted({*globals(), *_ELSEWHERE})


class SupplyWarning(UserWarning):
    """The chip may be one that a 3.3 V adapter destroys. Take the clip off and read the message
    before anything else; `warnings.simplefilter("error", spiflash.SupplyWarning)` makes it an
    error, which stops the work."""


@contextmanager
def open(
    adapter: str | None = None,
    *,
    part: str | None = None,
    size: int | None = None,
    trust_sfdp: bool = False,
    clock: float | None = None,
    chip_tables: Sequence[str | Path] = (),
    watcher: Watcher | None = None,
) -> Iterator[Chip]:
    """Open an adapter and find out which chip is on its clip; release both at the end.

    `adapter` is a URL as `spiflash adapters` lists it, "sim:heron" for a simulated board, or None
    for the only adapter that is plugged in. `part` treats the chip as this part of the chip table;
    `size` states its capacity in bytes where nothing else does; `trust_sfdp` lets a chip be written
    that is described by nothing but its own SFDP. `clock` is the fastest SPI clock in hertz, None
    for the fastest that proves good. `chip_tables` are files of further parts. `watcher` is told
    how far each job is.

    Warns with `SupplyWarning` where a 3.3 V adapter may harm the chip. Raises
    `AdapterNotFoundError`, `AdapterChoiceError` or `BusError` for the adapter, `ChipAbsentError`,
    `ChipUnknownError`, `ChipAmbiguousError` or `ChipMismatchError` for the chip, and
    `UnstableReadError` where its answers differ each time.
    """
    from spiflash.jobs import Unwatched
    from spiflash.jobs.connection import Settings, connect

    settings = Settings(
        adapter=adapter,
        part=part,
        tables=tuple(Path(each) for each in chip_tables),
        ceiling=clock,
        size=size,
        trust_sfdp=trust_sfdp,
        announce=_warn_of_supply,
    )
    with connect(settings) as connection:
        yield Chip(connection, watcher or Unwatched())


def _warn_of_supply(chip: object) -> None:
    from spiflash.nor import chip as known
    from spiflash.report.bench import about_voltage

    assert isinstance(chip, known.Chip)
    for text in about_voltage(chip):
        # The frames in between are this function, `connect`, `open`, and two of contextlib's.
        warnings.warn(text, SupplyWarning, stacklevel=6)


class Chip:
    """A chip on an open adapter; `spiflash.open` makes it, and it can be used only inside it.

    What reads the chip raises `ChipMismatchError` when another chip is on the clip, and
    `AdapterLostError` when the adapter is gone.
    """

    def __init__(self, connection: Connection, watcher: Watcher) -> None:
        self._connection = connection
        self._watcher = watcher
        self._shelf: Shelf | None = None

    @property
    def name(self) -> str:
        """The part, or the family of parts that answer alike."""
        return self._connection.chip.name

    @property
    def vendor(self) -> str:
        """Who makes it."""
        return self._connection.chip.vendor

    @property
    def size(self) -> int:
        """Its capacity in bytes."""
        return self._connection.chip.size

    @property
    def unique_id(self) -> bytes | None:
        """The number that its factory gave it; None where the part has none."""
        return self._connection.unique_id

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know about this chip, in sentences."""
        return self._connection.chip.notes

    def read(self, address: int = 0, length: int | None = None) -> bytes:
        """`length` bytes from `address` on, to the end of the chip when None.

        They are read twice, with different settings. That shows a bad contact, and proves less
        than `backup`. Raises `UnstableReadError` when the two readings differ, ValueError for a
        range that is not on the chip.
        """
        from spiflash.jobs.reading.passes import read_range

        end = self.size if length is None else address + length
        if not 0 <= address <= end <= self.size:
            raise ValueError(f"{address:#x} to {end:#x} is not on a chip of {self.size:#x} bytes")
        return read_range(self._connection, address, end - address)

    def backup(
        self, *, shelf: str | Path | None = None, board: str = "", passes: int = 2
    ) -> Backup:
        """Read the chip in `passes` passes (2 to 12), or more where they disagree, and put a backup
        set on the shelf: `shelf` is a folder, None the usual one. `board` is a label for the board.

        The result has `contents` (bytes), `record`, `audit` and `set.path`. Raises
        `UnstableReadError` when the passes do not prove what the chip holds (the set is kept, and
        says what is wrong), `ShelfError` when the shelf cannot be written, ValueError for another
        number of passes, or a label that is not one line of at most 100 characters.
        """
        from spiflash.archive.record import label_problem
        from spiflash.jobs.backup import back_up
        from spiflash.report.pages import set_page

        if not 2 <= passes <= 12:
            raise ValueError(f"a backup takes 2 to 12 passes, not {passes}")
        if problem := label_problem(board):
            raise ValueError(problem)
        made = back_up(
            self._connection,
            self._on(shelf),
            self._watcher,
            board=board,
            passes=passes,
            page=set_page,
        )
        if not made.record.verified:
            raise UnstableReadError(
                f"The backup is not verified: {'; '.join(made.record.doubts)}.",
                state=f"The chip was only read. The set is kept: {made.set.path}.",
                remedy="Seat the clip again or use a lower clock, then take another backup.",
            )
        return made

    def verify(self, image: bytes | str | Path, *, at: int = 0, passes: int = 2) -> Verified:
        """Read the chip in passes and compare it with `image`, which begins at address `at`.

        The result has `equal`, `differing` and `unsure` (ranges of start and end, end excluded).
        """
        from spiflash.jobs.backup import verify

        return verify(self._connection, _image(image), self._watcher, at=at, passes=passes)

    def plan(
        self, image: bytes | str | Path, *, at: int = 0, shelf: str | Path | None = None
    ) -> Plan:
        """What `write` would do. Reads the chip, and changes nothing."""
        from spiflash.jobs.write import WriteOptions, prepare

        options = WriteOptions(at=at)
        return prepare(
            self._connection, self._on(shelf), _image(image), self._watcher, options
        ).plan

    def write(
        self,
        image: bytes | str | Path,
        *,
        confirm: Callable[[Plan], bool],
        at: int = 0,
        shelf: str | Path | None = None,
        backup: str | Path | None = None,
        whole_chip: bool = False,
        unprotect: bool = False,
        other_board: bool = False,
    ) -> Rewritten:
        """Make the chip hold `image` from address `at` on, and prove it. All else stays as it is.

        `image` is its bytes, an image file or a backup set. `confirm` is called with the plan, and
        nothing is changed unless it returns True. A verified backup of this very chip has to be on
        the shelf (`shelf`; None is the one that `backup` used, or the usual one); for a chip that
        has no unique ID, `backup` names the set. `whole_chip` reads all of the chip back in
        passes, not only what was changed. `unprotect` clears block protection for the time of the
        work. `other_board` writes an image that states another board's address or serial number, or
        the backup of another chip.

        A work that was interrupted is continued by the same call, or by `resume`, or `undo`.

        Raises, before anything is changed, `NoBackupError`, `DeclinedError`, `ChipProtectedError`,
        `ImageError` for an image that does not fit or is another board's, and
        `UnfinishedWorkError` where other work on this chip was interrupted; `VerifyError` when the
        chip does not hold what was written.
        """
        return self._write(
            _image(image),
            confirm,
            at=at,
            shelf=shelf,
            backup=backup,
            whole_chip=whole_chip,
            unprotect=unprotect,
            other_board=other_board,
        )

    def erase(
        self,
        address: int,
        length: int,
        *,
        confirm: Callable[[Plan], bool],
        shelf: str | Path | None = None,
        backup: str | Path | None = None,
        unprotect: bool = False,
    ) -> Rewritten:
        """Make `length` bytes from `address` on FFh, and prove it; arguments and errors as of
        `write`. What shares an erase block with them is kept."""
        if not 0 <= address < address + length <= self.size:
            raise ValueError(f"{length} bytes at {address:#x} are not on a chip of {self.size}")
        return self._write(
            _image(b"\xff" * length),
            confirm,
            at=address,
            shelf=shelf,
            backup=backup,
            unprotect=unprotect,
        )

    def resume(
        self, *, confirm: Callable[[Plan], bool], shelf: str | Path | None = None
    ) -> Rewritten:
        """Finish a write to this chip that was interrupted, and prove it. Raises `ImageError` when
        there is none."""
        return self._write(None, confirm, shelf=shelf)

    def undo(
        self, *, confirm: Callable[[Plan], bool], shelf: str | Path | None = None
    ) -> Rewritten:
        """Write back what the chip held before a write that was interrupted, and prove it. Raises
        `ImageError` when there is none."""
        return self._write(None, confirm, shelf=shelf, undo=True)

    def _write(
        self,
        image: Image | None,
        confirm: Callable[[Plan], bool],
        *,
        at: int = 0,
        shelf: str | Path | None = None,
        backup: str | Path | None = None,
        whole_chip: bool = False,
        unprotect: bool = False,
        other_board: bool = False,
        undo: bool = False,
    ) -> Rewritten:
        from spiflash.jobs.write import Verify, WriteOptions, refuse_other_boards_items, restore

        options = WriteOptions(
            at=at,
            undo=undo,
            verify=Verify.ALL if whole_chip else Verify.CHANGED,
            backup=None if backup is None else Path(backup),
            unprotect=unprotect,
        )

        def agree(work: Work) -> bool:
            if image is not None and not other_board:
                refuse_other_boards_items(work)
            # A coroutine is true as well, and so is every text: neither is a person's yes.
            return confirm(work.plan) is True

        return restore(
            self._connection, self._on(shelf), image, self._watcher, options, agree=agree
        )

    def _on(self, shelf: str | Path | None) -> Shelf:
        """The shelf that is meant, which is used from now on."""
        from spiflash.archive.shelf import Shelf
        from spiflash.files import default_root

        if shelf is not None or self._shelf is None:
            self._shelf = Shelf(default_root() if shelf is None else Path(shelf))
        return self._shelf


def audit(
    source: bytes | str | Path,
    *,
    layout: str | Path | None = None,
    chip_sizes: Sequence[int] = (),
    show_secrets: bool = False,
) -> Audit:
    """What a dump holds, and what its own checksums prove of it.

    `source` is its bytes, an image file or a backup set; `layout` a layout file, which outweighs
    what the dump states; `chip_sizes` are chips, in bytes, to try it against. Passphrases and keys
    are masked unless `show_secrets`.

    Of the result, `coverage` counts bytes: `total`, `verified` by a checksum, `damaged`,
    `consistent`, `unrecognised` and `blank`. `findings`, `layout`, `own` and `hints` say what is
    where. Raises `ImageError`, `BackupSetError`, `LayoutError`, and ValueError for no bytes.
    """
    from spiflash.dump.audit import examine
    from spiflash.jobs.image import audit as audit_file
    from spiflash.jobs.image import load_layout

    if not isinstance(source, bytes):
        found = audit_file(
            Path(source),
            layout=None if layout is None else Path(layout),
            sizes=chip_sizes,
            show_secrets=show_secrets,
        )
        return found.audit
    return examine(
        source,
        "the dump",
        layout=None if layout is None else load_layout(Path(layout)),
        sizes=chip_sizes,
        show_secrets=show_secrets,
    )


def _image(source: bytes | str | Path) -> Image:
    from spiflash.jobs.image import Image, load_image

    if isinstance(source, (bytes, bytearray)):
        return Image("the image", bytes(source))
    return load_image(Path(source))
