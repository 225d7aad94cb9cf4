"""Reading table files: the ones that come with the program and a user's own."""

from __future__ import annotations

from functools import cache, partial
from importlib import resources
from pathlib import Path as FilePath

from chipdb import schema, values
from chipdb.build import build
from chipdb.errors import FlawError, TableError
from chipdb.part import Part
from chipdb.schema import Block
from chipdb.table import ChipTable, TableFile
from spiflash import toml_text
from spiflash.toml_text import KeyPath, line_of, locate


@cache
def load_builtin() -> ChipTable:
    """The table that comes with the program. Its files are read at once and parsed when they are
    needed, which raises `TableError` for a broken one.

    In these files IDs are written as in `ChipTable.by_id`, and a name stands in one file only; the
    tests see to both.
    """
    folder = resources.files("chipdb")
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".toml"))
    return ChipTable(
        files=[
            TableFile((folder / name).read_text(encoding="utf-8"), partial(parse, file=name))
            for name in names
        ]
    )


def load_file(path: str | FilePath) -> tuple[Part, ...]:
    """The parts of one table file. Raises `OSError`, and what `parse_file` raises."""
    return parse_file(FilePath(path).read_bytes(), str(path))


def parse_file(raw: bytes, file: str) -> tuple[Part, ...]:
    """The parts of a table file with these contents.

    Raises `TableError` with file, line and reason where the text is not UTF-8, not TOML or not
    what the schema asks for.
    """
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise TableError(file, line, "the text is not valid UTF-8") from None
    return parse(text, file)


def parse(text: str, file: str) -> tuple[Part, ...]:
    """The parts that a table text describes; `file` is only for the error."""
    try:
        document = toml_text.parse(text)
    except toml_text.TomlSyntaxError as error:
        raise TableError(file, error.line, f"not valid TOML: {error.reason}") from None
    try:
        return _parts(document)
    except FlawError as flaw:
        line = line_of(locate(text), flaw.path)
        raise TableError(file, line, flaw.reason) from None


def _parts(document: dict[str, object]) -> tuple[Part, ...]:
    values.table(document, (), schema.TOP_KEYS)
    vendor = values.text(values.need(document, (), "vendor"), ("vendor",))
    known = schema.read_sources(document.get("sources", {}), ("sources",))
    families = _families(document.get("family", {}), known)
    raw_parts = values.array(values.need(document, (), "part"), ("part",))
    taken: set[str] = set()
    parts = []
    for index, raw in enumerate(raw_parts):
        path: KeyPath = ("part", index)
        own = schema.read_part(raw, path, known)
        part = build(vendor, _on_family(own, families, "family"), path)
        _claim_names(part, taken, own, path)
        parts.append(part)
    return tuple(parts)


def _families(raw: object, known: schema.Sources) -> dict[str, Block]:
    """Every family with what it is built upon; one must stand above those that build upon it."""
    families: dict[str, Block] = {}
    for name, body in values.table(raw, ("family",), raw if isinstance(raw, dict) else ()).items():
        own = schema.read_family(body, ("family", name), known)
        families[name] = _on_family(own, families, "like")
    return families


def _on_family(own: Block, families: dict[str, Block], key: str) -> Block:
    if key not in own:
        return own
    reference = own[key]
    base = families.get(str(reference.value))
    if base is None:
        raise FlawError(reference.path, f'there is no family "{reference.value}" above this line')
    rest = {name: value for name, value in own.items() if name != key}
    return schema.inherit(base, rest, add_notes=key == "family")


def _claim_names(part: Part, taken: set[str], own: Block, path: KeyPath) -> None:
    for label in (part.name, *part.aliases):
        if label.casefold() in taken:
            place = own["name" if label == part.name else "aliases"].path
            raise FlawError(place, f'"{label}" is already the name or alias of a part in this file')
        taken.add(label.casefold())
