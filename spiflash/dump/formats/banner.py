"""Version strings by which boot loader, kernel and tools of a board introduce themselves."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence

from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import places
from spiflash.dump.wording import readable

_MOST = 1000

_PRINTABLE = rb"[\x20-\x7e]{0,200}"
# A literal to search for, which is fast, and what must follow for it to be a version string.
_BANNERS = (
    (b"U-Boot ", rb"U-Boot (?:[ST]PL )?(?:20\d\d\.\d\d|1\.\d\.\d)", "boot loader banner"),
    (b"Linux version ", rb"Linux version \d{1,2}\.\d{1,3}", "kernel version string"),
    (b"BusyBox v", rb"BusyBox v\d\.\d{1,3}", "user-land version string"),
)


def find_banners(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Version strings that lie uncompressed in the dump, the first thousand of each sort."""
    for literal, pattern, title in _BANNERS:
        banner = re.compile(pattern + _PRINTABLE)
        matches = (banner.match(contents, at) for at in places(contents, literal))
        for match in itertools.islice(filter(None, matches), _MOST):
            yield Finding(
                match.start(),
                match.end() - match.start(),
                "banner",
                title,
                Verdict.CONSISTENT,
                ("printable text of the usual form",),
                (("text", readable(match[0])),),
            )
