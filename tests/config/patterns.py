"""Every regular expression of ours, and texts made to let each go wrong.

A pattern goes wrong (CWE-1333) where a part that may be repeated without bound fits a text in more ways than one, and
what follows fits in none. So for each such part the text is: something that fits what stands before it, a word that
fits the part, many times over, and an end that fits nothing. ``python -m tests.config.patterns`` prints the worst.
"""

from __future__ import annotations

import ast
import re
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from re import _constants as op  # type: ignore[attr-defined]
from re import _parser as parser  # type: ignore[attr-defined]
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
#: Where a pattern stands: the first argument of these, or the value of these.
_CALLS = {"compile", "fullmatch", "match", "search", "sub", "split", "findall", "finditer", "RegexField", "re_path"}
_NAMED = {"pattern", "url_path", "lookup_value_regex"}
_ENDS = ("\x00", "a\n!")


_SPEAKS_OF_ONE = re.compile(r"\bre\.|RegexField|re_path|\bpattern\b|url_path|lookup_value_regex")
#: Ways of looking that begin anew at each place of the text.
_ANYWHERE = ("search", "sub", "subn", "split", "findall", "finditer")


@dataclass(frozen=True)
class Place:
    where: str
    is_looked_for_anywhere: bool


@lru_cache(maxsize=1)
def patterns() -> dict[str, Place]:
    """Pattern -> where it stands. One that is given a name is looked for as the sources do by that name."""
    sources = {
        file: file.read_text()
        for base in ("opticshop", "plugins")
        for file in sorted((ROOT / base).rglob("*.py"))
        if not {"tests", "migrations"} & set(file.parts)
    }
    ways = set(re.findall(rf"(\w+)\.(?:{'|'.join(_ANYWHERE)})\(", "\n".join(sources.values())))
    found: dict[str, Place] = {}
    for file, source in sources.items():
        if not _SPEAKS_OF_ONE.search(source):
            continue
        tree = ast.parse(source)
        named = {id(each): name for name, value in _names(tree) for each in ast.walk(value)}
        for node, text, line in _in(tree):
            is_compiled = isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "compile"
            way = getattr(node.func, "attr", "") if isinstance(node, ast.Call) else ""
            anywhere = named.get(id(node)) in ways if is_compiled else way not in {"match", "fullmatch"}
            found.setdefault(text, Place(f"{file.relative_to(ROOT)}:{line}", anywhere))
    for name, value in _put_together():
        found.setdefault(value.pattern, Place(name, name.rpartition(".")[2] in ways))
    return found


def _put_together() -> Iterator[tuple[str, Any]]:
    """Patterns that modules put together from pieces, as they are in the modules."""
    for module in [each for name, each in sys.modules.items() if name.startswith("opticshop")]:
        for name, value in vars(module).items():
            if isinstance(value, re.Pattern) and isinstance(value.pattern, str):
                yield f"{module.__name__}.{name}", value


def _names(tree: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and node.value is not None:
            targets = [each for target in node.targets for each in ast.walk(target) if isinstance(each, ast.Name)]
            values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
            yield from ((each.id, value) for each, value in zip(targets, values, strict=False))


def _in(tree: ast.AST) -> Iterator[tuple[ast.AST, str, int]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            given = [*node.args[:1]] if name in _CALLS else []
            given += [each.value for each in node.keywords if each.arg in _NAMED]
        elif isinstance(node, ast.Dict):
            keys = [getattr(key, "value", None) for key in node.keys]
            given = [value for key, value in zip(keys, node.values, strict=True) if key == "pattern"]
        elif isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            given = [node.value] if _is_meant_for_a_pattern(node) else []
        else:
            continue
        for each in given:
            text = each.value if isinstance(each, ast.Constant) else None
            text = text.decode("latin-1") if isinstance(text, bytes) else text
            if isinstance(text, str) and any(char in text for char in "*+{"):
                yield node, text, each.lineno


def _is_meant_for_a_pattern(node: Any) -> bool:
    """A name in capitals that holds the text of a pattern which is used elsewhere."""
    target = node.targets[0] if isinstance(node, ast.Assign) else node.target
    text = getattr(node.value, "value", None)
    return isinstance(target, ast.Name) and target.id.isupper() and isinstance(text, str) and text[:1] in "^("


def hostile(pattern: str, length: int) -> Iterator[str]:
    """Texts for each part that repeats without bound, or often."""
    tree = parser.parse(pattern)
    for before, body, after in _repeats(tree, ""):
        pump = _sample(body) or "a"
        for word in {pump, pump * 2, pump + " ", pump + after}:
            for end in _ENDS:
                yield before + word * (length // len(word)) + end


def _repeats(tree: Any, before: str) -> Iterator[tuple[str, Any, str]]:
    for place, (kind, value) in enumerate(tree):
        here = before + _sample(tree[:place])
        if kind in (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT):
            if value[1] is op.MAXREPEAT or value[1] >= 100:
                yield here, value[2], _sample(tree[place + 1 : place + 2])
            yield from _repeats(value[2], here)
        elif kind is op.SUBPATTERN:
            yield from _repeats(value[-1], here)
        elif kind is op.ATOMIC_GROUP:
            yield from _repeats(value, here)
        elif kind is op.BRANCH:
            for branch in value[1]:
                yield from _repeats(branch, here)
        elif kind in (op.ASSERT, op.ASSERT_NOT):
            yield from _repeats(value[1], here)


def _sample(tree: Any) -> str:
    return "".join(_one(kind, value) for kind, value in tree)


def _one(kind: Any, value: Any) -> str:
    if kind is op.LITERAL:
        return chr(value)
    if kind is op.NOT_LITERAL:
        return "b" if value != ord("b") else "c"
    if kind is op.ANY:
        return "a"
    if kind is op.IN:
        return _member(value)
    if kind in (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT):
        return _sample(value[2]) * value[0]
    if kind is op.SUBPATTERN:
        return _sample(value[-1])
    if kind is op.ATOMIC_GROUP:
        return _sample(value)
    return _sample(value[1][0]) if kind is op.BRANCH else ""


def _member(items: Any) -> str:
    wanted = [chr(code) for code in (*range(48, 58), *range(97, 123), *range(65, 91), *range(32, 48), 9, 0x20AC)]
    negated = bool(items) and items[0][0] is op.NEGATE
    for char in wanted:
        if any(_fits(char, item) for item in items) is not negated:
            return char
    return "a"


def _fits(char: str, item: Any) -> bool:
    kind, value = item
    if kind is op.LITERAL:
        return ord(char) == value
    if kind is op.RANGE:
        return bool(value[0] <= ord(char) <= value[1])
    if kind is op.CATEGORY:
        name = str(value)
        is_so = {"DIGIT": char.isdigit(), "SPACE": char.isspace(), "WORD": char.isalnum() or char == "_"}
        for word, truth in is_so.items():
            if word in name:
                return truth is not ("NOT" in name)
    return False


def slowest(pattern: str, length: int, *, anywhere: bool = True) -> float:
    """Seconds of CPU that the worst of the hostile texts of this length took."""
    compiled, worst = re.compile(pattern), 0.0
    for text in hostile(pattern, length):
        for look in (compiled.search, compiled.fullmatch) if anywhere else (compiled.match, compiled.fullmatch):
            began = time.process_time()
            look(text)
            worst = max(worst, time.process_time() - began)
    return worst


if __name__ == "__main__":
    took = {text: slowest(text, 4_000, anywhere=place.is_looked_for_anywhere) for text, place in patterns().items()}
    for text in sorted(took, key=lambda each: -took[each])[:15]:
        sys.stdout.write(f"{took[text] * 1e3:9.1f} ms at 4,000  {patterns()[text].where}  {text[:70]}\n")
