"""What belongs to one board alone: addresses, serial numbers, calibration, keys.

All searches look for it; each place is given once, with the surest answer.
"""

from __future__ import annotations

import bisect
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.finding import Certainty, Finding, TreeFacts, environments
from spiflash.dump.formats import places
from spiflash.dump.identity import forms
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.secrets import MASK, Masker, find_secrets, is_secret, masker
from spiflash.dump.uboot_env import Environment, Variable
from spiflash.spans import SECTOR, Sized, meets_any, spans_of
from spiflash.text import readable

_CALLED = {"mac": "MAC address", "serial": "serial number", "data region": "data"}


def called(kind: str) -> str:
    """What own items of a kind are called for people, the same in every command."""
    return _CALLED.get(kind, kind)


@dataclass(frozen=True, slots=True)
class OwnItem(Sized):
    """`length` bytes from `start`, both in bytes.

    `kind` is "mac", "serial", "calibration", "data" or "key"; "region", "settings" or "data region"
    for a whole range (see `board_data`). `text` is its value, in words where it is binary, masked
    where it is secret; `name` the variable or form it has; `region` the layout's region, empty in
    a gap. `certainty` says how sure it is, `confidence` the same in words, with the reason.
    """

    start: int
    length: int
    kind: str
    name: str
    text: str
    region: str
    confidence: str
    secret: bool = False
    certainty: Certainty = Certainty.SURE

    @property
    def called(self) -> str:
        """What it is, for people."""
        return called(self.kind)


_MOST = 1000
_SMALL = 1024
"""Bytes: a longer piece of data in a gap is code or a file rather than an identity."""

_DISTINCT = 6
"""Bytes: a shorter serial number is found elsewhere by chance."""

_ADDRESS_NAME = re.compile(r"mac|addr|bssid|hwa", re.IGNORECASE)
_SETTING = re.compile(rb"([A-Za-z_][\w.#-]{0,63})[=:][ \t]?[\"']?$")
_SERIAL_NAME = re.compile(
    r"^(board_?|product_?|device_?|factory_?)?(serial(#|_?n(o|um(ber)?)?)?|s/?n|serno)$",
    re.IGNORECASE,
)


def is_serial_name(name: str) -> bool:
    """Whether a variable of this name holds a serial number, by its name."""
    return bool(_SERIAL_NAME.match(name))


def identity(
    contents: bytes,
    findings: Sequence[Finding],
    layout: Layout,
    *,
    show_secrets: bool = False,
    hide: Masker | None = None,
) -> tuple[OwnItem, ...]:
    """What in `contents` differs from board to board, by rising address.

    Only what is not compressed is seen. `certainty` says what each item rests on: a checksum or
    two places that agree, a name, or its form alone. Secrets are masked unless `show_secrets`, by
    `hide` where that is given. At most a thousand items.
    """
    hide = hide or masker(findings, show=show_secrets)
    return _Search(contents, layout, hide).run(findings)


class _Search:
    """One search; an item that overlaps a surer one, found earlier, is dropped."""

    def __init__(self, contents: bytes, layout: Layout, hide: Masker) -> None:
        self.contents = contents
        self.layout = layout
        self.hide = hide
        self.items: list[OwnItem] = []  # by rising address, without overlap
        self.macs: dict[bytes, int] = {}  # where each address was first seen
        self.serials: dict[bytes, int] = {}

    def run(self, findings: Sequence[Finding]) -> tuple[OwnItem, ...]:
        for block in environments(findings):
            for variable in block.variables:
                self.variable(variable, block)
        own = [region for region in self.layout.regions if region.keep or region.role is Role.OWN]
        self.same_again()
        self.trees(findings)
        self.secrets()
        self.keyed()
        for region in own:
            self.own_region(region)
        for start, end in self.layout.gaps:
            self.gap(start, min(end, len(self.contents)))
        self.texts()
        return tuple(self.items)

    def add(
        self, at: int, length: int, kind: str, name: str, text: str, sure: Certainty, reason: str
    ) -> bool:
        """False, and nothing added, where a surer item is known already."""
        index = bisect.bisect_left(self.items, at, key=lambda item: item.start)
        before, after = self.items[max(index - 1, 0) : index], self.items[index : index + 1]
        taken = any(each.end > at for each in before) or any(e.start < at + length for e in after)
        if taken or len(self.items) >= _MOST:
            return False
        region = self.layout.at(at)
        secret = kind == "key"
        shown = MASK if secret and not self.hide.show else self.hide.text(text)
        where, confidence = region.name if region else "", f"{sure.value}: {reason}"
        item = OwnItem(at, length, kind, name, shown, where, confidence, secret, sure)
        self.items.insert(index, item)
        return True

    def mac(self, at: int, length: int, value: bytes, sure: Certainty, reason: str) -> None:
        """An address, as six bytes or as a text of `length` bytes."""
        name = "six bytes" if length == 6 else "text"
        self.add(at, length, "mac", name, forms.mac_text(value), sure, reason)

    def serial(self, at: int, text: bytes, sure: Certainty, reason: str) -> bool:
        """A serial number that is text; False where a surer item is known already."""
        return self.add(at, len(text), "serial", "text", readable(text), sure, reason)

    def variable(self, variable: Variable, block: Environment) -> None:
        name = readable(variable.name)
        text = readable(variable.value, 200)
        if not variable.value:
            return
        proven = block.saved and block.checksum_ok  # what it is called is then enough
        sure = Certainty.LIKELY, "a variable of an environment whose checksum fails"
        if not block.saved:
            sure = Certainty.GUESS, "a default in the boot code, which other boards may have too"
        elif proven:
            sure = Certainty.SURE, "a variable of an environment whose checksum is OK"
        value = forms.parse_mac(variable.value)
        if value is None and _ADDRESS_NAME.search(name):
            value = forms.parse_bare_mac(variable.value)
        if value is not None:
            self.macs.setdefault(value, variable.at)
            self.add(variable.at, len(variable.value), "mac", name, forms.mac_text(value), *sure)
        elif is_serial_name(name) and _can_be_serial(variable.value, 1 if proven else 4):
            if len(variable.value) >= _DISTINCT:
                self.serials.setdefault(variable.value, variable.at)
            self.add(variable.at, len(variable.value), "serial", name, text, *sure)
        elif is_secret(name, text):
            self.add(variable.at, len(variable.value), "key", name, text, *sure)

    def same_again(self) -> None:
        """Addresses and serial numbers of the environments, wherever else they are found."""
        for at, value in forms.find_binary(self.contents, self.macs):
            why = f"the same address is text at {self.macs[value]:06X}h"
            self.mac(at, 6, value, Certainty.SURE, why)
        for serial, first in list(self.serials.items())[:8]:
            why = f"the same text is a serial number at {first:06X}h"
            for at in itertools.islice(places(self.contents, serial), 100):
                if at != first:
                    self.serial(at, serial, Certainty.SURE, why)

    def trees(self, findings: Sequence[Finding]) -> None:
        """Serial numbers in device trees: the root's property serial-number (Devicetree
        Specification, section 3.2)."""
        for finding in findings:
            if not isinstance(finding.facts, TreeFacts):
                continue
            at, end = finding.facts.serial
            value = self.contents[at:end].rstrip(b"\0")
            if len(value) > 3 and value.isascii() and readable(value) == value.decode("ascii"):
                why = "the serial number that a device tree states"
                name, text = "serial-number", readable(value)
                self.add(at, len(value), "serial", name, text, Certainty.LIKELY, why)

    def keyed(self) -> None:
        """Serial numbers after their name in text, such as a file of settings."""
        for at, text in forms.keyed_serials(self.contents):
            if _is_word(text):
                continue
            why = "text after the name of a serial number"
            self.serial(at, text, Certainty.LIKELY, why)

    def own_region(self, region: Region) -> None:
        start, end = region.start, min(region.end, len(self.contents))
        for at, value in forms.find_neighbours(self.contents[start:end], start, self.macs):
            why = "its number is next to that of a known address"
            self.mac(at, 6, value, Certainty.LIKELY, why)
        for at, value in forms.find_bare(self.contents, start, end, named=False):
            why = "twelve digits in a region that is the board's own"
            self.mac(at, 12, value, Certainty.LIKELY, why)
        for low, high in forms.data_blocks(self.contents, start, end):
            self.own_block(low, high, start, end)

    def gap(self, start: int, end: int) -> None:
        """Blocks with a checksum of their own and addresses in a row, in small pieces of data
        outside of all regions: without a partition table, the board's own data is there."""
        for low, high in forms.data_blocks(self.contents, start, end):
            if high - low <= _SMALL:
                self.own_block(low, high, start, end, unclaimed=True)

    def own_block(
        self, at: int, end: int, start: int, limit: int, *, unclaimed: bool = False
    ) -> None:
        """One piece of data, from `at` to `end`, in a region or gap from `start` to `limit`."""
        summed = forms.with_checksum(self.contents, at, end, limit)
        if summed is not None:
            mark = readable(self.contents[at : at + 4])
            text = f"{summed - at} bytes that begin with {mark}"
            sure = Certainty.SURE, "its own CRC-32 is OK; its meaning is not known"
            self.add(at, summed - at, "calibration", "block with a checksum", text, *sure)
            return
        inside = meets_any((at, end), spans_of(self.items))
        inside |= self.own_serials(at, end, unclaimed=unclaimed)
        row = forms.in_a_row(self.contents, at, end, start)
        if inside:
            return
        if row and not (unclaimed and len(row) == 1):
            sure = Certainty.GUESS, "six bytes by themselves that can be an address"
            if len(row) > 1:
                sure = Certainty.LIKELY, f"{len(row)} addresses of one maker in a row"
            for place in row:
                self.mac(place, 6, self.contents[place : place + 6], *sure)
        elif not unclaimed:
            kind = "calibration" if end - at >= 16 else "data"
            first = self.contents[at : at + 4].hex(" ")
            text = f"{end - at} bytes that begin with {first}"
            why = "data in a region that is the board's own; its meaning is not known"
            self.add(at, end - at, kind, "block of data", text, Certainty.LIKELY, why)

    def own_serials(self, start: int, end: int, *, unclaimed: bool) -> bool:
        """Serial numbers in a piece of data, and addresses beside them; whether there are any."""
        found = False
        for at, text in forms.serial_texts(self.contents, start, end):
            if forms.parse_mac(text) or forms.parse_bare_mac(text) or _is_word(text):
                continue
            # Text after another name is what that name says.
            setting = _SETTING.search(self.contents[max(at - 66, start) : at])
            if setting and not is_serial_name(setting[1].decode("ascii")):
                continue
            beside = forms.mac_beside(self.contents, at, len(text))
            sure = Certainty.LIKELY, "letters and digits in a region that is the board's own"
            if unclaimed:
                # Nothing says that this is the board's own: any text with digits would do.
                if beside is None or start % SECTOR:
                    continue
                sure = Certainty.GUESS, "letters and digits beside what can be an address"
            if self.serial(at, text, *sure):
                found = True
                if beside is not None and start <= beside + 2:
                    why = "six bytes beside a serial number that can be an address"
                    self.mac(beside, 6, self.contents[beside : beside + 6], Certainty.GUESS, why)
        return found

    def secrets(self) -> None:
        for secret in find_secrets(self.contents):
            sure = readable(secret.value, 400), secret.certainty, secret.reason
            self.add(secret.at, len(secret.value), "key", secret.name, *sure)

    def texts(self) -> None:
        """Addresses in text elsewhere, of the board or of what it talks to."""
        for at, value in forms.find_texts(self.contents):
            sure = Certainty.GUESS, "an address in text; it may belong to something else"
            known = self.macs.get(value)
            if known is not None:
                sure = Certainty.SURE, f"the same address is at {known:06X}h"
            self.mac(at, 17, value, *sure)
        for at, value in forms.find_bare(self.contents, 0, len(self.contents), named=True):
            why = "twelve digits after the name of an address"
            self.mac(at, 12, value, Certainty.LIKELY, why)


def _can_be_serial(value: bytes, least: int) -> bool:
    """Printable, `least` bytes at least and 64 at most, and no reference to another variable."""
    printable = all(0x20 <= byte <= 0x7E for byte in value)
    return printable and least <= len(value) <= 64 and b"$" not in value


def _is_word(text: bytes) -> bool:
    """A version or date rather than a number that counts boards."""
    return bool(re.fullmatch(rb"[vV]?\d{1,3}(\.\d{1,4}){1,3}|\d{4}[-/.]\d\d[-/.]\d\d", text))
