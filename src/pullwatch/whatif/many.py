"""Several sessions on all cores. One bad session does not stop the rest."""

from __future__ import annotations

from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from pullwatch.errors import NotASession, PullwatchError
from pullwatch.recording.reader import Session
from pullwatch.recording.session import parts_in
from pullwatch.replaying import plan_of
from pullwatch.setup import Plan
from pullwatch.whatif import comparing, redecoding, sweeping
from pullwatch.whatif.numbers import values
from pullwatch.whatif.sameness import same_reading
from pullwatch.whatif.workers import pool, usable_cores

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.whatif.sweeping import Sweep

SAME: Final = 0
OTHERWISE: Final = 1
FAILED: Final = 2


@dataclass(frozen=True, slots=True)
class Task:
    """What is done with each session. `plan` is a plan as plain JSON (None: the session's own)."""

    what: Literal["compare", "sweep", "redecode"]
    plan: dict[str, Any] | None = None
    texts: bool = False
    name: str = ""
    span: tuple[str, str, str] = ("", "", "")
    every: bool = False
    into: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """What came of one session: in words, and SAME, OTHERWISE or FAILED."""

    folder: Path
    lines: tuple[str, ...]
    outcome: int


def sessions_in(folder: Path) -> list[Path]:
    """Return the session that a folder is, or those it holds, by name. Raises NotASession if there is neither."""
    if parts_in(folder):
        return [folder]
    found = [each for each in sorted(folder.iterdir()) if parts_in(each)] if folder.is_dir() else []
    if not found:
        raise NotASession(folder, "is no session and holds none.", "List them with: pullwatch sessions")
    return found


def do(task: Task, folder: Path, cores: int = 1) -> Report:
    """Do it for one session; what cannot be done is said in the report."""
    try:
        return _done(task, folder, cores)
    except (PullwatchError, OSError) as error:
        return Report(folder, (f"{folder.name} is left out: {error}",), FAILED)


def _done(task: Task, folder: Path, cores: int) -> Report:
    session = Session(folder)
    plan = None if task.plan is None else Plan.from_dict(task.plan)
    if task.what == "redecode":
        assert plan is not None
        made = redecoding.redecode(session, plan, Path(task.into) if task.into else None)
        return Report(folder, tuple(made.lines()), SAME)
    if task.what == "compare":
        assert plan is not None
        compared = comparing.compare(session, plan)
        told = tuple(comparing.lines(session, compared, texts=task.texts))
        return Report(folder, told, SAME if compared.alike else OTHERWISE)
    then = plan_of(session)
    base = then if plan is None else same_reading(then, plan)
    found = sweeping.sweep(session, base, task.name, values(*task.span), cores=cores)
    return Report(folder, tuple(sweeping.lines(session, found, every=task.every)), _turned(found))


def _turned(found: Sweep) -> int:
    raised = {tuple(each[name].raised for name in found.rules) for each in found.outcomes}
    return SAME if len(raised) == 1 else OTHERWISE


def each(task: Task, folders: Sequence[Path], cores: int | None = None) -> Iterator[Report]:
    """Do it for every session, on `cores` processes (None: as many as there are), and yield reports in their order."""
    cores = cores if cores is not None else usable_cores()
    if len(folders) == 1 or cores == 1:
        yield from (do(task, folder, cores) for folder in folders)
        return
    broken: list[Path] = []
    with pool(min(cores, len(folders))) as workers:
        futures = [(folder, workers.submit(do, task, folder)) for folder in folders]
        try:
            for folder, future in futures:
                try:
                    report = future.result()
                except BrokenProcessPool:
                    broken.append(folder)
                else:
                    yield report
        except BaseException:
            workers.shutdown(wait=True, cancel_futures=True)
            raise
    # A worker that was killed (the memory gave out) takes the pool with it: each that is left gets one of its own.
    for folder in broken:
        with pool(1) as worker:
            try:
                yield worker.submit(do, task, folder).result()
            except BrokenProcessPool:
                yield Report(folder, (f"{folder.name} is left out: the process that read it was killed.",), FAILED)
