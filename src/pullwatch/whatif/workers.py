"""Processes that share out work: as many as there are processors.

They are started anew (nothing is inherited but what is handed over), at the lowest priority: a monitor that watches on
the same machine goes first. They end with the pool, whatever ends it.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable


def usable_cores() -> int:
    """Return how many processors this process may use."""
    with suppress(AttributeError, OSError):  # there is no such call on every system
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def begin() -> None:
    """Begin a worker: last in line for the processor, and ended by whoever started it, not by Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(AttributeError, OSError):
        os.nice(19)


def pool(workers: int, initializer: Callable[..., None] = begin, initargs: tuple[Any, ...] = ()) -> ProcessPoolExecutor:
    """Return a pool of fresh processes, each begun by `initializer`."""
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=initializer, initargs=initargs)
