"""A bar that shows how far a long work is, on standard error, for as long as it lasts."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def bar(what: str) -> Iterator[Callable[[float], None]]:
    """Give what is told the share done (0 to 1). Where standard error is no terminal nothing is shown."""
    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as shown:
        task = shown.add_task(what, total=1.0)
        yield lambda share: shown.update(task, completed=share)
