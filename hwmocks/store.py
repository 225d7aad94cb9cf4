"""A simulated board kept in a folder, so that it lasts from one command to the next.

    flash.bin    the memory array, byte for byte
    chip.json    which chip, and everything else that survives a power cycle

Each file is written beside its final name, synced and renamed. A crash between the two leaves
new contents with an older wear count, which is a state that a power cut could have left too.
Loading is a power-up: volatile registers, address mode and block locks have their power-up state.
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from hwmocks.nor import ChipDescription, NorChip, describe

CONTENTS = "flash.bin"
STATE = "chip.json"
FORMAT = 1


class BoardFolderError(ValueError):
    """A board folder is incomplete or was edited into something that is no board; names the
    file and the cause."""

    def __init__(self, path: Path, cause: str) -> None:
        super().__init__(f"{path}: {cause}")
        self.path = path
        self.cause = cause


def create(
    folder: Path | str,
    chip_name: str,
    contents: bytes | None = None,
    *,
    seed: int = 0,
    unique_id: bytes | None = None,
    endurance: int | None = None,
) -> NorChip:
    """Make a new board in `folder` (made if need be) and return its chip.

    Arguments are those of `NorChip`. Raises BoardFolderError when the folder holds a board
    already, KeyError for an unknown chip, ValueError for contents or ID of the wrong size.
    """
    folder = Path(folder)
    for name in (CONTENTS, STATE):
        if (folder / name).exists():
            raise BoardFolderError(folder / name, "there is already a board in this folder")
    chip = NorChip(chip_name, contents, seed=seed, unique_id=unique_id, endurance=endurance)
    folder.mkdir(parents=True, exist_ok=True)
    save(chip, folder)
    return chip


def save(chip: NorChip, folder: Path | str) -> None:
    """Write the board back. An operation still under way counts as finished; switch the chip
    off first to interrupt it."""
    folder = Path(folder)
    path = folder / CONTENTS
    if not (path.exists() and path.read_bytes() == chip.contents):
        _write(path, bytes(chip.contents))
    save_state(chip, folder)


def save_state(chip: NorChip, folder: Path) -> None:
    """Write everything but the memory array."""
    state = {
        "format": FORMAT,
        "chip": chip.description.name,
        "seed": chip.seed,
        "endurance": chip.core.endurance,
        "power_cycles": chip.power_cycles,
        "unique_id": chip.unique_id.hex(),
        "registers": {name: f"{value:02x}" for name, value in chip.core.registers.kept.items()},
        "security": [bytes(register).hex() for register in chip.security],
        "wear": {str(sector): erases for sector, erases in enumerate(chip.wear) if erases},
        "stuck": [[place, *masks] for place, masks in sorted(chip.core.cells.stuck.items())],
    }
    _write(folder / STATE, (json.dumps(state, indent=1) + "\n").encode())


def load(folder: Path | str) -> NorChip:
    """The board's chip, freshly powered up.

    Raises BoardFolderError naming the file and the cause when a file is missing, unreadable,
    of the wrong size or holds what the chip cannot.
    """
    folder = Path(folder)
    fields = _Fields(folder / STATE)
    description = fields.description()
    path = folder / CONTENTS
    try:
        contents = path.read_bytes()
    except OSError as error:
        raise BoardFolderError(path, error.strerror or str(error)) from error
    if len(contents) != description.size:
        raise BoardFolderError(
            path, f"has {len(contents)} bytes, a {description.name} {description.size}"
        )
    chip = NorChip(
        description,
        contents,
        seed=fields.integer("seed", least=0),
        unique_id=fields.octets("unique_id", description.unique_id_length),
        endurance=(
            fields.integer("endurance", least=0) if fields.get("endurance") is not None else None
        ),
    )
    fields.fill(chip)
    chip.begin_power_cycle(fields.integer("power_cycles", least=0) + 1)
    return chip


class _Fields:
    """The state file, each field checked when it is read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise BoardFolderError(path, error.strerror or str(error)) from error
        except UnicodeDecodeError as error:
            raise BoardFolderError(path, f"is not UTF-8 at byte {error.start}") from error
        except json.JSONDecodeError as error:
            raise BoardFolderError(path, f"line {error.lineno}: {error.msg}") from error
        if not isinstance(document, dict):
            raise BoardFolderError(path, "does not hold an object")
        self._document: dict[str, object] = document
        if self.get("format") != FORMAT:
            raise self.wrong("format", f"must be {FORMAT}")

    def wrong(self, name: str, cause: str) -> BoardFolderError:
        """The error for a field."""
        return BoardFolderError(self.path, f'"{name}" {cause}')

    def get(self, name: str) -> object:
        """The raw field."""
        if name not in self._document:
            raise self.wrong(name, "is missing")
        return self._document[name]

    def integer(self, name: str, least: int | None = None) -> int:
        """A whole number."""
        return self._whole(name, self.get(name), least, None)

    def octets(self, name: str, length: int) -> bytes:
        """Bytes in hexadecimal."""
        return self._octets(name, self.get(name), length)

    def description(self) -> ChipDescription:
        """The chip on the board."""
        name = self.get("chip")
        if not isinstance(name, str):
            raise self.wrong("chip", "must be a chip's name")
        try:
            return describe(name)
        except KeyError as error:
            raise self.wrong("chip", str(error.args[0])) from error

    def fill(self, chip: NorChip) -> None:
        """Registers, security registers, wear and stuck bits."""
        registers = self.get("registers")
        kept = chip.core.registers.kept
        if not isinstance(registers, dict) or registers.keys() != kept.keys():
            raise self.wrong("registers", f"must name {', '.join(kept)}")
        for name, value in registers.items():
            kept[name] = self._octets(f"registers.{name}", value, 1)[0]
        security = self.get("security")
        if not isinstance(security, list) or len(security) != len(chip.security):
            raise self.wrong("security", f"must list {len(chip.security)} registers")
        for place, (register, value) in enumerate(zip(chip.security, security, strict=True)):
            register[:] = self._octets(f"security[{place}]", value, len(register))
        wear = self.get("wear")
        if not isinstance(wear, dict):
            raise self.wrong("wear", "must map sectors to erase counts")
        for sector, count in wear.items():
            if not sector.isdecimal() or int(sector) >= len(chip.wear):
                raise self.wrong("wear", f"names sector {sector!r}, the chip has {len(chip.wear)}")
            chip.wear[int(sector)] = self._whole(f"wear.{sector}", count, 0, 0xFFFFFFFF)
        stuck = self.get("stuck")
        if not isinstance(stuck, list):
            raise self.wrong("stuck", "must be a list")
        for place, entry in enumerate(stuck):
            name = f"stuck[{place}]"
            if not isinstance(entry, list) or len(entry) != 3:
                raise self.wrong(name, "must be address, bits stuck at 0, bits stuck at 1")
            address = self._whole(name, entry[0], 0, chip.description.size - 1)
            low, high = (self._whole(name, mask, 0, 0xFF) for mask in entry[1:])
            chip.core.cells.stuck[address] = (low, high)

    def _whole(self, name: str, value: object, least: int | None, most: int | None) -> int:
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.wrong(name, "must be a whole number")
        if (least is not None and value < least) or (most is not None and value > most):
            raise self.wrong(name, f"is {value}, " + _outside(least, most))
        return value

    def _octets(self, name: str, value: object, length: int) -> bytes:
        try:
            octets = bytes.fromhex(value) if isinstance(value, str) else None
        except ValueError:
            octets = None
        if octets is None or len(octets) != length:
            raise self.wrong(name, f"must be {length} bytes in hexadecimal")
        return octets


def _outside(least: int | None, most: int | None) -> str:
    return f"less than {least}" if most is None else f"outside {least} to {most}"


def _write(path: Path, data: bytes) -> None:
    """Write beside the final name, sync, rename."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    directory = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)
