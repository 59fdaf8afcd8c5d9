"""`pullwatch join`: the controller's own log beside our recording of the same run, each on its own clock.

The log becomes a session of its own; what joins the two is one small file (`joined`). They are aligned by engine speed,
which both nearly always have, else by manifold pressure.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pullwatch.clock import NS_PER_S
from pullwatch.errors import SessionError
from pullwatch.exchange import joined
from pullwatch.exchange.aligning import CannotAlign, align
from pullwatch.recording.reader import Session

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from pullwatch.columns import Column
    from pullwatch.exchange.aligning import Alignment

BY: Final[dict[str, float]] = {"engine_speed": 500.0, "manifold_pressure": 20.0}
"""What recordings are aligned by, the best first, and the range (rpm, kPa) that must be passed through."""
_WORDS: Final = {"engine_speed": "engine speed", "manifold_pressure": "manifold pressure"}
_UNITS: Final = {"engine_speed": "rpm", "manifold_pressure": "kPa"}


class NotJoined(SessionError):  # noqa: N818 - it says what is the case
    """It cannot be told how two recordings lie on each other."""


@dataclass(frozen=True, slots=True)
class Join:
    """A join that was made: the file that says so, what aligned them, how, and that in sentences."""

    file: Path
    by: str
    found: Alignment
    lines: tuple[str, ...]


def join(folder: Path, log: Path, name: str = "") -> Join:
    """Align the session `log` (an imported log) with the one in `folder`, and join it. Neither is altered.

    Raises NotJoined in words if it cannot be told how they lie, SessionError if the join cannot be written.
    """
    ours, theirs = Session(folder), Session(log)
    if folder.resolve() == log.resolve():
        raise SessionError(log, "is the session itself.", "Name the log to be joined to it.")
    by, found = aligned(ours, theirs)
    lines = tuple(words_of(found, by))
    name = re.sub(r"[^\w.-]+", "_", name or log.name).strip("._") or "log"
    return Join(joined.write(folder, name, theirs, found, by, lines), by, found, lines)


def aligned(ours: Session, theirs: Session) -> tuple[str, Alignment]:
    """Return what the two were aligned by, and how. Raises NotJoined with every reason why not."""
    here, there = joined.channel_columns(ours, tuple(BY)), joined.channel_columns(theirs, tuple(BY))
    reasons = []
    for name, least in BY.items():
        lacks = [str(s.folder) for s, has in ((ours, here), (theirs, there)) if name not in has]
        if lacks:
            reasons.append(f"by {_WORDS[name]}: {' and '.join(lacks)} {'have' if len(lacks) > 1 else 'has'} none")
            continue
        try:
            return name, align(*_known(here[name][1]), *_known(there[name][1]), least)
        except CannotAlign as why:
            reasons.append(f"by {_WORDS[name]}: {why}")
    raise NotJoined(
        theirs.folder,
        f"cannot be joined to {ours.folder.name}: {'; '.join(reasons)}.",
        "Nothing is joined by guess: a log of the same minutes with some pulls in it will do.",
    )


def _known(column: Column) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times (s) and values of what is known of a column."""
    good = column.why == 0
    return column.t[good] / NS_PER_S, column.v[good]


def words_of(found: Alignment, by: str) -> Sequence[str]:
    """Say how they lie on each other, each figure with its 95 % interval."""
    ppm, half = 1e6 * found.rate, 1e6 * found.rate_half
    pace = "slower" if found.rate > 0 else "faster"
    begin = found.ours(0.0)
    return [
        f"aligned by {_WORDS[by]}: correlation {found.correlation:.4f} over {found.overlap:.0f} s",
        f"the next best place has {100 * found.second:.0f} % of the evidence",
        f"offset: the log's session begins at {begin:.4f} ± {found.half_at(0.0):.4f} s of ours (95 %)",
        f"clock rate: the log's clock is {abs(ppm):.0f} ± {half:.0f} ppm {pace} (95 %)",
        f"best known in its middle, {found.middle:.1f} s after its begin: ± {1e3 * found.middle_half:.1f} ms",
        f"what remains between the two: {found.spread:.3g} {_UNITS[by]} (one standard deviation)",
        f"a delay of {_WORDS[by]} itself on its way into either recording counts as offset",
    ]
