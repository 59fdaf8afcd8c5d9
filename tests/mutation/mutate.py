"""Put small faults into the watchdog, one at a time, and see whether its tests notice.

    uv run python tests/mutation/mutate.py [--share 0.1] [--seed 1] [--jobs 2] [--only judge] [--list]

A tool of our own on Python's `ast`: each mutant is the module written anew from its tree with one node changed,
loaded in a process of its own in place of the original; the directed tests of `tests/watchdog` run in it, and the
first failure kills it. What survives is printed with its line, for somebody to look at: it is a missing test, or a
change that changes nothing. It is no part of the test run: a thousand mutants take an hour.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import os
import random
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from importlib.machinery import ModuleSpec
    from types import ModuleType

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "pullwatch" / "watchdog"
FIRST = {"conditions": "test_conditions", "limits": "test_limits", "alarms": "test_alarms", "acts": "test_corners"}
"""Which tests a module's mutants are put to first, for they are the likeliest to notice."""
TESTS = (
    "test_directed",
    "test_corners",
    "test_windows",
    "test_alarms",
    "test_taking_over",
    "test_oracle",
    "test_limits",
    "test_conditions",
)
SAYING = {"frozen", "slots", "strict"}
"""Keywords whose values guard against mistakes and are no behaviour."""
PATIENCE = 120.0
"""Seconds after which a mutant that does not come back counts as noticed."""

COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REVERSED: dict[type[ast.cmpop], type[ast.cmpop]] = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
ADDED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
CALLED = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """One change: of which module, at which line, what; `place` among its tree's nodes, and which way."""

    path: Path
    line: int
    what: str
    place: int
    way: int

    @property
    def module(self) -> str:
        """The module's name."""
        return f"pullwatch.watchdog.{self.path.stem}"


def mutants(path: Path) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    said = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.keyword) and node.arg in SAYING}
    said |= {id(inner) for told in _annotations(tree) for inner in ast.walk(told)}
    for place, node in enumerate(ast.walk(tree)):
        if id(node) in said:
            continue
        for way in range(3):
            what = None if _is_told(node) else _change(copy.deepcopy(node), way)
            if what is not None:
                yield Mutant(path, getattr(node, "lineno", 0), what, place, way)


def _annotations(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield what type checkers read and nobody runs."""
    for node in ast.walk(tree):
        match node:
            case ast.AnnAssign(annotation=told) | ast.arg(annotation=ast.expr() as told):
                yield told
            case ast.FunctionDef(returns=ast.expr() as told):
                yield told
            case ast.If(test=ast.Name(id="TYPE_CHECKING")):
                yield node
            case _:
                pass


def text_of(mutant: Mutant) -> str:
    """Return the module's whole text with the change."""
    tree = ast.parse(mutant.path.read_text(encoding="utf-8"))
    for place, node in enumerate(ast.walk(tree)):
        if place == mutant.place:
            _change(node, mutant.way)
            break
    return ast.unparse(ast.fix_missing_locations(tree))


def _is_told(node: ast.AST) -> bool:
    """Whether a node only tells people or type checkers something: docstrings and messages are not behaviour."""
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def _change(node: ast.AST, way: int) -> str | None:
    """Change a node in place in one of up to three ways; return what was done, None if there is no such way."""
    match node:
        case ast.Compare(ops=[op]) if way == 0 and type(op) in COMPARED:
            node.ops = [COMPARED[type(op)]()]
            return f"{type(op).__name__} -> {type(node.ops[0]).__name__}"
        case ast.Compare(ops=[op]) if way == 1 and type(op) in REVERSED:
            node.ops = [REVERSED[type(op)]()]
            return f"{type(op).__name__} -> {type(node.ops[0]).__name__}"
        case ast.BoolOp(op=op) if way == 0:
            node.op = ast.Or() if isinstance(op, ast.And) else ast.And()
            return f"{type(op).__name__} -> {type(node.op).__name__}"
        case ast.BinOp(op=op) | ast.AugAssign(op=op) if way == 0 and type(op) in ADDED:
            node.op = ADDED[type(op)]()
            return f"{type(op).__name__} -> {type(node.op).__name__}"
        case ast.If(test=test) | ast.IfExp(test=test) | ast.While(test=test) if way == 0:
            node.test = ast.UnaryOp(op=ast.Not(), operand=test)
            return "condition turned round"
        case ast.Constant(value=bool(value)) if way == 0:
            node.value = not value
            return f"{value} -> {not value}"
        case ast.Constant(value=int(value)) if way < 2:
            node.value = value + (1, -1)[way]
            return f"{value} -> {node.value}"
        case ast.Call(func=ast.Name(id=name)) if way == 0 and name in CALLED:
            node.func = ast.Name(id=CALLED[name], ctx=ast.Load())
            return f"{name} -> {CALLED[name]}"
        case ast.Expr(value=ast.Call() as call) if way == 0:
            node.value = ast.Constant(value=None)
            return f"left out: {ast.unparse(call)[:60]}"
        case ast.Return(value=value) if way == 0 and value is not None and not isinstance(value, ast.Constant):
            node.value = ast.Constant(value=None)
            return "returns None"
        case ast.Break() | ast.Continue() if way == 0:
            return None
    return None


class Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives the mutant's text for its module."""

    def __init__(self, module: str, text: str) -> None:
        self.module = module
        self.text = text

    def find_spec(self, name: str, *_: object) -> ModuleSpec | None:
        """Find the mutant."""
        return importlib.util.spec_from_loader(name, self) if name == self.module else None

    def exec_module(self, module: ModuleType) -> None:
        """Run the mutant's text as the module."""
        exec(compile(self.text, f"<mutant of {self.module}>", "exec"), module.__dict__)


def child() -> int:
    """Run the tests with the mutant that stands in a file named by the environment; 0: it survived."""
    import pytest

    module, _, text = Path(os.environ["PULLWATCH_MUTANT"]).read_text(encoding="utf-8").partition("\n")
    sys.meta_path.insert(0, Instead(module, text))
    first = FIRST.get(module.rpartition(".")[2], "test_directed")
    names = [first, *(name for name in TESTS if name != first)]
    files = [str(ROOT / "tests" / "watchdog" / f"{name}.py") for name in names]
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--no-header", *files]))


def noticed(mutant: Mutant, folder: Path, number: int) -> bool:
    """Say whether the tests notice a mutant."""
    file = folder / f"{number}.txt"
    file.write_text(f"{mutant.module}\n{text_of(mutant)}", encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, __file__, "--child"], env={**os.environ, "PULLWATCH_MUTANT": str(file)},
            cwd=ROOT, capture_output=True, check=False, timeout=PATIENCE,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return True
    finally:
        file.unlink()
    return done.returncode != 0


def main() -> None:
    """Choose mutants, try them, print what survived and the score."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument(
        "--share", type=float, default=1.0, help="which share of all mutants is tried, chosen at random"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", default="", help="name of one module")
    parser.add_argument("--list", action="store_true", help="only count them")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        sys.exit(child())
    every = [
        mutant
        for path in sorted(PACKAGE.glob("*.py"))
        if path.stem != "__init__" and asked.only in ("", path.stem)
        for mutant in mutants(path)
    ]
    if asked.list:
        print(len(every))
        return
    chosen = random.Random(asked.seed).sample(every, round(len(every) * asked.share))
    folder = Path(os.environ.get("TMPDIR", "/tmp")) / f"mutants-{os.getpid()}"
    folder.mkdir()
    begun = time.monotonic()
    survived = 0
    with ThreadPoolExecutor(asked.jobs) as pool:
        for number, (mutant, dead) in enumerate(
            zip(chosen, pool.map(lambda one: noticed(one[1], folder, one[0]), enumerate(chosen)), strict=True)
        ):
            if not dead:
                survived += 1
                print(f"survived ({number + 1}): {mutant.module}, line {mutant.line}: {mutant.what}", flush=True)
    folder.rmdir()
    killed = len(chosen) - survived
    print(
        f"{killed} of {len(chosen)} mutants noticed ({100 * killed / max(len(chosen), 1):.1f} %), of {len(every)},"
        f" in {time.monotonic() - begun:.0f} s"
    )


if __name__ == "__main__":
    main()
