"""Kind of evidence: contract. Every mistake that can reach a user stands in one table, with its exit code."""

import ast
import importlib
import re
from pathlib import Path

from pipeline.errors import TankdriftError

ROOT = Path(__file__).parents[2]
ROW = re.compile(r"^\| `(\w+)` \| (\d+) \| (.+) \| (.+) \|$", re.MULTILINE)


def _mistakes() -> dict[str, type[TankdriftError]]:
    """Every class of a mistake of the user's in the code, by name."""
    found = {}
    for path in [*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "flows").rglob("*.py")]:
        classes = [node for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.ClassDef)]
        for node in classes:
            if any(isinstance(base, ast.Name) and base.id.endswith(("Error", "Exception")) for base in node.bases):
                module = importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
                found[node.name] = getattr(module, node.name)
    return found


def test_every_mistake_stands_in_the_table_with_its_code():
    rows = ROW.findall((ROOT / "docs" / "operations.md").read_text(encoding="utf-8"))
    assert {name: int(code) for name, code, _, _ in rows} == {
        name: mistake.exit_code for name, mistake in _mistakes().items()
    }
    assert all(issubclass(mistake, TankdriftError) for mistake in _mistakes().values())
