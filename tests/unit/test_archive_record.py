"""Records: what is written comes back, and what was meddled with is refused by name."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.archive.record import AgreementRecord, Record
from spiflash.errors import BackupSetError, NewerFormatError
from tests.archive_samples import chip_of, contents_of, record_of

CONTENTS = contents_of()
RECORD = record_of(CONTENTS)


def paths(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to every value of a JSON document."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, child in items:
        yield (*path, key)
        if isinstance(child, dict | list):
            yield from paths(child, (*path, key))


def shown(path: tuple[Any, ...]) -> str:
    """A path as messages spell it: chip.candidates[0]."""
    text = "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in path)
    return text.removeprefix(".")


def edited(path: tuple[Any, ...], value: Any, remove: bool = False) -> str:
    document = json.loads(RECORD.to_json())
    place = document
    for key in path[:-1]:
        place = place[key]
    if remove:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return json.dumps(document)


PATHS = list(paths(json.loads(RECORD.to_json())))
FREE = ("program", "registers")  # maps whose keys are free


def test_comes_back_as_it_was() -> None:
    assert Record.from_json(RECORD.to_json()) == RECORD


def test_comes_back_without_the_optional_values() -> None:
    bare = {"sfdp": None, "unique_id": None, "rems": None, "legacy_id": None, "supply": None}
    record = record_of(
        CONTENTS,
        chip=chip_of(len(CONTENTS), registers={}, candidates=(), **bare),
        agreement=AgreementRecord(4096, 4, settled=(0,), unstable=(4096, 12288)),
        verified=False,
        doubts=("Two sectors are unstable.",),
        symptoms=("bit 3 is constant",),
    )
    assert Record.from_json(record.to_json()) == record


@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=60),
    st.dictionaries(
        st.text("abc é", max_size=5),
        st.text(max_size=9).filter(lambda s: s.isprintable()),
        max_size=3,
    ),
)
def test_any_text_comes_back(board: str, program: dict[str, str]) -> None:
    record = replace(RECORD, board=board, program=program)
    assert Record.from_json(record.to_json()) == record


def test_keys_keep_their_order() -> None:
    again = replace(RECORD, program=dict(reversed(RECORD.program.items())))
    assert again.to_json() == RECORD.to_json()
    assert next(iter(json.loads(RECORD.to_json()))) == "record_version"


@pytest.mark.parametrize("path", PATHS, ids=shown)
def test_a_value_of_the_wrong_type_is_named(path: tuple[Any, ...]) -> None:
    for wrong in ([[]], {"x": []}):
        with pytest.raises(BackupSetError) as caught:
            Record.from_json(edited(path, wrong))
        assert f"“{shown(path)}" in caught.value.cause


@pytest.mark.parametrize(
    "path",
    [p for p in PATHS if isinstance(p[-1], str) and (len(p) < 2 or p[-2] not in FREE)],
    ids=shown,
)
def test_a_missing_field_is_named(path: tuple[Any, ...]) -> None:
    with pytest.raises(BackupSetError) as caught:
        Record.from_json(edited(path, None, remove=True))
    assert f"“{shown(path)}” is missing" in caught.value.cause


@pytest.mark.parametrize("place", [(), ("chip",), ("passes", 1), ("agreement",)])
def test_an_unknown_field_is_named(place: tuple[Any, ...]) -> None:
    with pytest.raises(BackupSetError) as caught:
        Record.from_json(edited((*place, "colour"), "red"))
    assert f"unknown key “{shown((*place, 'colour'))}”" in caught.value.cause


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("record_version",), 1),
        (("made",), "2026-05-04T19:30:12"),
        (("made",), "yesterday"),
        (("size",), 0),
        (("size",), True),
        (("sha256",), "0" * 63),
        (("sha256",), "A" * 64),
        (("chip", "jedec_id"), "EF4017"),
        (("chip", "jedec_id"), "ef401"),
        (("chip", "registers", "SR1"), "2"),
        (("chip", "page"), 70000),
        (("chip", "name"), "W" * 5000),
        (("passes", 0, "opcode"), 256),
        (("passes", 0, "clock_hz"), -1),
        (("passes", 0, "direction"), "sideways"),
        (("passes", 0, "sampling"), "early"),
        (("passes", 0, "clock_hz"), 10**400),
        (("agreement", "sectors"), 5),
        (("agreement", "settled"), [1]),
        (("agreement", "settled"), [16384]),
        (("agreement", "unstable"), [4096, 4096]),
        (("verified",), 1),
    ],
    ids=str,
)
def test_a_value_out_of_range_is_named(path: tuple[Any, ...], value: Any) -> None:
    with pytest.raises(BackupSetError) as caught:
        Record.from_json(edited(path, value))
    assert f"“{shown(path)}" in caught.value.cause


def test_a_record_of_a_newer_version_is_refused_in_words() -> None:
    with pytest.raises(NewerFormatError, match=r"newer version of spiflash.*Update spiflash"):
        Record.from_json(edited(("record_version",), 4))


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"doubts": ("The clock was not known.",)}, "verified"),
        ({"agreement": AgreementRecord(4096, 4, unstable=(0,))}, "verified"),
        ({"passes": RECORD.passes[:1]}, "verified"),
        ({"passes": RECORD.passes[::-1]}, "passes"),
        (
            {
                "agreement": AgreementRecord(4096, 4, settled=(0,), unstable=(0,)),
                "verified": False,
                "doubts": ("x",),
            },
            "agreement.settled",
        ),
    ],
)
def test_contradictions_are_refused(changes: dict[str, Any], named: str) -> None:
    with pytest.raises(BackupSetError) as caught:
        Record.from_json(replace(RECORD, **changes).to_json())
    assert f"“{named}”" in caught.value.cause


@pytest.mark.parametrize(
    "text",
    ["", "[]", "null", "{", '{"size": NaN}', '{"a": 1, "a": 1}', "[" * 100_000, '{"a":' * 9999],
    ids=lambda text: text[:12],
)
def test_what_is_not_a_record_is_refused(text: str) -> None:
    with pytest.raises(BackupSetError):
        Record.from_json(text)


def test_what_is_nested_too_deeply_is_refused() -> None:
    """At some depth one reader of it gives up, and at some other depth another."""
    for depth in range(100, 1100, 20):
        for opened, closed in (('{"a":', "}"), ("[", "]")):
            nested = opened * depth + "1" + closed * depth
            with pytest.raises(BackupSetError):
                Record.from_json('{"record_version": 3, "x": ' + nested + "}")


@pytest.mark.parametrize("key", ["\x1b[2J", "\ud800", "x" * 10_000])
def test_the_name_of_a_field_does_not_act_on_the_terminal(key: str) -> None:
    for place in ((key,), ("program", key), ("chip", "registers", key)):
        with pytest.raises(BackupSetError) as caught:
            Record.from_json(edited(place, [None]))
        assert caught.value.cause.isprintable()
        assert len(caught.value.cause) < 400


def test_half_a_surrogate_pair_is_refused() -> None:
    with pytest.raises(BackupSetError, match="surrogate"):
        Record.from_json(edited(("board",), "\ud800"))


@given(st.text(max_size=200))
def test_no_text_gets_another_exception(text: str) -> None:
    with pytest.raises(BackupSetError):
        Record.from_json(text)
