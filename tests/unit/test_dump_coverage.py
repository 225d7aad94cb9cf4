"""Coverage counts each byte once, and its headline never flatters."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from hwmocks.boards.heron import failed_card_flash, heron_factory, heron_open
from spiflash.dump.audit import survey
from spiflash.dump.coverage import Coverage, coverage
from spiflash.dump.finding import Finding, Verdict

SIZE = 200


def finding(start: int, length: int, verdict: Verdict) -> Finding:
    return Finding(start, length, "test", "test", verdict)


def counts(result: Coverage) -> tuple[int, int, int, int, int]:
    return result.blank, result.verified, result.damaged, result.consistent, result.unrecognised


def test_overlaps_count_once_and_damage_wins() -> None:
    findings = [
        finding(0, 100, Verdict.VERIFIED),
        finding(50, 100, Verdict.VERIFIED),
        finding(140, 20, Verdict.CONSISTENT),
        finding(90, 5, Verdict.DAMAGED),
        finding(0, 10, Verdict.BLANK),
        finding(160, 10, Verdict.BLANK),
    ]
    assert counts(coverage(bytes(SIZE), findings)) == (10, 145, 5, 10, 30)


@given(
    st.lists(
        st.builds(
            finding, st.integers(0, SIZE), st.integers(0, SIZE), st.sampled_from(list(Verdict))
        ),
        max_size=12,
    )
)
def test_against_counting_byte_by_byte(findings: list[Finding]) -> None:
    best = [Verdict.DAMAGED, Verdict.VERIFIED, Verdict.BLANK, Verdict.CONSISTENT]
    expected = dict.fromkeys([*best, None], 0)
    unchecked = 0
    for at in range(SIZE):
        here = {f.verdict for f in findings if f.start <= at < f.start + f.length}
        verdict = next((verdict for verdict in best if verdict in here), None)
        expected[verdict] += 1
        unchecked += verdict is None and Verdict.UNCHECKED in here
    result = coverage(bytes(SIZE), findings)
    assert counts(result) == (
        expected[Verdict.BLANK],
        expected[Verdict.VERIFIED],
        expected[Verdict.DAMAGED],
        expected[Verdict.CONSISTENT],
        expected[None],
    )
    assert sum(counts(result)) == result.total == SIZE
    assert result.unchecked == unchecked


def test_the_headline_rounds_against_itself() -> None:
    almost = Coverage(1_000_000, 0, 999_999, 0, 0, 1)
    assert almost.headline == "99.9 % checksum OK, 0 bytes fail a checksum, 0.1 % no checksum"
    whole = Coverage(1_000_000, 500_000, 500_000, 0, 0, 0)
    assert whole.headline == "100.0 % checksum OK, 0 bytes fail a checksum, 0.0 % no checksum"
    mixed = Coverage(2000, 1000, 714, 0, 100, 186)
    assert mixed.headline == (
        "71.4 % checksum OK, 0 bytes fail a checksum, 28.6 % no checksum (10.0 % fit their format)"
    )
    skipped = Coverage(2000, 1000, 714, 1, 0, 285, unchecked=285)
    assert skipped.headline == (
        "71.4 % checksum OK, 1 byte fails a checksum, 28.5 % NOT CHECKED, 0.0 % no checksum"
    )


def test_the_headline_of_nothing() -> None:
    assert coverage(b"", ()).headline == "empty"
    assert coverage(b"\xff" * 8192, survey(b"\xff" * 8192)).headline == "all blank"


def test_the_demo_board_has_no_byte_that_fails_a_checksum() -> None:
    for contents in (heron_factory(), heron_open()):
        result = coverage(contents, survey(contents))
        assert result.damaged == 0
        assert result.verified > 0.45 * result.used


def test_a_failed_card_flash_leaves_byte_that_fails_a_checksums() -> None:
    after = failed_card_flash(heron_factory(), heron_open(), 0x81234)
    broken = [f for f in survey(after) if f.verdict is Verdict.DAMAGED]
    assert [(f.kind, f.start) for f in broken] == [("uboot-image", 0x70000), ("gzip", 0x70040)]
    assert coverage(after, broken).damaged == broken[0].length - 64  # the header is whole
    # The writing stopped at 81234h: the stream goes wrong behind that.
    assert broken[1].start < 0x81234 <= broken[1].end
