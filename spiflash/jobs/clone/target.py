"""What one board is to hold: the image, its own kept ranges, its own values; and what is its own.
Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping

from spiflash.archive.ledger.values import LONGEST, MAC, TEXT, Identity, Kept, KeptRange
from spiflash.dump.formats import crc, places
from spiflash.dump.identity import identity as identities_in
from spiflash.dump.identity import is_serial_name
from spiflash.dump.identity.forms import is_plausible, parse_mac
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.uboot_env import EnvironmentEditError, read_environment, set_variables, stored
from spiflash.jobs.clone.job import EnvironmentRule, Job, Stretch, SumRule, sums_in_order
from spiflash.jobs.image import overlay

PAGE = 256
"""Bytes of which it is noted whether a board keeps data there."""


class NotTheBoardsOwnError(ValueError):
    """What a board is to keep is not there; the message says what."""


def make_target(job: Job, own: bytes, values: Mapping[str, str]) -> bytes:
    """The whole chip. `own` is what the board came with, `values` one text a value of the job.

    What lies after the image stays as the board has it. Raises `NotTheBoardsOwnError`,
    `EnvironmentEditError` when variables do not fit, `ImageError` when the image does not.
    """
    target = bytearray(overlay(own, job.image, 0))
    for kept in job.keep:
        mine = own[kept.start : kept.end]
        if not mine.strip(b"\xff"):
            raise NotTheBoardsOwnError(f"{kept.name} {kept.shown} is blank on this board")
        if not mine.strip(b"\x00\xff"):
            raise NotTheBoardsOwnError(f"{kept.name} {kept.shown} is all zeros on this board")
        target[kept.start : kept.end] = mine
    for rule in job.environments:
        place = slice(rule.place.start, rule.place.end)
        changes = _kept_variables(rule, own[place])
        changes |= {each.variable: values[each.name] for each in job.values if each.variable}
        target[place] = set_variables(bytes(target[place]), stored(changes))
    for value in job.values:
        if value.place is not None:
            raw = value.raw(values[value.name])
            padding = bytes([value.fill]) * (value.place.length - len(raw))
            target[value.place.start : value.place.end] = raw + padding
    # Last, since a checksum may cover other values too.
    for _, summed in sums_in_order(job.values):
        target[summed.place.start : summed.place.end] = checksum(summed, target)
    return bytes(target)


def checksum(rule: SumRule, contents: bytes | bytearray) -> bytes:
    """The bytes of a checksum over `contents`, the whole chip."""
    value = crc(rule.kind)(bytes(contents[rule.covers.start : rule.covers.end]))
    return value.to_bytes(rule.place.length, "little" if rule.order == "little" else "big")


def _kept_variables(rule: EnvironmentRule, environment: bytes) -> dict[str, str]:
    if not rule.keep:
        return {}
    try:
        mine = {
            name.decode(): value.decode("latin-1")
            for name, value in read_environment(environment).by_name.items()
        }
    except EnvironmentEditError as exc:
        raise NotTheBoardsOwnError(f"the board's own environment cannot be read: {exc}") from exc
    missing = [name for name in rule.keep if name not in mine]
    if missing:
        raise NotTheBoardsOwnError(
            f"the board's own environment has no variable {', '.join(missing)}"
        )
    return {name: mine[name] for name in rule.keep}


def kept_of(job: Job, own: bytes) -> Kept:
    """What the board keeps of its own, for the ledger: each range, and the addresses and serial
    numbers that stay on the board. Call it for what `make_target` accepts.

    An address is looked for by its form, by the first three bytes that boards and lists here have
    in common, and by what the board's own environment says. What is likely a serial number, but is
    called so nowhere, is not given to another board; it is no reason to refuse one (it may be the
    name of a model). The same goes for what stands after the image, where the board stays as it is.
    """
    named: set[Identity] = set()
    kept: set[Identity] = set()
    for rule in job.environments:
        for name, identity in _named(own[rule.place.start : rule.place.end]):
            named.add(identity)
            if name in rule.keep:
                kept.add(identity)
    starts = {_bytes_of(each)[:3] for each in named if each.kind == MAC}
    for value in job.values:
        starts |= {
            _bytes_of(each)[:3]
            for each in (Identity.of(value.kind, value.texts[i]) for i in (0, -1))
            if each.kind == MAC
        }
    weak: set[Identity] = set()
    ranges = []
    for place in job.keep:
        data = own[place.start : place.end]
        alike = place.name.lower() in job.shared
        ranges.append(_range(place, data, alike))
        layout = Layout(len(data), (Region("kept", 0, len(data), Role.OWN, True),))
        # Settings and readings that all boards may share are no identity: a guess in them is none.
        for item in () if alike else identities_in(data, (), layout, show_secrets=True):
            if item.kind == "mac":
                kept.add(Identity.of(MAC, item.text))
            elif item.kind == "serial":
                found = Identity.of(TEXT, item.text)
                (kept if found in named else weak).add(found)
        kept |= {each for each in named if each.stands_in(data)}
        kept |= set(_addresses(data, starts))
    behind = own[len(job.image.contents) :]
    weak |= {each for each in named if each.stands_in(behind)} | set(_addresses(behind, starts))
    # Longer ones are no serial numbers, and no database would take them as a key.
    shared = job.may_share | {each for each in kept | weak if len(each.text) > LONGEST}
    return Kept(tuple(ranges), frozenset(kept - shared), frozenset(weak - kept - shared))


def _named(environment: bytes) -> list[tuple[str, Identity]]:
    """Addresses and serial numbers by the variables that hold them; nothing of an environment that
    cannot be read."""
    try:
        found = read_environment(environment)
    except EnvironmentEditError:
        return []
    items = []
    for name, value in found.by_name.items():
        known = name.decode("latin-1"), value.decode("latin-1")
        if parse_mac(value) is not None:
            items.append((known[0], Identity.of(MAC, known[1])))
        elif is_serial_name(known[0]) and len(value) >= 4:
            items.append((known[0], Identity.of(TEXT, known[1])))
    return items


def _addresses(data: bytes, starts: set[bytes]) -> Iterator[Identity]:
    for start in starts:
        for at in places(data, start):
            value = data[at : at + 6]
            if is_plausible(value):
                yield Identity(MAC, value.hex(":"))


def _bytes_of(identity: Identity) -> bytes:
    return bytes.fromhex(identity.text.replace(":", ""))


def _range(place: Stretch, data: bytes, shared: bool) -> KeptRange:
    bits = 0
    for index in range(0, len(data), PAGE):
        if data[index : index + PAGE].strip(b"\xff\x00"):
            bits |= 1 << index // PAGE
    digest = hashlib.sha256(data).hexdigest()
    return KeptRange(f"{place.start:x}+{place.length:x}", digest, f"{bits:x}", shared)
