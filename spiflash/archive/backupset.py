"""A backup set: an RFC 8493 bag ("BagIt") that holds a record and the contents of the chip.

A crash never leaves a bag that looks complete: a bag is written to a hidden folder beside its
final name, which is renamed when everything in it is on the disk. Checking is stricter than
RFC 8493 asks: SHA-256 only, digests in lower case, no tabs, plain files only, and every payload
file listed exactly once.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import NoReturn

from spiflash.archive.record import Record
from spiflash.errors import BackupSetError
from spiflash.files import (
    make_folder,
    pieces_of,
    read_plain,
    shelf_error,
    shelf_errors,
    sync_folder,
    whole_folder,
    write_file,
)
from spiflash.text import amount, printable

CONTENTS = "flash.bin"
RECORD = "record.json"
OTP = "otp.bin"
PAGE = "report.html"

BEFORE_WRITE = "Saved-Before-Write"
"""Field of bag-info.txt ("yes") of a set that a write saved by itself, because no other set had
what it was about to overwrite. Nobody asked for these contents to come back."""
HALF_WRITTEN = "Half-Written"
"""Field ("yes") of a set made while an interrupted write to the chip was not finished."""

_RECORD_LIMIT = 8 << 20  # bytes; thousands of unstable addresses stay far below that

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

_MANIFEST = "manifest-sha256.txt"
_TAG_MANIFEST = "tagmanifest-sha256.txt"
_RESERVED = ("bagit.txt", "bag-info.txt", _MANIFEST, _TAG_MANIFEST, "fetch.txt")
_SAFE_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]*(?:/[A-Za-z0-9_-][A-Za-z0-9._-]*)*")
_LABEL = re.compile(r"[A-Za-z0-9]+(?:-[A-Za-z0-9]+)*")
_MANIFEST_LINE = re.compile(r"([0-9a-f]{64}) +(\S(?:.*\S)?)")
_BAG_LIMIT = 1 << 30  # bytes; no serial flash has more than 256 MiB
_TAG_FILE_LIMIT = 8 << 20  # bytes; manifests and bag-info of ours are far smaller


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag that passed `check_bag`.

    `payload` maps the path of each file below data/ to its SHA-256 in hexadecimal; `info`
    holds the fields of bag-info.txt.
    """

    path: Path
    payload: Mapping[str, str]
    info: Mapping[str, str]


def write_bag(
    destination: Path,
    payload: Mapping[str, bytes | Path],
    info: Mapping[str, str],
    tag_files: Mapping[str, bytes],
) -> None:
    """Write a complete bag at `destination`, or none.

    `payload` maps paths below data/ to contents, or to files to copy them from; `info` are
    fields for bag-info.txt (Payload-Oxum and, unless given, Bagging-Date are added);
    `tag_files` are further files beside data/. Raises `NameTakenError` when `destination`
    exists, `ShelfError` when the file system refuses, and `ValueError` for names that a bag
    must not hold.
    """
    _check_names(payload, info, tag_files)
    with whole_folder(destination) as folder:
        _fill(folder, payload, info, tag_files)


def _check_names(
    payload: Mapping[str, object], info: Mapping[str, str], tag_files: Mapping[str, object]
) -> None:
    for name in (*payload, *tag_files):
        if _SAFE_NAME.fullmatch(name) is None:
            raise ValueError(f"{name!r} is not allowed as a file name in a bag")
    for name in tag_files:
        if name in _RESERVED or name.split("/")[0] == "data":
            raise ValueError(f"{name!r} is a reserved name in a bag")
    for label, value in info.items():
        if _LABEL.fullmatch(label) is None or label == "Payload-Oxum":
            raise ValueError(f"{label!r} is not allowed as a label in bag-info.txt")
        if any(not character.isprintable() for character in value):
            raise ValueError(f"the value of {label!r} holds a control character")


def _fill(
    folder: Path,
    payload: Mapping[str, bytes | Path],
    info: Mapping[str, str],
    tag_files: Mapping[str, bytes],
) -> None:
    folders = {folder, folder / "data"}
    make_folder(folder / "data")

    def put(name: str, contents: bytes | Path) -> tuple[int, str]:
        path = folder / name
        for parent in reversed(path.relative_to(folder).parents):
            if folder / parent not in folders:
                make_folder(folder / parent)
                folders.add(folder / parent)
        return write_file(path, (contents,) if isinstance(contents, bytes) else pieces_of(contents))

    octets = 0
    manifest = []
    for name, contents in payload.items():
        size, digest = put(f"data/{name}", contents)
        octets += size
        manifest.append(f"{digest}  data/{name}\n")
    fields = {
        "Bagging-Date": date.today().isoformat(),
        **info,
        "Payload-Oxum": f"{octets}.{len(payload)}",
    }
    tags = {
        "bagit.txt": DECLARATION,
        "bag-info.txt": "".join(f"{k}: {v.strip()}\n" for k, v in fields.items()).encode(),
        _MANIFEST: "".join(manifest).encode(),
        **tag_files,
    }
    tag_manifest = "".join(f"{put(name, text)[1]}  {name}\n" for name, text in tags.items())
    put(_TAG_MANIFEST, tag_manifest.encode())
    for each in folders - {folder}:  # `whole_folder` syncs the outermost one
        sync_folder(each)


def check_bag(path: Path) -> Bag:
    """Check everything in a bag; returns what it holds.

    Raises `BackupSetError` that names the file and what is wrong with it, and `ShelfError`
    when a file cannot be read at all.
    """
    try:
        return _check(path)
    except OSError as error:
        raise shelf_error(
            error, f"reading “{error.filename or path}”", state="The set was not changed."
        ) from error


def _refuse(path: Path, problem: str) -> NoReturn:
    raise BackupSetError(
        f"The backup set “{path}” cannot be used: {printable(problem)}.",
        state="Nothing was changed.",
        remedy="Use another copy of the set, or make a new backup.",
    )


def _check(path: Path) -> Bag:
    if not stat.S_ISDIR(_mode(path, path)):
        _refuse(path, "it is not a folder")
    files = _files(path)
    for name in ("bagit.txt", "bag-info.txt", _MANIFEST, _TAG_MANIFEST):
        if name not in files:
            _refuse(path, f"{name} is missing")
    if "fetch.txt" in files:
        _refuse(path, "fetch.txt says that parts of it are somewhere else")
    for name in files:
        if re.fullmatch(r"(tag)?manifest-(?!sha256\.txt).*\.txt", name):
            _refuse(path, f"{name} is a kind of manifest that spiflash does not check")

    if sum(files.values()) > _BAG_LIMIT:
        _refuse(path, f"it has {sum(files.values())} bytes, more than any set has")

    # Small files first: what is wrong there is found before 16 MiB are read.
    tags = _manifest(path, _TAG_MANIFEST)
    for name in ("bagit.txt", "bag-info.txt", _MANIFEST):
        if name not in tags:
            _refuse(path, f"{_TAG_MANIFEST} does not list {name}")
    for name in tags:
        if name == _TAG_MANIFEST or name.startswith("data/"):
            _refuse(path, f"{_TAG_MANIFEST} lists {name}, which does not belong there")
    _compare(path, tags, files)
    if _tag_text(path, "bagit.txt").encode() != DECLARATION:
        _refuse(path, "bagit.txt does not declare a bag of version 1.0 in UTF-8")

    payload = _manifest(path, _MANIFEST)
    for name in payload:
        if not name.startswith("data/"):
            _refuse(path, f"{_MANIFEST} lists {name}, which is outside data/")
    for name in files:
        if name.startswith("data/") and name not in payload:
            _refuse(path, f"{name.removeprefix('data/')} was added after the set was made")
    info = _info(path)
    sizes = [size for name, size in files.items() if name.startswith("data/")]
    _compare(path, payload, files)
    if info.get("Payload-Oxum") != f"{sum(sizes)}.{len(sizes)}":
        _refuse(path, "the Payload-Oxum in bag-info.txt does not match the files in data/")
    return Bag(path, {name.removeprefix("data/"): digest for name, digest in payload.items()}, info)


def _mode(root: Path, path: Path) -> int:
    try:
        return os.lstat(path).st_mode
    except FileNotFoundError:
        _refuse(root, "it does not exist")


def _files(root: Path) -> dict[str, int]:
    """Path and size of every file below `root`; refuses all that is neither file nor folder."""
    result = {}
    folders = [root]
    while folders:
        with os.scandir(folders.pop()) as entries:
            for entry in entries:
                name = Path(entry.path).relative_to(root).as_posix()
                status = entry.stat(follow_symlinks=False)
                if stat.S_ISDIR(status.st_mode):
                    folders.append(Path(entry.path))
                elif stat.S_ISREG(status.st_mode):
                    result[name] = status.st_size
                else:
                    _refuse(root, f"{name!r} is a link or a special file")
    return result


def _compare(root: Path, expected: Mapping[str, str], files: Mapping[str, int]) -> None:
    for name, digest in expected.items():
        shown = name.removeprefix("data/")
        if name not in files:
            _refuse(root, f"{shown} is missing")
        actual = hashlib.sha256()
        for piece in pieces_of(root / name):
            actual.update(piece)
        if actual.hexdigest() != digest:
            _refuse(root, f"{shown} was changed after the set was made")


def _tag_text(root: Path, name: str) -> str:
    if os.stat(root / name).st_size > _TAG_FILE_LIMIT:
        _refuse(root, f"{name} is too long")
    try:
        return b"".join(pieces_of(root / name)).decode()
    except UnicodeDecodeError:
        _refuse(root, f"{name} is not UTF-8 text")


def _manifest(root: Path, name: str) -> dict[str, str]:
    text = _tag_text(root, name)
    if not text.endswith("\n"):
        _refuse(root, f"{name} ends in the middle of a line")
    result: dict[str, str] = {}
    for number, line in enumerate(text[:-1].split("\n"), start=1):
        match = _MANIFEST_LINE.fullmatch(line)
        if match is None:
            _refuse(root, f"line {number} of {name} is not a digest, spaces and a path")
        # RFC 8493, 2.1.3: these three, and only these, are percent-encoded.
        listed = re.sub(
            "%(0A|0D|25)", lambda found: chr(int(found[1], 16)), match[2], flags=re.IGNORECASE
        )
        if (
            listed.startswith(("/", "~"))
            or "\\" in listed
            or "\0" in listed
            or any(part in ("", ".", "..") for part in listed.split("/"))
        ):
            _refuse(root, f"line {number} of {name} points outside the set")
        if listed in result:
            _refuse(root, f"{name} lists {listed!r} twice")
        result[listed] = match[1]
    return result


def _info(root: Path) -> dict[str, str]:
    fields: dict[str, str] = {}
    for number, line in enumerate(_tag_text(root, "bag-info.txt").splitlines(), start=1):
        label, colon, value = line.partition(": ")
        if not colon or not label or label != label.strip():
            _refuse(root, f"line {number} of bag-info.txt is not a label and a value")
        fields[label] = value
    return fields


@dataclass(frozen=True, slots=True)
class Recorded:
    """A set as its record describes it; whether the rest of it is as it was is not known."""

    path: Path
    record: Record
    unlike: int = field(default=0, kw_only=True)
    """Of a set found by its label: how many more verified sets have that label and other contents,
    where no unique ID shows that they are of the same board."""

    @property
    def name(self) -> str:
        """The name of its folder."""
        return self.path.name

    @property
    def searched(self) -> str:
        """Everything in which a word is looked for, in one case of letters."""
        record, size = self.record, amount(self.record.size)
        return "\n".join(
            (
                *(self.name, record.board, record.chip.name, record.chip.vendor),
                *(record.chip.jedec_id, record.chip.unique_id or "no unique ID", record.verdict),
                *(size, size.replace(" ", ""), f"{record.made:%Y-%m-%d}"),
            )
        ).casefold()


@dataclass(frozen=True, slots=True)
class BackupSet(Recorded):
    """A backup set that was whole when it was opened."""

    bag: Bag

    @property
    def page(self) -> Path:
        """Where its page is; the file need not exist."""
        return self.path / PAGE

    def contents(self) -> bytes:
        """All bytes of the chip, checked once more against the record.

        Raises `BackupSetError` when they changed since the set was opened.
        """
        return self._payload(CONTENTS)

    def otp(self) -> bytes | None:
        """The security registers one after the other, or None when none were saved."""
        return self._payload(OTP) if OTP in self.bag.payload else None

    def _payload(self, name: str) -> bytes:
        with shelf_errors(f"reading {name} of “{self.path}”", "The set was not changed."):
            data = b"".join(pieces_of(self.path / "data" / name))
        if hashlib.sha256(data).hexdigest() != self.bag.payload[name]:
            _refuse(self.path, f"{name} was changed after the set was opened")
        return data


def is_set(folder: Path) -> bool:
    """Whether the folder holds a set: one that lost some of these files is a damaged set, one
    without any of them is something else. Raises OSError for a folder that cannot be read."""
    inside = {entry.name for entry in folder.iterdir()}
    return not inside.isdisjoint({"bagit.txt", _MANIFEST, _TAG_MANIFEST})


def open_set(path: Path) -> BackupSet:
    """Check a backup set completely and open it.

    Raises `BackupSetError` that names the file and what is wrong with it, and `ShelfError`
    when a file cannot be read at all.
    """
    bag = check_bag(path)
    for name in (CONTENTS, RECORD):
        if name not in bag.payload:
            _refuse(path, f"{name} is missing")
    record = read_record(path)
    if bag.payload[CONTENTS] != record.sha256:
        _refuse(path, f"{RECORD} does not describe {CONTENTS}: the SHA-256 differs")
    with shelf_errors(f"reading “{path}”", "The set was not changed."):
        size = (path / "data" / CONTENTS).stat().st_size
    if size != record.size:
        _refuse(path, f"{CONTENTS} has {size} bytes, but {RECORD} says {record.size}")
    return BackupSet(path, record, bag)


def is_backup(path: Path) -> bool:
    """Whether a person made the set at `path`, of a board that was not half written, as far as can
    be read: of a set that was changed, whoever opens it says what is wrong."""
    try:
        return not _info(path).keys() & {BEFORE_WRITE, HALF_WRITTEN}
    except (BackupSetError, OSError):
        return True


def read_record(path: Path) -> Record:
    """The record of the set at `path`, without checking anything else of it.

    Raises `BackupSetError` or `ShelfError`.
    """
    file = path / "data" / RECORD
    try:
        return Record.from_json(read_plain(file, _RECORD_LIMIT).decode(), str(file))
    except FileNotFoundError:
        _refuse(path, f"{RECORD} is missing")
    except NotADirectoryError:
        _refuse(path, "data is not a folder")
    except UnicodeDecodeError:
        _refuse(path, f"{RECORD} is not UTF-8 text")
    except ValueError as error:
        _refuse(path, f"{RECORD} {error}")
    except OSError as error:
        raise shelf_error(error, f"reading “{file}”", state="The set was not changed.") from error
