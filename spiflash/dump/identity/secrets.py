"""Keys and passphrases that lie open in a dump, as bytes; `dump/secrets.py` says what is one."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from spiflash.dump.formats.magic import places
from spiflash.dump.secrets import CRYPT, is_secret

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
        _urls,
        _settings,
    )
    for search in searches:
        yield from itertools.islice(search(contents), _MOST)


_BEGIN = re.compile(rb"-----BEGIN ((?:[A-Z0-9]{1,12} ){0,3}PRIVATE KEY)-----")


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
    """The address after the length-prefixed strings from `at`, as many as there are up to eight."""
    for _ in range(8):
        length = int.from_bytes(contents[at : at + 4], "big")
        if not 1 <= length <= 1100 or at + 4 + length > len(contents):
            break
        at += 4 + length
    return at


_HASH = re.compile(CRYPT.pattern.replace("(?P<rest>", "(").encode())
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


_USER_INFO = re.compile(rb"[\w.%+-]{0,64}:([!-.0-?A-~]{1,100})@[\w.-]{2,100}")


def _urls(contents: bytes) -> Iterator[Secret]:
    for at in itertools.islice(places(contents, b"://"), _MOST_WORDS):
        match = _USER_INFO.match(contents, at + 3)
        # "%s:%s@%s" is a program's, not a board's.
        if match is not None and b"%" not in match[1]:
            yield Secret(
                match.start(1), len(match[1]), "password in a URL", match[1], "form of RFC 3986"
            )


_HINTS = (b"psk", b"pass", b"pwd", b"pw", b"pin", b"secret", b"token", b"key", b"cred", b"auth",
          b"community", b"cookie")  # fmt: skip
_BEFORE = re.compile(rb"[\w.#-]{0,60}$")
_SETTING = re.compile(
    rb"([A-Za-z_][\w.#-]{0,63})(?:\\?[\"'])?[ \t]{0,4}[=:][ \t]{0,4}\\?"
    rb"(?:\"([^\"\0\n]{1,128})\"|'([^'\0\n]{1,128})'|([^\s\"'\0;,&<>]{4,128}))"
)
_MOST_WORDS = 20_000
"""Places looked at for each word; no real dump speaks of secrets that often."""


def _settings(contents: bytes) -> Iterator[Secret]:
    """Only lines of text: what is inside binary code names things that are no secrets."""
    starts: set[int] = set()
    small = contents.lower()  # one search for the three ways to spell a word
    for word in _HINTS:
        spelled = (word, word.upper(), word.capitalize())
        for at in itertools.islice(places(small, word), 3 * _MOST_WORDS):
            if contents[at : at + len(word)] not in spelled:
                continue
            before = _BEFORE.search(contents[max(at - 60, 0) : at])
            starts.add(at - (len(before[0]) if before else 0))
    done = 0
    for start in sorted(starts):
        match = _SETTING.match(contents, start) if start >= done else None
        if match is None:
            continue
        group = next(each for each in (2, 3, 4) if match[each] is not None)
        value = match[group]
        if not all(0x20 <= byte <= 0x7E for byte in value) or value[:1] in b"%$":
            continue
        name = match[1].decode("ascii")
        if not is_secret(name, value.decode("ascii")):
            continue
        done = match.end()
        yield Secret(
            match.start(group),
            len(value),
            name,
            value,
            "a setting whose name speaks of a secret",
        )
