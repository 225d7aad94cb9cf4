"""Every text a person can read in this project, for reading aloud.

    python tests/benchmarks/strings.py                     how many there are, by kind and room
    python tests/benchmarks/strings.py --list [PATH ...]   the texts themselves, below these paths
    python tests/benchmarks/strings.py --given-up          those with a word that was given up

Read from the sources: docstrings of commands and `help=` (help), what is handed to an error
(error), other strings of several words (screen), single words (word: many are values or keys, but
some stand on screens; only listed with --words), the texts of page templates (page), README and
DEVELOPERS.md without what commands print (doc), comments of the example job file and notes of the
chip table (file). A part of a text that is filled in at run time stands as {expression}.

Left out are docstrings and comments of code (their reader opens the file anyway; see --code) and
keys: a string without a space that is looked up, compared or names a field is no text.
`tests/unit/test_words.py` keeps the words of GIVEN_UP out of all of it.
"""

from __future__ import annotations

import argparse
import ast
import io
import re
import tokenize
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

GIVEN_UP = {
    r"vouch\w*": "checksum OK, proven by a checksum",
    r"known[ -]bad": "fails its checksum",
    r"unproven": "no checksum",
    r"cut short": "interrupted",
    r"tak(e|es|en|ing) (it )?up( again)?(?! to)": "continue",
    r"com(e|es|ing) round": "wraps",
    r"least repair": "smallest repair",
    r"told apart by": "identified by",
    r"known by": "identified by",
    r"of one version with": "must match",
    r"insist on": "treat the chip as this part",
    r"half a clock later": "late sample",
    r"(it|they|which|that) lacks?": "is missing",
    r"left to chance": "random errors that could remain",
    r"speaks? (against|for)": "say which check says so",
    r"other hands": "altered outside spiflash",
    r"made a mistake": "internal error (bug)",
    r"as you said": "cancelled",
    r"nothing has been touched": "say nothing after a typing mistake",
    r"means nothing here": "unknown key",
    r"fresh from the plug": "when first plugged in",
    r"with the way on": "and says what to do",
    r"is finished since": "was finished on",
    r"wrong bits expected": "expected undetected bit errors",
    r"behind (it|them|the (last|end|image|header|address))": "after",
    r"at hand": "available, given",
    r"is sound": "is OK",
    r"gives? (it |the bus )?back the bus": "releases the bus",
    r"in pages of": "page size",
    r"lift(s|ed)? (the )?(chip's |its |block )*protection": "removes, clears",
    r"namesakes?": "parts that share an ID",
    r"looked at (between|before)": "checked",
    r"not done, as": "cancelled",
    r"take care": "safety",
    r"begun again": "started again",
    r"the bytes as they stand": "the stored bytes",
}
"""What was given up (a pattern, in any case of letters) -> what is said instead."""

PROSE_KEYS = {"help", "short_help", "epilog", "metavar", "cause", "state", "remedy", "title"}
TEMPLATE_CODE = re.compile(r"\{#.*?#\}|\{%.*?%\}|<(style|script)\b.*?</\1>", re.DOTALL)
SHOWN_ATTRIBUTE = re.compile(r'\b(?:title|alt|aria-label|placeholder|content)="([^"]*)"')
FENCE = re.compile(r"^```.*?^```", re.DOTALL | re.MULTILINE)
WORDS = re.compile(r"[A-Za-z]{2,}")
A_WORD = re.compile(r"[A-Za-z][a-z]+[.:…]?")


@dataclass(frozen=True, order=True)
class Text:
    """A text of `kind`, at a line of a file given relative to the project."""

    path: str
    line: int
    kind: str
    text: str

    @property
    def room(self) -> str:
        parts = self.path.split("/")
        return "/".join(parts[:2]) if len(parts) > 2 else parts[0]


def texts() -> Iterator[Text]:
    """Every text a person can read, file by file."""
    for package in ("spiflash", "chipdb", "hwmocks"):
        for path in sorted((ROOT / package).rglob("*.py")):
            yield from of_python(path.read_text("utf-8"), named(path))
        for path in sorted((ROOT / package).rglob("*.j2")):
            if ".css" not in path.name:
                yield from of_template(path.read_text("utf-8"), named(path))
        for path in sorted((ROOT / package).rglob("*.toml")):
            yield from of_toml(path.read_text("utf-8"), named(path))
    for name in ("README.md", "DEVELOPERS.md"):
        yield from of_markdown((ROOT / name).read_text("utf-8"), name)


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def of_python(source: str, path: str) -> Iterator[Text]:
    """The texts of a module: `path` is only passed on."""
    tree = ast.parse(source)
    silent = set(_silent(tree))
    kinds: dict[int, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and _is_error(node):
            kinds |= {id(below): "error" for below in ast.walk(node)}
        elif isinstance(node, ast.keyword) and node.arg == "help":
            kinds |= {id(below): "help" for below in ast.walk(node.value)}
        elif isinstance(node, ast.JoinedStr):
            # Its fixed parts belong to its text; texts in what is filled in are their own.
            silent |= {id(part) for part in node.values if isinstance(part, ast.Constant)}
        elif isinstance(node, ast.FunctionDef) and _is_command(node):
            yield Text(path, node.lineno, "help", ast.get_docstring(node) or "")
    for node in ast.walk(tree):
        if id(node) not in silent and _is_prose(text := _text(node)):
            kind = kinds.get(id(node), "screen")
            yield Text(path, node.lineno, "word" if A_WORD.fullmatch(text) else kind, text)


def _is_error(node: ast.Call) -> bool:
    function = node.func
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    return name.endswith("Error")


def _is_command(node: ast.FunctionDef) -> bool:
    calls = [each.func for each in node.decorator_list if isinstance(each, ast.Call)]
    names = [each.attr if isinstance(each, ast.Attribute) else "" for each in calls]
    return "command" in names or "group" in names


def _text(node: ast.AST) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            "{" + ast.unparse(part.value) + "}"
            if isinstance(part, ast.FormattedValue)
            else str(getattr(part, "value", ""))
            for part in node.values
        )
    return ""


def _silent(tree: ast.AST) -> Iterator[int]:
    """The nodes that are no text: docstrings, and strings that are looked up or compared."""
    for node in ast.walk(tree):
        inner: list[ast.AST | None] = []
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            inner = [node.value]
        elif isinstance(node, ast.Dict):
            inner = [key for key in node.keys if key and not _has_space(key)]
        elif isinstance(node, ast.Subscript):
            inner = [each for each in ast.walk(node.slice) if not _has_space(each)]
        elif isinstance(node, ast.Compare):
            parts = [node.left, *node.comparators]
            inner = [each for part in parts for each in ast.walk(part) if not _has_space(each)]
        elif isinstance(node, (ast.AnnAssign, ast.arg)):
            inner = [node.annotation]
        elif isinstance(node, ast.MatchValue):
            inner = [node.value]
        elif isinstance(node, ast.FormattedValue):
            inner = [node.format_spec]
        elif isinstance(node, ast.Call) and _is_lookup(node):
            inner = [each for each in node.args if not _has_space(each)]
        for each in inner:
            if each is not None:
                yield from (id(below) for below in ast.walk(each))


def _has_space(node: ast.AST) -> bool:
    return " " in _text(node).strip()


def _is_lookup(node: ast.Call) -> bool:
    function = node.func
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    return name in {
        *("get", "pop", "getattr", "hasattr", "setattr", "startswith", "endswith", "encode"),
        *("decode", "compile", "option", "argument", "split", "partition", "Column", "TypeVar"),
        *("find", "index", "count", "open", "read_text", "write_text", "import_module"),
    }


def _is_prose(text: str) -> bool:
    """Whether a person can read it: two words, or one as it stands on a screen."""
    words = WORDS.findall(text)
    return bool(words) and (" " in text.strip() or A_WORD.fullmatch(text.strip()) is not None)


def of_template(source: str, path: str) -> Iterator[Text]:
    def as_lines(match: re.Match[str]) -> str:
        return "\n" * match[0].count("\n")

    source = TEMPLATE_CODE.sub(as_lines, source)
    source = re.sub(r"\{\{\s*(.*?)\s*\}\}", lambda match: "{" + match[1] + "}", source, flags=re.S)
    for match in SHOWN_ATTRIBUTE.finditer(source):
        if _is_prose(match[1]):
            yield Text(path, source.count("\n", 0, match.start()) + 1, "page", match[1])
    if path.endswith(".js.j2"):
        for match in re.finditer(r"'([^'\n]*)'|`([^`]*)`", source):
            text = match[1] or match[2] or ""
            if _has_words(text):
                yield Text(path, source.count("\n", 0, match.start()) + 1, "page", text)
        return
    source = re.sub(r"<[a-z/!][^>]*>", lambda match: "\0" + as_lines(match), source)
    line = 1
    for part in re.split("\0", source):
        text = " ".join(part.split())
        start = line + len(part[: len(part) - len(part.lstrip())].split("\n")) - 1
        if WORDS.search(re.sub(r"\{.*?\}", "", text)):
            yield Text(path, start, "page", text)
        line += part.count("\n")


def _has_words(text: str) -> bool:
    return " " in text.strip() and len(WORDS.findall(text)) > 1


def of_toml(source: str, path: str) -> Iterator[Text]:
    """The comments of an example, and the notes and refusals of the chip table."""
    for number, line in enumerate(source.splitlines(), 1):
        if not path.startswith("chipdb"):
            _, mark, comment = line.partition("#")
            if mark and WORDS.search(comment):
                yield Text(path, number, "file", comment.strip())
        elif re.match(r'\s*(notes|refused|")', line):
            for match in re.findall(r'"([^"]*)"', line):
                if _has_words(match):
                    yield Text(path, number, "file", match)


def of_markdown(source: str, path: str) -> Iterator[Text]:
    """The paragraphs, without what commands print: that is read where it is made."""
    source = FENCE.sub(lambda match: "\n" * match[0].count("\n"), source)
    line = 1
    for part in re.split(r"(\n\s*\n)", source):
        if WORDS.search(part):
            yield Text(path, line, "doc", part.strip())
        line += part.count("\n")


def of_code(source: str, path: str) -> Iterator[Text]:
    """Docstrings and comments: their reader is the next engineer."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and (text := _text(node.value)):
            yield Text(path, node.lineno, "docstring", text)
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield Text(path, token.start[0], "comment", token.string.lstrip("# "))


def code() -> Iterator[Text]:
    """Docstrings and comments of all three packages."""
    for package in ("spiflash", "chipdb", "hwmocks"):
        for path in sorted((ROOT / package).rglob("*.py")):
            yield from of_code(path.read_text("utf-8"), named(path))


def given_up(text: str) -> list[str]:
    """The words in it that were given up; `names` of code and what is {filled in} do not count."""
    plain = " ".join(re.sub(r"\{.*?\}|`[a-z_.]+`", "{}", text).split())
    found = (re.search(rf"\b({pattern})\b", plain, re.IGNORECASE) for pattern in GIVEN_UP)
    return [match[0] for match in found if match]


def main() -> None:
    parser = argparse.ArgumentParser(description="Every text a person can read in this project.")
    parser.add_argument("--list", action="store_true", help="print the texts")
    parser.add_argument("--code", action="store_true", help="docstrings and comments instead")
    parser.add_argument("--words", action="store_true", help="single words as well")
    parser.add_argument("--given-up", action="store_true", help="only those with such a word")
    parser.add_argument("path", nargs="*", help="only files below these paths")
    wanted = parser.parse_args()
    found: Iterable[Text] = code() if wanted.code else texts()
    chosen = [
        each
        for each in sorted(found)
        if not wanted.path or any(each.path.startswith(path.rstrip("/")) for path in wanted.path)
        if wanted.words or wanted.given_up or each.kind != "word"
        if not wanted.given_up or given_up(each.text)
    ]
    if wanted.list or wanted.given_up:
        for each in chosen:
            words = f" [{', '.join(given_up(each.text))}]" if wanted.given_up else ""
            print(f"{each.path}:{each.line} ({each.kind}){words} {' '.join(each.text.split())}")
    count = Counter((each.room, each.kind) for each in chosen)
    for (room, kind), number in sorted(count.items()):
        print(f"{room:24} {kind:10} {number:6}")
    print(f"{'in all':35} {len(chosen):6}")


if __name__ == "__main__":
    main()
