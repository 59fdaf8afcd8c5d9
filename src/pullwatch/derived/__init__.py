"""Channels made from other channels, and doubts about channels: between the decoders and the ring, purely.

An *operator* makes one channel's samples: whenever its *trigger* channel has a sample, it sees that sample and what its
*other* channels say at that very instant, and gives a sample of its own channel, at the trigger's time. An operator
whose own channel is its trigger amends the samples of that channel: it may doubt them, or change their numbers.

    t, value, why of the trigger ─┐
    what others say at t (NaN:     ├─► operator ─► value, why of its own channel at t ─► screened ─► as if decoded
    not known, for whatever cause)─┘

What is not known is never made into a number: the sample is then there, with a `why`. A derived channel is stale when
its trigger is, for then it has no samples either. Samples of one instant are seen together, and operators follow each
other in the order of what they rest on, so that the borders of batches mean nothing here either.
"""

from __future__ import annotations

import abc
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pullwatch.columns import Column, Why
from pullwatch.decoders.screen import bounds, doubted, screened_all

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pullwatch.batch import Batch
    from pullwatch.channels import Channel
    from pullwatch.columns import Columns, Sample

    Floats = NDArray[np.float64]
    Whys = NDArray[np.uint8]

UNKNOWN: Final = int(Why.SOURCE)
NAN: Final = math.nan
_LONG_AGO: Final = -(1 << 62)


class Operator(abc.ABC):
    """Makes the samples of one channel. What it remembers between samples is plain JSON in `carried`.

    `one` must not raise whatever the numbers are, and must use + - × ÷ and comparisons only, or tables made when it
    was built: its results are part of every verdict, on every machine.
    """

    @abc.abstractmethod
    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return (value, why) of this channel at `t` (ns), None for no sample.

        `value` and `why` are the trigger's, `why` 0 for good; `others` are what the other channels say at `t`, NaN
        where that is not known (stale, in doubt, or never heard).
        """

    def many(self, t: NDArray[np.int64], value: Floats, why: Whys, others: Sequence[Floats]) -> Column:
        """Say the same for many samples of the trigger, arrays of shape (n,), bit for bit.

        This default asks `one` for each. An operator without memory may answer in columns; a test holds both together.
        """
        times: list[int] = []
        values: list[float] = []
        whys: list[int] = []
        rows = zip(*(other.tolist() for other in others), strict=True) if others else [()] * len(t)
        for at, v, doubt, row in zip(t.tolist(), value.tolist(), why.tolist(), rows, strict=True):
            made = self.one(at, v, doubt, row)
            if made is not None:
                times.append(at)
                values.append(made[0])
                whys.append(made[1])
        return Column(
            np.array(times, dtype=np.int64), np.array(values, dtype=np.float64), np.array(whys, dtype=np.uint8)
        )

    def carried(self) -> Any:
        """Return what is remembered between samples, as plain JSON (None: nothing)."""
        return None

    def carry(self, state: Any) -> None:  # noqa: B027 - most operators remember nothing
        """Take up what `carried` returned."""

    def kept(self) -> float | None:
        """Return what is worth knowing in the next session too (None: nothing), such as the air pressure latched."""
        return None

    def keep(self, value: float) -> None:  # noqa: B027 - most operators keep nothing
        """Take up what an earlier session kept."""


class Computed(Operator):
    """An operator that is a formula of its trigger and others: not known as soon as one of them is not."""

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:  # noqa: ARG002 - the protocol's
        """Return the formula's value, or why there is none."""
        if why:
            return NAN, why
        for other in others:
            if other != other:  # noqa: PLR0124 - the quickest test for NaN
                return NAN, UNKNOWN
        return self.formula(value, *others), 0

    @abc.abstractmethod
    def formula(self, value: float, *others: float) -> float:
        """Return the value from known, finite numbers. NaN where there is none (then told as not a number)."""


class Elementwise(Computed):
    """A formula of + - × and ÷ that means the same for arrays: columns are answered at once."""

    def one(self, t: int, value: float, why: int, others: Sequence[float]) -> tuple[float, int] | None:
        """Return the formula's value, NaN where it has none (a division by nought)."""
        try:
            made = super().one(t, value, why, others)
        except ZeroDivisionError:
            return NAN, 0
        assert made is not None
        return made if made[1] or math.isfinite(made[0]) else (NAN, 0)

    def many(self, t: NDArray[np.int64], value: Floats, why: Whys, others: Sequence[Floats]) -> Column:
        """Return the formula's values, or why there are none."""
        unknown = np.zeros(len(t), dtype=np.bool_)
        for other in others:
            unknown |= np.isnan(other)
        doubts = np.where(why != 0, why, np.where(unknown, np.uint8(UNKNOWN), np.uint8(0))).astype(np.uint8)
        with np.errstate(all="ignore"):
            values = np.asarray(self.formula(value, *others), dtype=np.float64)  # type: ignore[arg-type] # arrays
        values = np.where((doubts == 0) & np.isfinite(values), values, NAN)
        return Column(t, values, doubts)


@dataclass(frozen=True, slots=True)
class Wired:
    """An operator and the numbers of its channels; `channel == trigger`: it amends that channel's own samples."""

    channel: int
    trigger: int
    others: tuple[int, ...]
    operator: Operator


class Deriving:
    """All operators of a plan, in order: each comes after those that make or amend what it rests on.

    Raises ValueError when a channel is made by two operators, or an operator rests on one that comes after it.
    """

    def __init__(self, channels: Sequence[Channel], wired: Sequence[Wired]) -> None:
        self._wired = tuple(wired)
        self._names = [channel.name for channel in channels]
        made: set[int] = set()
        for at, wire in enumerate(self._wired):
            rests_on = {wire.trigger, *wire.others} - {wire.channel}
            late = {w.channel for w in self._wired[at:]} & rests_on
            if late or (wire.channel != wire.trigger and wire.channel in made):
                names = ", ".join(channels[number].name for number in sorted(late)) or "another operator"
                raise ValueError(f"{channels[wire.channel].name} cannot be made before or beside {names}")
            made.add(wire.channel)
        self._bounds = [bounds(channels[wire.channel].low, channels[wire.channel].high) for wire in self._wired]
        self._range = [(channels[wire.channel].low, channels[wire.channel].high) for wire in self._wired]
        self._stale_after = [channel.stale_after for channel in channels]
        size = len(channels)
        self._t = [_LONG_AGO] * size
        self._v = [NAN] * size
        """The latest value of each channel an operator asks for; NaN when it is in doubt."""
        used = {other for wire in self._wired for other in wire.others}
        self._used = [number in used for number in range(size)]
        by_trigger: list[list[int]] = [[] for _ in range(size)]
        for at, wire in enumerate(self._wired):
            by_trigger[wire.trigger].append(at)
        self._by_trigger = [tuple(ats) for ats in by_trigger]
        self._watched = [bool(ats) or self._used[number] for number, ats in enumerate(self._by_trigger)]

    def extend(self, batch: Batch) -> None:
        """Put the derived samples among those of a batch, few or many."""
        if batch.samples is not None:
            batch.samples = self.few(batch.samples)
        else:
            batch.columns = self.many(batch.columns or {})

    def few(self, samples: list[Sample]) -> list[Sample]:
        """Return the samples with the derived ones among them, in order of time."""
        watched = self._watched
        out: list[Sample] = []
        append = out.append
        here: dict[int, Sample] = {}
        instant = _LONG_AGO
        for sample in samples:
            channel = sample[1]
            if here and sample[0] != instant:
                self._instant(instant, here, out)
                here = {}
            if watched[channel]:
                instant = sample[0]
                here[channel] = sample
            else:
                append(sample)
        if here:
            self._instant(instant, here, out)
        return out

    def _instant(self, t: int, here: dict[int, Sample], out: list[Sample]) -> None:
        """Take all watched samples of one instant together."""
        due: set[int] = set()
        times, values, used, by_trigger = self._t, self._v, self._used, self._by_trigger
        for channel, (_, _, v, why) in here.items():
            if used[channel]:
                times[channel] = t
                values[channel] = NAN if why else v
            due.update(by_trigger[channel])
        while due:
            at = min(due)
            due.discard(at)
            wire = self._wired[at]
            _, _, v, why = here[wire.trigger]
            stale = self._stale_after
            others = [values[c] if t - times[c] < stale[c] else NAN for c in wire.others]
            made = wire.operator.one(t, v, why, others)
            channel = wire.channel
            if made is None:
                if channel == wire.trigger:
                    del here[channel]
                    due.difference_update(by_trigger[channel])
                continue
            v, why = made
            if not why:
                low, high = self._bounds[at]
                if not low <= v <= high:
                    v, why = doubted(v)
            here[channel] = (t, channel, v, why)
            if used[channel]:
                times[channel] = t
                values[channel] = NAN if why else v
            if channel != wire.trigger:
                due.update(by_trigger[channel])
        out.extend(here.values())

    def many(self, columns: Columns) -> Columns:
        """Return the columns with the derived ones among them."""
        out = dict(columns)
        for at, wire in enumerate(self._wired):
            trigger = out.get(wire.trigger)
            if trigger is None:
                continue
            others = [self._held(c, trigger.t, out.get(c)) for c in wire.others]
            made = wire.operator.many(trigger.t, trigger.v, trigger.why, others)
            low, high = self._range[at]
            values, whys = screened_all(made.v, low, high)
            in_doubt = made.why != 0
            whys = np.where(in_doubt, made.why, whys).astype(np.uint8)
            values = np.where(in_doubt, made.v, values)
            if len(made):
                out[wire.channel] = Column(made.t, values, whys)
            else:
                out.pop(wire.channel, None)
        for channel, column in out.items():
            if self._used[channel] and len(column):
                self._t[channel] = int(column.t[-1])
                self._v[channel] = NAN if column.why[-1] else float(column.v[-1])
        return out

    def _held(self, channel: int, t: NDArray[np.int64], column: Column | None) -> Floats:
        """Return what a channel says at the instants `t`, NaN where that is not known."""
        times = np.array([self._t[channel]], dtype=np.int64)
        values = np.array([self._v[channel]], dtype=np.float64)
        if column is not None:
            times = np.concatenate([times, column.t])
            values = np.concatenate([values, np.where(column.why != 0, NAN, column.v)])
        place = times.searchsorted(t, side="right") - 1
        found: Floats = np.where(t - times[place] < self._stale_after[channel], values[place], NAN)
        return found

    def kept(self) -> dict[str, float]:
        """Return what is worth knowing in the next session too, by channel name."""
        kept = {self._names[wire.channel]: wire.operator.kept() for wire in self._wired}
        return {name: value for name, value in kept.items() if value is not None}

    def keep(self, kept: Any) -> None:
        """Take up what an earlier session kept, as far as it can be read."""
        for wire in self._wired:
            value = kept.get(self._names[wire.channel]) if isinstance(kept, dict) else None
            if isinstance(value, int | float) and math.isfinite(value):
                wire.operator.keep(float(value))

    def carried(self) -> Any:
        """Return all that is remembered, as plain JSON."""
        return {
            "held": [
                [channel, self._t[channel], None if math.isnan(self._v[channel]) else self._v[channel]]
                for channel, used in enumerate(self._used)
                if used and self._t[channel] != _LONG_AGO
            ],
            "operators": [wire.operator.carried() for wire in self._wired],
        }

    def carry(self, state: Any) -> None:
        """Take up what `carried` returned for the same plan."""
        for channel, t, value in state["held"]:
            self._t[channel] = t
            self._v[channel] = NAN if value is None else value
        for wire, remembered in zip(self._wired, state["operators"], strict=True):
            wire.operator.carry(remembered)
