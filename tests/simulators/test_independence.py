"""The simulators check pullwatch, so they may share nothing with it but bytes on the wire."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[2]


def imported(path: Path) -> set[str]:
    """List the top packages that a file imports, of those whose name begins like ours."""
    found: set[str] = set()
    text = path.read_text(encoding="utf-8")
    for node in ast.walk(ast.parse(text)) if "pullwatch" in text else ():
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add(str(node.module).split(".")[0])
    return found


def test_simulators_do_not_import_pullwatch_nor_the_other_way() -> None:
    """Neither side imports the other."""
    simulators = list((ROOT / "simulators").rglob("*.py"))
    sources = list((ROOT / "src").rglob("*.py"))
    assert simulators
    assert sources
    assert not [path for path in simulators if "pullwatch" in imported(path)]
    assert not [path for path in sources if "pullwatch_sim" in imported(path)]
