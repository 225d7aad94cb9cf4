"""What the boot loader looks for: versions, environment, files, console; where scripts write."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.finding import Finding
from spiflash.dump.hints.collect import collect
from spiflash.dump.hints.values import Console, Environment, Hints, Load, Version, Write
from spiflash.dump.secrets import Masker, masker

__all__ = ["Console", "Environment", "Hints", "Load", "Version", "Write", "hints"]


def hints(
    contents: bytes,
    findings: Sequence[Finding],
    *,
    show_secrets: bool = False,
    hide: Masker | None = None,
) -> Hints:
    """What `contents` say about how the board starts.

    Only text that lies uncompressed in the dump is seen. Secrets are masked unless
    `show_secrets`, by `hide` where that is given. All strings are untrusted, but printable and
    bounded in length.
    """
    return collect(contents, findings, hide or masker(findings, show=show_secrets))
