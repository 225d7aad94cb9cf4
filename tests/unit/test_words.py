"""Words that were given up do not come back into what people read.

`tests/benchmarks/strings.py` finds the texts and holds the list, with what is said instead. Keys of
JSON documents, of records and of files are an interface and stay as they are: they are no texts.
"""

from __future__ import annotations

import re

import pytest

from tests.benchmarks.strings import (
    GIVEN_UP,
    code,
    given_up,
    of_markdown,
    of_python,
    of_template,
    of_toml,
    texts,
)

KEYS = "a key or value of JSON documents and records, which stays as it is"

ALLOWED = {
    ("spiflash/dump/finding.py", "vouched"): KEYS,
    ("spiflash/report/drawing.py", "vouched"): KEYS,
    ("spiflash/report/drawing.py", "unproven"): KEYS,
    ("spiflash/report/plain.py", "vouched"): KEYS,
    ("spiflash/report/plain.py", "unproven"): KEYS,
}
"""(file, words) -> why they stand there all the same."""

FORMS = {
    r"vouch\w*": "what vouches for it",
    r"tak(e|es|en|ing) (it )?up( again)?(?! to)": "It is taken up again there",
    r"com(e|es|ing) round": "addresses come round",
    r"(it|they|which|that) lacks?": "the part that it lacks",
    r"speaks? (against|for)": "nothing speaks against it",
    r"behind (it|them|the (last|end|image|header|address))": "1 MiB behind it are blank",
    r"gives? (it |the bus )?back the bus": "gives back the bus",
    r"lift(s|ed)? (the )?(chip's |its |block )*protection": "Lift block protection",
    r"namesakes?": "its namesake",
    r"looked at (between|before)": "it is looked at between the steps",
    r"known[ -]bad": "0 bytes known-bad",
}


def test_words_that_were_given_up_do_not_come_back() -> None:
    """When this fails, say it as GIVEN_UP in tests/benchmarks/strings.py says."""
    found, comments = list(texts()), list(code())
    assert len(found) > 1000
    assert len(comments) > 1000
    used = {
        (each.path, word): f"{each.path}:{each.line}: {word!r} in {each.text!r}"
        for each in (*found, *comments)
        for word in given_up(each.text)
    }
    assert [text for key, text in used.items() if key not in ALLOWED] == []
    assert [key for key in ALLOWED if key not in used] == []


@pytest.mark.parametrize("pattern", GIVEN_UP)
def test_each_pattern_catches_its_words(pattern: str) -> None:
    example = FORMS.get(pattern, pattern)
    assert re.search(r"[\\()|?*+\[]", example) is None
    assert given_up(f"This {example.upper()} is shown.") != []


def test_words_are_found_wherever_they_are_shown() -> None:
    source = '''
"""Vouched: a docstring of a module is for its developer."""
import click
@cli.command("audit")
@click.option("--all", help="What vouches for it (help).")
def audit(count, found):
    """Say what vouches for it (command)."""
    document = {"vouched": count, "state": f"{count} vouched (screen)"}
    if found["vouched"] == "vouched":
        raise Base.SomeError(f"{count} are not", state="known bad" if count else "unproven")
    return f"{'vouched for' if count else 'vouched'}"
'''
    texts = [each for each in of_python(source, "made/up.py") if given_up(each.text)]
    assert sorted((each.kind, each.text) for each in texts) == [
        ("error", "known bad"),
        ("help", "Say what vouches for it (command)."),
        ("help", "What vouches for it (help)."),
        ("screen", "vouched for"),
        ("screen", "{count} vouched (screen)"),
        ("word", "unproven"),
        ("word", "vouched"),
    ]
    page = (
        "<style>.unproven {}</style>{# vouched #}\n"
        '<b title="not vouched">{{ a.vouched }}</b> unproven'
    )
    assert [(each.line, each.text) for each in of_template(page, "made/up.html.j2")] == [
        (2, "not vouched"),
        (2, "unproven"),
    ]
    job = 'name = "x"  # nothing vouches for it'
    assert [each.text for each in of_toml(job, "made/up.toml")] == ["nothing vouches for it"]
    notes = 'notes = ["nothing vouches for it"]'
    assert [each.text for each in of_toml(notes, "chipdb/x.toml")] == ["nothing vouches for it"]
    page = "One.\n\n```\nunproven\n```\n\nTwo\nlines."
    assert [(each.line, each.text) for each in of_markdown(page, "X.md")] == [
        (1, "One."),
        (7, "Two\nlines."),
    ]
