"""Thinning: of each channel, at its own interval, the last value with the least and the greatest since the one before.

Intervals are cut in session time, so that the same recording is thinned the same way however often it is read, and
a single sample beyond a limit is never thinned away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.columns import WHY_WORDS, Why

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from pullwatch.channels import Channel
    from pullwatch.columns import Sample


@dataclass(slots=True)
class Kept:
    """What is kept of a channel's samples until they are due: `low` and `high` of the good ones, None: none yet."""

    t: int
    value: float
    why: int
    low: float | None = None
    high: float | None = None

    def add(self, t: int, value: float, why: int) -> None:
        """Take a sample."""
        self.t, self.value, self.why = t, value, why
        if not why:
            self.low = value if self.low is None else min(self.low, value)
            self.high = value if self.high is None else max(self.high, value)


def intervals(channels: Iterable[Channel], rate: float, rates: Mapping[str, float]) -> dict[int, int]:
    """Return each channel's interval by its number (ns): multiples of the shortest one, near what was asked for."""
    wanted = {channel.number: round(NS_PER_S / rates.get(channel.name, rate)) for channel in channels}
    shortest = min(wanted.values(), default=round(NS_PER_S / rate))
    return {number: shortest * max(1, round(interval / shortest)) for number, interval in wanted.items()}


class Thinner:
    """Keeps what came of each channel until it is due. `every` has the intervals in ns, by channel number."""

    def __init__(self, channels: Sequence[Channel], every: Mapping[int, int], step: int) -> None:
        self._channels = {channel.number: channel for channel in channels if channel.number in every}
        self._every = every
        self._step = step
        self._kept: dict[int, Kept] = {}
        self._due = -1
        """When the running interval ends, session ns; -1: none has begun."""

    def take(self, samples: Iterable[Sample], now: int) -> Iterator[tuple[int, dict[str, Any]]]:
        """Take what came up to `now`; yield (end, values) of every interval that is over.

        Intervals in which nothing came are yielded only if they are the last of such a row: after a night of suspended
        machine nobody wants a hundred thousand empty ones.
        """
        for t, number, value, why in samples:
            yield from self._until(t)
            if number in self._channels:
                kept = self._kept.get(number)
                if kept is None:
                    kept = self._kept[number] = Kept(t, value, why)
                kept.add(t, value, why)
        yield from self._until(now)

    def _until(self, t: int) -> Iterator[tuple[int, dict[str, Any]]]:
        if self._due < 0:
            self._due = (t // self._step + 1) * self._step
        while t >= self._due:
            end = self._due
            values = self._over(end)
            if not values and not self._kept and t >= end + self._step:
                end = t // self._step * self._step
            self._due = end + self._step
            yield end, values

    def _over(self, end: int) -> dict[str, Any]:
        """Return the values of the channels whose interval ends at `end`, and forget them."""
        out = {}
        for number in [number for number in self._kept if end % self._every[number] == 0]:
            channel = self._channels[number]
            kept = self._kept.pop(number)
            digits = channel.digits + 1
            said: dict[str, Any] = {"age_ms": (end - kept.t) // NS_PER_MS}
            if kept.why:
                said["why"] = WHY_WORDS[Why(kept.why)]
            else:
                said["v"] = round(kept.value, digits)
            if kept.low is not None and kept.high is not None:
                said["lo"], said["hi"] = round(kept.low, digits), round(kept.high, digits)
            out[channel.name] = said
        return out

    def carried(self) -> dict[str, Any]:
        """Return all that is remembered, as plain JSON."""
        return {
            "due": self._due,
            "kept": {str(n): [kept.t, kept.value if not kept.why else 0.0, kept.why, kept.low, kept.high]
                     for n, kept in self._kept.items()},
        }  # fmt: skip

    def carry(self, said: Mapping[str, Any]) -> None:
        """Take up what `carried` returned."""
        self._due = int(said["due"])
        self._kept = {int(number): Kept(*kept) for number, kept in said["kept"].items()}
