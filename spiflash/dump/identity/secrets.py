"""Keys and passphrases that lie open in a dump.

Forms: PEM (RFC 7468), SSH public key blobs (RFC 4253, section 6.6) as they also begin private
key files, crypt(3) password fields, and the settings that speak of a passphrase.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from spiflash.dump.formats.magic import places

_MOST = 200
_PEM_LONGEST = 16 << 10


@dataclass(frozen=True, slots=True)
class Secret:
    """`length` bytes from `at`; `name` says what it is, `value` what stands there."""

    at: int
    length: int
    name: str
    value: bytes
    confidence: str


def find_secrets(contents: bytes) -> Iterator[Secret]:
    """Everything that looks like a key or passphrase, the first two hundred of each form."""
    searches: tuple[Callable[[bytes], Iterator[Secret]], ...] = (
        _private_keys,
        _ssh_keys,
        _password_hashes,
        _settings,
    )
    for search in searches:
        yield from itertools.islice(search(contents), _MOST)


_BEGIN = re.compile(rb"-----BEGIN ((?:[A-Z]{1,12} ){0,3}PRIVATE KEY)-----")


def _private_keys(contents: bytes) -> Iterator[Secret]:
    for match in _BEGIN.finditer(contents):
        mark = b"-----END " + match[1] + b"-----"
        end = contents.find(mark, match.end(), match.end() + _PEM_LONGEST)
        whole = end >= 0
        stop = end + len(mark) if whole else match.end()
        yield Secret(
            match.start(),
            stop - match.start(),
            match[1].decode("ascii").lower(),
            contents[match.start() : stop],
            "begins and ends as RFC 7468 says" if whole else "begins like a key, no end follows",
        )


_SSH_NAMES = (b"ssh-rsa", b"ssh-dss", b"ssh-ed25519", b"ecdsa-sha2-nistp256")
_SSH = re.compile(b"|".join(re.escape(len(name).to_bytes(4, "big") + name) for name in _SSH_NAMES))


def _ssh_keys(contents: bytes) -> Iterator[Secret]:
    for match in _SSH.finditer(contents):
        end = _strings_end(contents, match.end())
        if end > match.end() + 32:
            yield Secret(
                match.start(),
                end - match.start(),
                f"SSH key, {match[0][4:].decode('ascii')}",
                contents[match.start() : end],
                "type and lengths as RFC 4253 says; public or private",
            )


def _strings_end(contents: bytes, at: int) -> int:
    """Behind the length-prefixed strings from `at`, as many as there are up to eight."""
    for _ in range(8):
        length = int.from_bytes(contents[at : at + 4], "big")
        if not 1 <= length <= 1100 or at + 4 + length > len(contents):
            break
        at += 4 + length
    return at


_HASH = re.compile(rb"\$(?:1|2[aby]|5|6|y)\$[./0-9A-Za-z$=,]{20,120}(?=:)")
_USER = re.compile(rb"(?<![\w$-])[a-z_][\w-]{0,31}$")


def _password_hashes(contents: bytes) -> Iterator[Secret]:
    for colon in places(contents, b":$"):
        match = _HASH.match(contents, colon + 1)
        user = _USER.search(contents[max(colon - 33, 0) : colon]) if match else None
        if match and user:
            yield Secret(
                match.start(),
                len(match[0]),
                f"password hash of {user[0].decode('ascii')}",
                match[0],
                "a line as in a password file",
            )


_WORDS = (b"psk", b"pass", b"wpa_key", b"wep_key", b"secret", b"token", b"key")
_BEFORE = re.compile(rb"[\w.-]{0,30}$")
_SETTING = re.compile(
    rb"((?:[\w.-]{0,30}(?:psk|passphrase|passwd|password|wpa_key|secret|token))"
    rb"|key|wep_key\d?)[ \t]{0,4}[=:][ \t]{0,4}(?:\"([^\"\0\n]{1,128})\"|([^\s\"\0;,]{6,128}))",
    re.IGNORECASE,
)
_MOST_WORDS = 20_000
"""Places looked at for each word; no real dump speaks of secrets that often."""


def _settings(contents: bytes) -> Iterator[Secret]:
    """Only lines of text: what is inside binary code names things that are no secrets."""
    lower = contents.lower()
    starts: set[int] = set()
    for word in _WORDS:
        for at in itertools.islice(places(lower, word), _MOST_WORDS):
            before = _BEFORE.search(contents[max(at - 30, 0) : at])
            starts.add(at - (len(before[0]) if before else 0))
    done = 0
    for start in sorted(starts):
        match = _SETTING.match(contents, start) if start >= done else None
        if match is None:
            continue
        group = 2 if match[2] is not None else 3
        value = match[group]
        if not all(0x20 <= byte <= 0x7E for byte in value) or value[:1] in b"%$":
            continue
        done = match.end()
        yield Secret(
            match.start(group),
            len(value),
            match[1].decode("ascii", "replace"),
            value,
            "a setting whose name speaks of a secret",
        )
