"""One wrong bit in any verified byte is noticed, and blamed on the right item.

The images are those of `audit_images`. A compressed stream holds some bits that mean nothing
(unused codes, padding of stored blocks). A wrong one of these changes no byte of the contents,
which the format's own program confirms here; everything else must be DAMAGED in a range that
holds the bit.
"""

from __future__ import annotations

import random
import subprocess
from collections import Counter
from pathlib import Path

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Finding, Verdict
from tests.references.audit_images import PROGRAMS, Item

pytestmark = pytest.mark.needs(*PROGRAMS, "unsquashfs")

LEAD = 4096


def verified(findings: tuple[Finding, ...]) -> list[tuple[Finding, int, int]]:
    return [
        (finding, start, end)
        for finding in findings
        for (start, end), verdict in finding.verdicts()
        if verdict is Verdict.VERIFIED
    ]


UNPACK = {
    "gzip": ("gzip", "-dc"),
    "xz": ("xz", "-dc"),
    "bzip2": ("bzip2", "-dc"),
    "zstd": ("zstd", "-dc"),
    "lz4": ("lz4", "-dc"),
}


def unpacked(kind: str, image: bytes, folder: Path) -> object:
    """The contents by the format's own program; None where it complains."""
    if kind != "squashfs":
        done = subprocess.run(UNPACK[kind], input=image, capture_output=True)
        return None if done.returncode else done.stdout
    path, out = folder / "fs", folder / f"out{random.random()}"
    path.write_bytes(image)
    done = subprocess.run(
        ["unsquashfs", "-q", "-n", "-no-xattrs", "-d", out, path], capture_output=True
    )
    if done.returncode or done.stderr:
        return None
    return {
        str(each.relative_to(out)): each.is_file() and each.read_bytes()
        for each in sorted(out.rglob("*"))
    }


def blame(findings: tuple[Finding, ...], kind: str, at: int) -> list[Finding]:
    return [
        finding
        for finding in findings
        if finding.kind == kind
        for (start, end), verdict in finding.verdicts()
        if verdict is Verdict.DAMAGED and start <= at < end
    ]


def test_every_wrong_bit_is_noticed(items: list[Item], tmp_path: Path, full_sweep: bool) -> None:
    rng = random.Random(11)
    tries = 60 if full_sweep else 5
    noticed: Counter[str] = Counter()
    harmless: Counter[str] = Counter()
    doubtful: Counter[str] = Counter()
    for item in items:
        whole = b"\xff" * LEAD + item.image + b"\xff" * LEAD
        ranges = verified(survey(whole))
        total = sum(end - start for _, start, end in ranges)
        for turn in range(tries if ranges else 0):
            # Half of the tries take a range by lot, so that small ones come up too.
            weights = [end - start if turn % 2 else 1 for _, start, end in ranges]
            ((finding, start, end),) = rng.choices(ranges, weights)
            at, bit = rng.randrange(start, end), rng.randrange(8)
            wrong = bytearray(whole)
            wrong[at] ^= 1 << bit
            after = survey(bytes(wrong))
            where = f"{item.name}: bit {bit} at {at - LEAD:X}h in {finding.kind}"
            trusting = [f for f, low, high in verified(after) if low <= at < high]
            if blame(after, finding.kind, at):
                assert not [f for f in trusting if f.kind == finding.kind], where
                noticed[finding.kind] += 1
            elif not trusting:
                here = [f for f in after if f.kind == finding.kind and f.start == finding.start]
                assert here, f"{where}: the item is gone"
                doubtful[finding.kind] += 1
            else:
                image = slice(finding.start, finding.end)
                contents = unpacked(finding.kind, whole[image], tmp_path)
                assert contents is not None, where
                assert unpacked(finding.kind, bytes(wrong[image]), tmp_path) == contents, where
                harmless[finding.kind] += 1
        assert total >= 0
    print(
        f"\n{noticed.total()} bits noticed and placed {dict(noticed)}; "
        f"{doubtful.total()} noticed, called doubtful at the right place {dict(doubtful)}; "
        f"{harmless.total()} change nothing of the contents {dict(harmless)}"
    )
    assert noticed.total() > 20 * (doubtful.total() + harmless.total())
