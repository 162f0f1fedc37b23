"""The page of constants: every number that judges, with its value and its words, read from the code.

``python -m tests.support.constants`` writes it to standard output.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass

from tests.support.runs import ROOT

ROOMS = ("physics", "ledger", "features", "estimate", "scoring", "cases", "backtest")
NUMBERS = (int, float)
HEAD = """# Constants

Every number by which something is judged, room by room, as the code has it: made by `make docs`, never by hand. Where
no source is named it is common practice or the project's own judgement, as its words say. Simulated fleets have numbers
of their own in `pipeline/simulate/`, none of which may equal one here by construction. Words that stand after several
lines of the code are given with each of them.
"""


@dataclass(frozen=True)
class Constant:
    """A number of a module, or several in one, with its value as written and what is said of it."""

    name: str
    value: str
    words: str


def constants_of(source: str) -> list[Constant]:
    """A module's constants that are numbers, in order; words that follow several lines are those of each."""
    found: list[Constant] = []
    wordless: list[int] = []
    for node in ast.parse(source).body:
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            words = " ".join(node.value.value.split())
            for place in wordless:
                found[place] = Constant(found[place].name, found[place].value, words)
            wordless = []
        elif (one := _assigned(node, source)) is not None:
            wordless.append(len(found))
            found.append(Constant(*one, ""))
        else:
            wordless = []
    return found


def _assigned(node: ast.stmt, source: str) -> tuple[str, str] | None:
    """Name and value of what a statement assigns, where these are capitals and numbers."""
    if isinstance(node, ast.AnnAssign):
        target, value = node.target, node.value
    elif isinstance(node, ast.Assign) and len(node.targets) == 1:
        target, value = node.targets[0], node.value
    else:
        return None
    names = [one.id for one in ast.walk(target) if isinstance(one, ast.Name)]
    if value is None or not names or not all(name.isupper() and not name.startswith("_") for name in names):
        return None
    if not any(isinstance(one, ast.Constant) and type(one.value) in NUMBERS for one in ast.walk(value)):
        return None
    if isinstance(value, ast.Dict | ast.DictComp) or any(isinstance(one, ast.Call) for one in ast.walk(value)):
        return None
    return ", ".join(names), " ".join((ast.get_source_segment(source, value) or "").split())


def rooms() -> Iterator[tuple[str, list[tuple[str, Constant]]]]:
    """Each room's constants with the module that holds them."""
    for room in ROOMS:
        here = []
        for path in sorted((ROOT / "pipeline" / room).rglob("*.py")):
            name = path.relative_to(ROOT / "pipeline").as_posix()
            here += [(name, one) for one in constants_of(path.read_text(encoding="utf-8"))]
        yield room, here


def page() -> str:
    """The page as Markdown."""
    parts = [HEAD]
    for room, held in rooms():
        parts.append(f"\n## {room}\n\n| constant | value | what it is | where |\n| --- | --- | --- | --- |")
        parts += [f"| `{one.name}` | {_cell(one.value)} | {_cell(one.words)} | `{module}` |" for module, one in held]
    return "\n".join(parts)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("*", "\\*").replace("_", "\\_") if text else "–"


if __name__ == "__main__":
    print(page())
