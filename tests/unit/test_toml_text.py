"""The line of every key: compared with what tomllib finds in the same text."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.toml_text import KeyPath, line_of, locate

TEXT = '''\
# a comment with = and [brackets]
vendor = "A # not a comment"
"quoted \\"key\\"".sub = 1

[sources]
one = """
long "text" = 3
[not.a.table]
"""   # two lines more
two = \'\'\'it\'s
so\'\'\'

[[part]]
name = "P"
erase = [
  { size = "4 KiB", ms = [1, 2] },  # ] }
  { size = "64 KiB", ms = [
    3,
    4,
  ] },
]
[part.sub.deep]
x = 2026-01-01
[[part]]
a.b = 1
a.c = [[1], [2,
3]]
'''


def paths(value: object, path: KeyPath = ()) -> list[KeyPath]:
    """Every path that tomllib's result has."""
    found = [path] if path else []
    if isinstance(value, dict):
        for key, item in value.items():
            found += paths(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            found += paths(item, (*path, index))
    return found


def test_every_path_of_a_text_has_a_line() -> None:
    lines = locate(TEXT)
    assert set(paths(tomllib.loads(TEXT))) == set(lines)


@pytest.mark.parametrize(
    ("path", "needle"),
    [
        (("vendor",), "vendor ="),
        (('quoted "key"', "sub"), '"quoted'),
        (("sources",), "[sources]"),
        (("sources", "one"), "one ="),
        (("sources", "two"), "two ="),
        (("part", 0), "[[part]]"),
        (("part", 0, "erase", 0, "ms", 1), '"4 KiB"'),
        (("part", 0, "erase", 1, "size"), '"64 KiB"'),
        (("part", 0, "erase", 1, "ms", 1), "    4,"),
        (("part", 0, "sub", "deep", "x"), "x = 2026"),
        (("part", 1, "a", "b"), "a.b"),
        (("part", 1, "a", "c", 1, 1), "3]]"),
    ],
)
def test_a_path_is_found_where_it_stands(path: KeyPath, needle: str) -> None:
    line = locate(TEXT)[path]
    assert needle in TEXT.splitlines()[line - 1]


def test_line_ends_of_windows_count_the_same() -> None:
    assert locate(TEXT.replace("\n", "\r\n")) == locate(TEXT)


def test_a_path_without_a_line_falls_back_to_what_is_around_it() -> None:
    lines = locate("a = 1\n[[part]]\nb = 2\n")
    assert line_of(lines, ("part", 0, "missing")) == 2
    assert line_of(lines, ("nowhere",)) == 1


KEYS = st.sampled_from(["a", "b-c", "d_1", '"e f"', "'g.h'", '"\\u00e9"'])
SCALARS = st.sampled_from(
    [
        "1",
        "-2.5",
        "true",
        '"x # ] }"',
        "'\\'",
        '"""y\n\\"""z"""',
        "'''it's'''",
        "1979-05-27T07:32:00Z",
    ]
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3).flatmap(
        lambda items: st.sampled_from(
            [
                "[" + ", ".join(items) + "]",
                "[\n  # note ]\n" + "".join(f"  {item}, # }}\n" for item in items) + "]",
                "{ " + ", ".join(f"k{i} = {item}" for i, item in enumerate(items)) + " }",
            ]
        )
    ),
    max_leaves=6,
)
TABLES = st.lists(
    st.tuples(KEYS, st.dictionaries(KEYS, VALUES, max_size=4), st.booleans()),
    max_size=4,
    unique_by=lambda table: table[0],
)


@given(TABLES)
def test_any_accepted_text_is_followed_to_its_end(
    tables: list[tuple[str, dict[str, str], bool]],
) -> None:
    text = ""
    for name, body, many in tables:
        head = f"[[{name}]]\n" if many else f"[{name}]\n"
        rows = "".join(f"{key} = {value}  # note\n" for key, value in body.items())
        text += (head + rows) * (2 if many else 1)
    document = tomllib.loads(text)
    lines = locate(text)
    assert set(paths(document)) == set(lines)
    for path, line in lines.items():
        if len(path) == 2 and isinstance(path[1], str):
            row = text.splitlines()[line - 1]
            assert next(iter(tomllib.loads(row.split("=")[0] + "= 0"))) == path[1]
