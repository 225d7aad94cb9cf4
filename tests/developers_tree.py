"""The tree of the house in DEVELOPERS.md, made of the first sentence of each file.

    python tests/developers_tree.py             prints the tree
    python tests/developers_tree.py --write     puts it into DEVELOPERS.md

`tests/unit/test_developers_page.py` compares. What a line says is changed in the file it is about.
"""

from __future__ import annotations

import ast
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "DEVELOPERS.md"
START, END = "<!-- tree:start -->", "<!-- tree:end -->"

ROOMS = ("bus", "nor", "plan", "dump", "archive", "jobs", "report", "cli")
"""In the order of imports: each imports only what stands before it."""

WIDTH, COLUMN = 100, 26


def first_sentence(path: Path) -> str:
    """What a file says of itself, up to the first full stop."""
    text = " ".join(
        (ast.get_docstring(ast.parse(path.read_text("utf-8"))) or "").split("\n\n")[0].split()
    )
    return text.split(". ")[0].rstrip(".")


def line(name: str, depth: int, text: str) -> str:
    """One line of the tree, wrapped below itself."""
    head = f"{'  ' * depth}{name}".ljust(COLUMN - 1) + " "
    return textwrap.fill(
        text, WIDTH, initial_indent=head, subsequent_indent=" " * COLUMN, break_on_hyphens=False
    )


def below(folder: Path, depth: int) -> Iterator[str]:
    """The lines of a package: itself, its files, its packages."""
    yield line(f"{folder.name}/", depth, first_sentence(folder / "__init__.py"))
    for path in sorted(folder.iterdir()):
        if path.suffix == ".py" and path.name != "__init__.py":
            yield line(path.name, depth + 1, first_sentence(path))
        elif (path / "__init__.py").is_file():
            yield from below(path, depth + 1)


def tree() -> str:
    """The block between the two marks."""
    program = ROOT / "spiflash"
    lines = [line(path.name, 0, first_sentence(path)) for path in sorted(program.glob("*.py"))]
    for room in ROOMS:
        lines += ["", *below(program / room, 0)]
    return "\n".join(["```text", *lines, "```"])


def main() -> None:
    if sys.argv[1:] == ["--write"]:
        text = PAGE.read_text(encoding="utf-8")
        head, _, rest = text.partition(START)
        _, _, tail = rest.partition(END)
        PAGE.write_text(f"{head}{START}\n{tree()}\n{END}{tail}", encoding="utf-8")
    else:
        print(tree())


if __name__ == "__main__":
    main()
