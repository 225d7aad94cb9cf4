"""DEVELOPERS.md speaks of files, names and packages that exist."""

from __future__ import annotations

import re
import tomllib

from tests.developers_tree import END, PAGE, ROOT, START, tree

TEXT = PAGE.read_text(encoding="utf-8")
PROSE = TEXT.partition(START)[0] + TEXT.partition(END)[2]


def missing_paths(text: str) -> list[str]:
    """Files and folders named in backticks, from the top, from spiflash/, or by name alone."""
    named = re.findall(r"`([\w./]+(?:\.(?:py|toml|sh|md|j2)|/))`", text)
    names = {path.name for path in (ROOT / "spiflash").rglob("*.py")}
    return [
        each
        for each in named
        if not (ROOT / each).exists() and not (ROOT / "spiflash" / each).exists()
        if each not in names
    ]


def missing_names(text: str, sources: str) -> list[str]:
    """Names of the column "in code" of the table of words that no source defines."""
    rows = re.findall(r"^\|[^|]+\|[^|]+\| (`[^|]+) \|$", text, re.MULTILINE)
    names = [name for row in rows for name in re.findall(r"`(\w+)`", row)]
    return [name for name in names if not re.search(rf"^(class|def) {name}\b", sources, re.M)]


def names_of(tree: str) -> list[str]:
    return re.findall(r"^ *([\w]+(?:\.py|/)) ", tree, re.MULTILINE)


def test_the_tree_has_every_file() -> None:
    """When this fails: python tests/developers_tree.py --write (it also refreshes the words)."""
    assert names_of(TEXT.partition(START)[2].partition(END)[0]) == names_of(tree())
    assert len(names_of(tree())) > 100


def test_files_that_are_named_exist() -> None:
    assert missing_paths(PROSE) == []
    assert missing_paths("`nor/chip.py`, `tests/run.sh`, `cli/`, `nor/gone.py`") == ["nor/gone.py"]


def test_names_in_code_exist() -> None:
    sources = "\n".join(path.read_text("utf-8") for path in (ROOT / "spiflash").rglob("*.py"))
    sources += "\n".join(path.read_text("utf-8") for path in (ROOT / "chipdb").rglob("*.py"))
    assert missing_names(PROSE, sources) == []
    assert missing_names("| a | b | `Chip`, `Gone` |", sources) == ["Gone"]


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = {re.split(r"[<>=\[]", each)[0] for each in project["dependencies"]}
    table = PROSE.partition("## Dependencies")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| ([\w, -]+) \|", table, re.MULTILINE)
    assert {name for row in rows[1:] for name in row.split(", ") if name.strip("-")} == wanted


def test_every_benchmark_is_listed() -> None:
    listed = set(re.findall(r"tests/benchmarks/(\w+)\.py", PROSE))
    folder = ROOT / "tests" / "benchmarks"
    runnable = {path.stem for path in folder.glob("*.py") if "__main__" in path.read_text("utf-8")}
    assert listed == runnable
