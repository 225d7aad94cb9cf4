"""Version strings by which boot loader, kernel and tools of a board introduce themselves."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence

from spiflash.dump.facts import BannerFacts, Speaker
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import places
from spiflash.text import readable

_MOST = 1000

_PRINTABLE = rb"[\x20-\x7e]{0,200}"
# A literal to search for, which is fast, and what must follow for it to be a version string.
_BANNERS = (
    (b"U-Boot ", rb"U-Boot (?:[ST]PL )?(?:20\d\d\.\d\d|1\.\d\.\d)", Speaker.LOADER),
    (b"Linux version ", rb"Linux version \d{1,2}\.\d{1,3}", Speaker.KERNEL),
    (b"BusyBox v", rb"BusyBox v\d\.\d{1,3}", Speaker.USERLAND),
)

_TITLES = {
    Speaker.LOADER: "boot loader banner",
    Speaker.KERNEL: "kernel version string",
    Speaker.USERLAND: "user-land version string",
}


def find_banners(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Version strings that lie uncompressed in the dump, the first thousand of each sort."""
    for literal, pattern, speaker in _BANNERS:
        banner = re.compile(pattern + _PRINTABLE)
        matches = (banner.match(contents, at) for at in places(contents, literal))
        for match in itertools.islice(filter(None, matches), _MOST):
            yield Finding(
                match.start(),
                match.end() - match.start(),
                "banner",
                _TITLES[speaker],
                Verdict.CONSISTENT,
                ("printable text of the usual form",),
                (("text", readable(match[0])),),
                facts=BannerFacts(speaker, readable(match[0])),
            )
