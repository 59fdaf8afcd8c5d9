"""Rule cases: rules tried without an engine. What the channels say is written in words; what must come of it, too.

`series`: what a channel says, in words, and the samples it comes to. `reading`: a file of cases, read and checked
whole. `judging`: one case through the path, and what differs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.cases.judging import run
from pullwatch.cases.reading import read_cases, setup_of
from pullwatch.errors import Problem, SetupError
from pullwatch.setup import load
from pullwatch.setup.catalogue import shipped_cases

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["beside", "read_cases", "run", "run_cases"]


def beside(setup: Path) -> Path:
    """Return the file of cases that goes with a setup if none is named: setup.toml has setup.cases.toml."""
    return setup.with_name(f"{setup.stem}.cases.toml")


def run_cases(setup: Path | None, files: Sequence[Path] = ()) -> bool:
    """Run files of cases and print what came of them; return whether all was as expected.

    `setup` None: the cases of the catalogue's own rules. Raises SetupError when a file is wrong: then nothing is run.
    """
    if setup is None:
        with shipped_cases() as (own, theirs):
            return _run(own, theirs)
    if not files and not beside(setup).exists():
        what = f"there is no {beside(setup).name} beside it."
        raise SetupError(setup, [Problem(0, "cases", what, "Name a file of cases, or write that one.")])
    return _run(setup, list(files) or [beside(setup)])


def _run(setup: Path, files: Sequence[Path]) -> bool:
    plans = {path: load(path) for path in dict.fromkeys(setup_of(file) or setup for file in files)}
    read = [(file, plans[own], read_cases(file, plans[own])) for file in files for own in (setup_of(file) or setup,)]
    total = wrong = 0
    for file, plan, cases in read:
        print(f"{file}, by {plan.setup_file}")
        for case in cases:
            outcome = run(plan, case)
            total += 1
            wrong += outcome.differs
            mark = "DIFFERS" if outcome.differs else "as expected"
            print(f"  {mark:<11}  line {case.line}, {case.name}")
            for line in outcome.lines:
                print(f"      {line}")
    print(f"{total} cases, {wrong} not as expected." if wrong else f"{total} cases, all as expected.")
    return not wrong
