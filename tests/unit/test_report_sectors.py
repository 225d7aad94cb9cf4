"""What each cell of the map says, against a byte-by-byte count, and the entropy."""

from __future__ import annotations

import math
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spiflash.archive.record import AgreementRecord
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.drawing import Holds, entropy, sectors
from tests.archive_samples import contents_of
from tests.effort import effort

SIZE = 64  # a small sector, so that many cases fit into few bytes


def agreement_of(length: int) -> AgreementRecord:
    return AgreementRecord(SIZE, -(-length // SIZE))


def one_by_one(contents: bytes, findings: list[Finding]) -> list[str]:
    """The kind of each byte, by the words of the documentation and nothing clever."""
    kinds = []
    for position, byte in enumerate(contents):
        verdicts = {f.verdict for f in findings if f.start <= position < f.start + f.length}
        for verdict in ("damaged", "vouched", "blank", "consistent"):
            if Verdict(verdict) in verdicts:
                kinds.append(verdict)
                break
        else:
            kinds.append("blank" if byte == 0xFF else "unproven")
    return kinds


findings_in = st.lists(
    st.builds(
        Finding,
        start=st.integers(0, 400),
        length=st.integers(0, 300),
        kind=st.just("x"),
        title=st.just("x"),
        verdict=st.sampled_from(Verdict),
    ),
    max_size=8,
)


@given(st.lists(st.sampled_from([0xFF, 0, 7]), min_size=1, max_size=330).map(bytes), findings_in)
def test_counts_are_those_of_a_count_by_hand(contents: bytes, findings: list[Finding]) -> None:
    kinds = one_by_one(contents, findings)
    parts = sectors(contents, findings, agreement_of(len(contents)))
    assert [part.start for part in parts] == list(range(0, len(contents), SIZE))
    assert sum(part.length for part in parts) == len(contents)
    for part in parts:
        expected = Counter(kinds[part.start : part.start + part.length])
        assert {kind.value: n for kind, n in part.counts} == dict(expected)
        used = {k: n for k, n in expected.items() if k != "blank"}
        if "damaged" in used:
            assert part.holds is Holds.DAMAGED
        elif not used:
            assert part.holds is Holds.BLANK
        else:
            assert used[part.holds.value] == max(used.values())


def test_the_more_doubtful_wins_a_tie() -> None:
    finding = Finding(0, SIZE // 2, "x", "x", Verdict.VERIFIED)
    (part,) = sectors(b"\x00" * SIZE, [finding], agreement_of(SIZE))
    assert part.holds is Holds.UNRECOGNISED


def test_agreement_and_titles_are_those_of_the_sector() -> None:
    contents = b"\x00" * (4 * SIZE)
    findings = [
        Finding(0, 2 * SIZE + 1, "x", "long", Verdict.VERIFIED),
        Finding(SIZE, 10, "x", "short", Verdict.CONSISTENT),
        Finding(0, 4 * SIZE, "x", "blank", Verdict.BLANK),
    ]
    agreement = AgreementRecord(SIZE, 4, settled=(SIZE,), unstable=(2 * SIZE,))
    parts = sectors(contents, findings, agreement)
    assert [p.agreement for p in parts] == ["stable", "settled", "unstable", "stable"]
    assert [p.titles for p in parts] == [("long",), ("long", "short"), ("long",), ()]


def test_a_flood_of_findings_takes_no_time() -> None:
    contents = contents_of(2048)
    flood = [Finding(i, len(contents), "x", "x", Verdict.CONSISTENT) for i in range(20_000)]
    agreement = AgreementRecord(4096, 2048)
    parts = []
    # One by one it is 160 GB of marks: a minute or so.
    assert effort(lambda: parts.append(sectors(contents, flood, agreement))) < 5
    assert {part.holds for part in parts[0]} == {Holds.CONSISTENT}


def shannon(data: bytes) -> float:
    """C. E. Shannon, A Mathematical Theory of Communication (1948), section 6."""
    return -sum(n / len(data) * math.log2(n / len(data)) for n in Counter(data).values())


@pytest.mark.parametrize(
    ("data", "bits"),
    [
        (b"\xff" * 4096, 0.0),
        (bytes(range(256)) * 16, 8.0),
        (b"\x00\x01" * 2048, 1.0),
        (bytes(range(16)) * 256, 4.0),
    ],
)
def test_known_entropies(data: bytes, bits: float) -> None:
    assert entropy(data, 1) == (bits,)


@settings(max_examples=50)
@given(st.binary(min_size=1, max_size=3000), st.integers(1, 20))
def test_entropy_of_each_stretch(data: bytes, columns: int) -> None:
    values = entropy(data, columns)
    assert len(values) <= columns
    step = max(256, -(-len(data) // columns))
    stretches = [data[i : i + step] for i in range(0, len(data), step)]
    assert values == pytest.approx([shannon(each) for each in stretches], abs=1e-9)


def test_no_contents_no_entropy() -> None:
    assert entropy(b"", 10) == ()
