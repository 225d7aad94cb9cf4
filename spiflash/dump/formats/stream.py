"""What all compressed streams have in common: unpack, then judge by how that ended."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats import unpack
from spiflash.dump.formats.magic import outside
from spiflash.dump.formats.unpack import Decoder, End, Outcome

_START = 4096  # units for the attempt alone
DOUBT = 64  # a decompressor that stumbles before this many bytes has seen no proof of a stream


@dataclass(frozen=True, slots=True)
class StreamFormat:
    """One sort of stream.

    `check` names the checksum of the contents by the stream's head, empty where it has none.
    `head` is the length of the header that no checksum covers, `tail` of uncovered bytes at
    `tail_at` bytes before the end; `certain` says whether the head proves itself.
    """

    kind: str
    title: str
    decoder: Callable[[], Decoder]
    check: Callable[[bytes, int], str]
    head: Callable[[bytes, int], int]
    tail_at: int
    tail: int
    certain: Callable[[bytes, int], bool]
    weight: int = 1


def find_streams(
    form: StreamFormat, contents: bytes, candidates: Iterable[int], packed: Sequence[Span]
) -> Iterator[Finding]:
    budget = unpack.allowance(contents)
    done = 0
    for at in outside(candidates, packed):
        if at < done:
            continue
        if not budget.spend(_START):
            return
        outcome = unpack.drive(form.decoder(), contents, at, budget, form.weight)
        finding = _judged(form, contents, at, outcome)
        if finding is not None:
            yield finding
            done = finding.end if outcome.end is End.COMPLETE else at + 1


def _judged(form: StreamFormat, contents: bytes, at: int, outcome: Outcome) -> Finding | None:
    check = form.check(contents, at)
    certain = outcome.end is not End.COMPLETE and form.certain(contents, at)
    details = (("unpacked", f"{outcome.produced} bytes"), ("checksum", check or "none"))
    verdict, said = Verdict.CONSISTENT, "unpacks to the end; it has no checksum of its contents"
    uncovered: tuple[Span, ...] = ()
    if outcome.end is End.COMPLETE:
        if check:
            verdict, said = Verdict.VOUCHED, f"{check} of the unpacked contents holds"
            end = at + outcome.consumed
            tail = (end - form.tail_at - form.tail, end - form.tail_at)
            uncovered = ((at, at + form.head(contents, at)), *((tail,) if form.tail else ()))
    elif outcome.end is End.LIMIT:
        said = f"unpacks as far as {outcome.produced} bytes; not followed further"
    elif not certain and outcome.produced < DOUBT and not check:
        return None
    elif not certain and outcome.produced < DOUBT:
        said = "the header makes sense, what follows does not unpack: damaged, or not a stream"
    elif check or certain:
        verdict = Verdict.DAMAGED
        said = (
            f"cut off at the end of the dump after {outcome.produced} bytes"
            if outcome.end is End.CUT
            else f"fails to unpack, or {check or 'a checksum'} fails, within this range"
        )
    else:
        return None
    length = outcome.consumed
    if verdict is Verdict.CONSISTENT and outcome.end in (End.FAILED, End.CUT):
        length = min(length, 16)
    return Finding(
        at, length, form.kind, form.title, verdict, (said,), details, uncovered=uncovered
    )
