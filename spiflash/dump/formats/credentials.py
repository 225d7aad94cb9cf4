"""Certificates and keys, as DER or in the text form of RFC 7468. Key material is never shown.

Structures: DER (ITU-T X.690), X.509 (RFC 5280), PKCS #8 (RFC 5208), PKCS #1 (RFC 8017), SEC1 keys
(RFC 5915). Their signatures are not checked: a finding is CONSISTENT when every length in it adds
up.
"""

from __future__ import annotations

import base64
import binascii
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats import outside
from spiflash.spans import Span
from spiflash.text import readable

# DER ---------------------------------------------------------------------------------------------

_MOST_CHILDREN = 64
_X501_NAMES = {3: "CN", 6: "C", 7: "L", 8: "ST", 10: "O", 11: "OU"}  # the last arc of 2.5.4.x


@dataclass(frozen=True, slots=True)
class _Element:
    """One element: its tag, where its body starts, and the address after it."""

    tag: int
    body: int
    end: int


def _element(contents: bytes, at: int, limit: int | None = None) -> _Element | None:
    """The element at `at`, or None where its length is not as DER says or passes `limit`."""
    limit = len(contents) if limit is None else limit
    if at + 2 > limit:
        return None
    tag, length, body = contents[at], contents[at + 1], at + 2
    if length >= 0x80:
        count = length & 0x7F
        if not 1 <= count <= 3 or body + count > limit:
            return None
        length = int.from_bytes(contents[body : body + count], "big")
        body += count
        if length < 0x80 or length >> 8 * (count - 1) == 0:
            return None  # DER requires the shortest form
    return _Element(tag, body, body + length) if body + length <= limit else None


def _children(contents: bytes, parent: _Element) -> list[_Element] | None:
    """The elements inside, at most 64; None where they do not fill the parent exactly."""
    found: list[_Element] = []
    at = parent.body
    while at < parent.end:
        element = _element(contents, at, parent.end)
        if element is None or len(found) == _MOST_CHILDREN:
            return None
        found.append(element)
        at = element.end
    return found


def _x501_name(contents: bytes, name: _Element) -> str:
    """An X.501 name in one line: "C=…, O=…, CN=…"."""
    shown = []
    for group in _children(contents, name) or []:
        for pair in _children(contents, group) or []:
            parts = _children(contents, pair) or []
            if len(parts) == 2 and contents[parts[0].body : parts[0].end - 1] == b"\x55\x04":
                key = _X501_NAMES.get(contents[parts[0].end - 1])
                if key is not None:
                    value = readable(contents[parts[1].body : parts[1].end], 100)
                    shown.append(f"{key}={value}")
    return ", ".join(shown)


# Certificates and keys ---------------------------------------------------------------------------

_MOST = 1000
_LONGEST = 16 << 10
_BEGIN = re.compile(rb"-----BEGIN ([A-Z0-9 ]{1,40})-----")
_KINDS = {
    "CERTIFICATE": ("certificate", "X.509 certificate"),
    "TRUSTED CERTIFICATE": ("certificate", "X.509 certificate"),
    "PUBLIC KEY": ("public-key", "public key"),
    "RSA PUBLIC KEY": ("public-key", "RSA public key"),
    "PRIVATE KEY": ("private-key", "private key"),
    "RSA PRIVATE KEY": ("private-key", "RSA private key"),
    "EC PRIVATE KEY": ("private-key", "elliptic-curve private key"),
    "DSA PRIVATE KEY": ("private-key", "DSA private key"),
    "ENCRYPTED PRIVATE KEY": ("private-key", "encrypted private key"),
    "OPENSSH PRIVATE KEY": ("private-key", "SSH private key"),
}
_SEQUENCE, _INTEGER, _OCTETS, _CONTEXT = 0x30, 0x02, 0x04, 0xA0
_DER = re.compile(rb"\x30(?:[\x20-\x7f]|\x81[\x80-\xff]|\x82[\x01-\x3f].)(?=[\x30\x02])", re.DOTALL)
_MOST_DER = 20_000


def find_pem(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Certificates and keys as text."""
    starts = {match.start(): match for match in itertools.islice(_BEGIN.finditer(contents), _MOST)}
    for at in outside(starts, packed):
        match = starts[at]
        label = match[1].decode("ascii")
        mark = b"-----END " + match[1] + b"-----"
        end = contents.find(mark, match.end(), match.end() + _LONGEST)
        if label not in _KINDS or end < 0:
            continue
        kind, title = _KINDS[label]
        body = contents[match.end() : end]
        sound = _decoded(body)
        if sound is None and b"ENCRYPTED" not in body:
            continue
        details: tuple[tuple[str, str], ...] = ()
        if kind == "certificate" and sound is not None:
            details = _about(sound, _element(sound, 0))
        yield Finding(
            at,
            end + len(mark) - at,
            kind,
            f"{title}, as text",
            Verdict.CONSISTENT,
            ("begins and ends as RFC 7468 says, with base64 between; signatures are not checked",),
            details,
        )


def _decoded(body: bytes) -> bytes | None:
    try:
        return base64.b64decode(b"".join(body.split()), validate=True)
    except binascii.Error:
        return None


def find_der(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Certificates and private keys as DER."""
    done = 0
    matches = (match.start() for match in _DER.finditer(contents))
    for at in itertools.islice(outside(matches, packed), _MOST_DER):
        whole = _element(contents, at) if at >= done else None
        if whole is None or whole.end - at < 32:
            continue
        parts = _children(contents, whole)
        said = _recognised(contents, parts) if parts else None
        if said is None:
            continue
        kind, title = said
        details = _about(contents, whole) if kind == "certificate" else ()
        checks = ("every length of the DER structure adds up; signatures are not checked",)
        yield Finding(at, whole.end - at, kind, title, Verdict.CONSISTENT, checks, details)
        done = whole.end


def _recognised(contents: bytes, parts: list[_Element]) -> tuple[str, str] | None:
    tags = [part.tag for part in parts]
    if tags == [_SEQUENCE, _SEQUENCE, 0x03]:
        inner = [part.tag for part in _children(contents, parts[0]) or []]
        skip = 1 if inner[:1] == [_CONTEXT] else 0
        if inner[skip : skip + 6] == [_INTEGER, *[_SEQUENCE] * 5]:
            return "certificate", "X.509 certificate"
        return None
    if tags[:1] != [_INTEGER]:
        return None
    version = contents[parts[0].body : parts[0].end]
    if version == b"\0" and tags == [_INTEGER] * 9:
        return "private-key", "RSA private key"
    if version in (b"\0", b"\1") and tags[:3] == [_INTEGER, _SEQUENCE, _OCTETS]:
        first = _children(contents, parts[1]) or []
        return ("private-key", "private key") if first and first[0].tag == 0x06 else None
    if version == b"\1" and tags[:3] == [_INTEGER, _OCTETS, _CONTEXT]:
        return "private-key", "elliptic-curve private key"
    return None


def _about(contents: bytes, whole: _Element | None) -> tuple[tuple[str, str], ...]:
    """Subject, issuer and validity of a certificate."""
    parts = (_children(contents, whole) if whole else None) or []
    inner = (_children(contents, parts[0]) if parts else None) or []
    if inner and inner[0].tag == _CONTEXT:
        inner = inner[1:]
    if len(inner) < 5:
        return ()
    times = _children(contents, inner[3]) or []
    spelled = [contents[each.body : each.end][:20].decode("ascii", "replace") for each in times[:2]]
    return (
        ("subject", _x501_name(contents, inner[4])),
        ("issuer", _x501_name(contents, inner[2])),
        ("valid", " to ".join(each if each.isalnum() else "?" for each in spelled)),
    )
