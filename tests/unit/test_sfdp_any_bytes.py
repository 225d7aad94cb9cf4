"""No bytes, however broken, crash or hang the parser or yield a map that does not tile."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from spiflash.nor.sfdp import parse
from spiflash.nor.sfdp.derived import four_byte_methods, quad_enable, to_geometry
from spiflash.nor.sfdp.headers import SfdpError, read_whole
from tests.unit.sfdp_tables import ONES, area, check_tiling, layout


def survives(raw: bytes) -> None:
    try:
        sfdp = parse(raw)
        geometry = to_geometry(sfdp, chip_erase_opcode=0xC7)
    except SfdpError:
        return
    check_tiling(geometry)
    assert geometry.size == sfdp.basic.size
    assert all(0 < t.time.typical <= t.time.maximum for t in geometry.erase_types)
    four_byte_methods(sfdp)
    quad_enable(sfdp)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
@example(b"SFDP" + b"\xff" * 300)
@example(b"SFDP" + b"\x00" * 300)
def test_no_bytes_crash_the_parser(raw: bytes) -> None:
    survives(raw)
    survives(b"SFDP\x06\x01" + raw)


dword = st.one_of(
    st.integers(0, ONES),
    st.sampled_from([0, ONES, 0x520F200C, 0x0010D810, 0xFFF120E5, 0x00FFFFFF, 0x80000020]),
)


@settings(max_examples=300, deadline=None)
@given(
    density=st.one_of(dword, st.integers(10, 30).map(lambda n: (1 << n) - 1)),
    types=st.tuples(*[st.tuples(st.integers(0, 24), st.integers(0, 255))] * 4),
    rest=st.lists(dword, max_size=14),
    sectors=st.lists(dword, max_size=24),
    four=st.lists(dword, max_size=3),
)
def test_no_tables_yield_a_geometry_that_does_not_tile(
    density: int,
    types: tuple[tuple[int, int], ...],
    rest: list[int],
    sectors: list[int],
    four: list[int],
) -> None:
    low, high = (
        types[i][0] | types[i][1] << 8 | types[i + 1][0] << 16 | types[i + 1][1] << 24
        for i in (0, 2)
    )
    words = (0xFFF120E5, density, 0, 0, 0, 0, 0, low, high, *rest)
    others: list[tuple[int, tuple[int, ...]]] = [(0xFF84, tuple(four))]
    if sectors:
        others.append((0xFF81, tuple(sectors)))
    survives(area((0xFF00, words), *others))


@settings(max_examples=200, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 600), min_size=1, max_size=6),
    masks=st.lists(st.integers(0, 15), min_size=6, max_size=6),
    types=st.tuples(*[st.integers(8, 18)] * 4),
)
def test_maps_that_add_up_tile_or_are_refused(
    sizes: list[int], masks: list[int], types: tuple[int, int, int, int]
) -> None:
    parts = [(256 * size, mask) for size, mask in zip(sizes, masks, strict=False)]
    low, high = (types[i] | 0x20 << 8 | types[i + 1] << 16 | 0xD8 << 24 for i in (0, 2))
    total = sum(length for length, _ in parts)
    words = (0xFFF120E5, 8 * total - 1, 0, 0, 0, 0, 0, low, high)
    raw = area((0xFF00, words), (0xFF81, layout(0, *parts, last=True)))
    survives(raw)
    if all(mask for _, mask in parts) and all(
        any(mask >> n & 1 and types[n] == 8 for n in range(4)) for _, mask in parts
    ):
        # With an erase of 256 bytes everywhere there is always a way.
        check_tiling(to_geometry(parse(raw)))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300), st.integers(0, 5000))
def test_reading_is_bounded_whatever_the_chip_answers(raw: bytes, answered: int) -> None:
    contents = b"SFDP" + raw
    read = 0

    def fetch(address: int, length: int) -> bytes:
        nonlocal read
        read += length
        return (contents + bytes(70000))[address : min(address + length, answered)]

    assert len(read_whole(fetch)) <= read <= 70000
