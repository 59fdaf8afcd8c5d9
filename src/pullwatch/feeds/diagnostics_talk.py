"""The talk with the control units: what is asked, when, of whom, and what is said to a long answer.

Knows no port and no clock: it is told of every frame that came (`heard`) and gives the frames to be sent (`due`), each
with the time in ns. So all of it can be tried without waiting, and it is the same over every adapter.

While the car moves nothing is asked. The only way to know that it moves is to ask, so the speed (PID 0D) is the first
question and, until it is answered with 0, the only one; while the car stands it is asked at least each SPEED_EVERY. At
the first answer above 0 everything stops: nothing is sent for `again_s`, then one question for the speed, and so on
until it is 0. A speed that is not answered is not known, and not known is treated as moving. `while_moving` in the
setup takes all of this away.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pullwatch.decoders import Ledger
from pullwatch.decoders.frames import EXTENDED
from pullwatch.decoders.isotp import Reassembly, flow_control, single
from pullwatch.decoders.j1979 import ANSWER, NEGATIVE, PENDING, SERVICE, Knowledge, taken_apart
from pullwatch.decoders.pids import FUNCTIONAL, RANGES, is_answer, parse, request_word, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.decoders.pids import Reading, Wanted
    from pullwatch.feeds.options.diagnostics import DiagnosticsOptions

_MS: Final = 1_000_000
_S: Final = 1_000_000_000

P2: Final = 100 * _MS
"""How long an answer may take to begin: 50 ms (ISO 15765-4, from memory), and as much for adapter and machine."""
LATE: Final = P2
"""So much more is given a control unit that did not answer in time, and those not known yet when they are looked for: a
late answer would be taken for that to the next request (common practice, no source)."""
P2_LATER: Final = 5 * _S
"""The same after a control unit has said that the answer is pending (ISO 15765-4, from memory)."""
N_CR: Final = 200 * _MS
"""How long the next frame of a long answer may take: 150 ms (ISO 15765-4, from memory), and some for the adapter."""
SPEED: Final = 0x0D
SPEED_EVERY: Final = 1 * _S
SPEED_GOOD: Final = 3 * _S
"""A speed of 0 that is older than this is no longer known."""
SAME_MOMENT: Final = _S // 2
"""Control units that tell different speeds within this time: the one that says the car moves is believed."""
FIND_FIRST: Final = 1 * _S
"""Pause after a question that nobody answered, doubled each time up to FIND_MOST: questions keep a bus awake."""
FIND_MOST: Final = 10 * _S
SILENT: Final = 3
"""So many requests in a row without an answer, and a control unit is asked less and less often."""
REST_FIRST: Final = _S // 4
REST_MOST: Final = 5 * _S
GONE: Final = 5 * _S
"""No answer at all for so long: look for control units anew."""
SCALE_EVERY: Final = 1 * _S
REFUSED_REST: Final = 10 * _S
"""A PID that a control unit refuses is asked again after this."""
FAST_HZ: Final = 5.0
SLOW_HZ: Final = 0.5
"""How often readings are asked for that the setup gives no rate (common practice, no source)."""


def asked_hz(options: DiagnosticsOptions, name: str) -> float:
    """Return how often a channel is asked for, Hz."""
    rate = options.rates.get(name)
    return rate if rate is not None else SLOW_HZ if parse(options.channels[name]).reading.slow else FAST_HZ


@dataclass(slots=True)
class _Item:
    """A PID that is asked again and again. `due` is when next; those of a scale end once it is known."""

    wanted: Wanted
    period: int
    due: int = 0
    scale_of: Reading | None = None

    @property
    def pid(self) -> int:
        """What is asked for."""
        return self.wanted.reading.pid if self.scale_of is None else self.scale_of.scaled_by


@dataclass(slots=True)
class _Asked:
    """A request that is not answered yet. `of` are the control units awaited, None: whoever there is."""

    pids: tuple[int, ...]
    of: set[int] | None
    until: int
    answered: set[int] = field(default_factory=set)
    begun: set[int] = field(default_factory=set)
    """Those that have sent the first frames of a long answer."""

    def awaits(self, word: int) -> bool:
        """Whether an answer of this control unit would be one to it."""
        return self.of is None or word in self.of


class Talk:
    """The talk over one adapter. `opened` begins it; then `heard` at each frame, and `due` when `next_due` has come."""

    def __init__(self, options: DiagnosticsOptions) -> None:
        self.state = "not open"
        """What it is doing, in words."""
        self.requests = self.answers = self.unanswered = self.refused = 0
        self.knowledge = Knowledge()
        self._o = options
        self._functional = [FUNCTIONAL[0], FUNCTIONAL[1]]
        if options.addressing != "auto":
            self._functional = [FUNCTIONAL[options.addressing == "29-bit"]]
        self._again = round(options.again_s * _S)
        self._gap = round(options.gap_ms * _MS)
        self._items = self._make_items()
        self._ledger = Ledger()
        self._begin(0)

    def _make_items(self) -> list[_Item]:
        """Return what is to be asked: scales first, then each PID once, at the highest rate any channel asks for."""
        periods: dict[tuple[int, int], _Item] = {}
        scales: dict[tuple[int, int], _Item] = {}
        for name, text in self._o.channels.items():
            wanted = parse(text)
            period = round(_S / asked_hz(self._o, name))
            item = periods.setdefault((wanted.reading.pid, wanted.unit), _Item(wanted, period))
            item.period = min(item.period, period)
            by = wanted.reading.scaled_by
            if by:
                scales.setdefault((by, wanted.unit), _Item(wanted, SCALE_EVERY, scale_of=wanted.reading))
        return [*scales.values(), *periods.values()]

    def _begin(self, now: int) -> None:
        self._asked: list[_Asked] = []
        self._go_on: list[tuple[int, bytes]] = []
        self._reassembly = Reassembly()
        self._free = now
        self._moving: bool | None = None
        self._kmh = 0
        self._moved_at = -_S
        self._speed_at = 0
        self._speed_due = now
        self._finding = True
        self._find_due = now
        self._find_wait = FIND_FIRST
        self._range: int | None = 0
        self._singly: set[int] = set()
        self._misses: dict[int, int] = {}
        self._rest: dict[int, int] = {}
        self._last_answer = now
        self._been_answered = False
        for item in self._items:
            item.due = now

    def opened(self, now: int) -> None:
        """Begin anew: the adapter is open."""
        self._begin(now)
        self.state = "looking for control units"

    def closed(self) -> None:
        """Note that the adapter is gone."""
        self.state = "not open"

    # -- what came

    def heard(self, now: int, word: int, data: bytes) -> bool:
        """Take a frame that came; say whether it was one of a control unit's."""
        if not is_answer(word):
            return False
        asked = next((asked for asked in self._asked if asked.awaits(word)), None)
        message = self._reassembly.take(now, word, data, 0, self._ledger)
        if message is not None:
            self._answered(now, word, message.payload, asked)
        elif asked is not None and (frames := self._reassembly.frames_of(word)):
            asked.until = max(asked.until, now + N_CR)
            asked.begun.add(word)
            size = self._o.block_size
            if frames == 1 or (size and (frames - 1) % size == 0):
                go_on = flow_control(size, self._o.separation_ms)
                self._go_on.append((request_word(word), go_on))
        return True

    def _answered(self, now: int, word: int, payload: bytes, asked: _Asked | None) -> None:
        self._last_answer = now
        if not self._been_answered:
            self._been_answered = True
            self._functional.sort(key=lambda to_all: (to_all ^ word) & EXTENDED)
        self._misses.pop(word, None)
        self._rest.pop(word, None)
        if payload[0] == NEGATIVE:
            if len(payload) == 3 and payload[1] == SERVICE and asked is not None:
                self._denied(now, word, payload[2], asked)
            return
        answers = taken_apart(payload) if payload[0] == ANSWER else None
        if not answers:
            return
        for pid, given in answers:
            self.knowledge.answered(word, pid, given)
            if pid == SPEED:
                self._speed(now, given[0])
        pids = {pid for pid, _ in answers}
        asked = next((one for one in self._asked if one.awaits(word) and pids.intersection(one.pids)), None)
        if asked is None:  # a late one: no need to wait for it any longer
            self._free = min(self._free, now + self._gap)
            return
        self.answers += 1
        asked.answered.add(word)
        has = self.knowledge.units.get(word, set())
        if len(asked.pids) > 1 and not pids.issuperset(has.intersection(asked.pids)):
            self._singly.add(word)
            self._hurry(word, set(asked.pids) - pids, now)
        self._settle(now, asked)

    def _denied(self, now: int, word: int, reason: int, asked: _Asked) -> None:
        if reason == PENDING:
            asked.until = now + P2_LATER
            return
        self.refused += 1
        asked.answered.add(word)
        if len(asked.pids) > 1:
            self._singly.add(word)
            self._hurry(word, set(asked.pids), now)
        else:
            for item in self._items:
                if item.pid == asked.pids[0] and self.knowledge.source(item.wanted) == word:
                    item.due = now + REFUSED_REST
        self._settle(now, asked)

    def _settle(self, now: int, asked: _Asked) -> None:
        """Let a request go that everybody awaited has answered."""
        if asked.of is not None and asked.answered >= asked.of:
            self._asked.remove(asked)
            self._free = max(self._free, now + self._gap)
            self._concluded(now, asked)

    def _speed(self, now: int, kmh: int) -> None:
        if kmh > 0:
            self._find_wait = FIND_FIRST
            self._moving, self._kmh, self._moved_at = True, kmh, now
            self._speed_due = now + (SPEED_EVERY if self._o.while_moving else self._again)
        elif not self._moving or now - self._moved_at > SAME_MOMENT:
            self._find_wait = FIND_FIRST
            self._moving, self._speed_at = False, now
            self._speed_due = now + SPEED_EVERY

    # -- what to send

    def due(self, now: int) -> Iterator[tuple[int, bytes]]:
        """Yield the frames (id word, data) to be sent now. Each counts as sent."""
        yield from self._go_on
        self._go_on.clear()
        self._expire(now)
        while now >= self._free:
            asked = self._next(now)
            if asked is None:
                break
            word, pids, of = asked
            payload = bytes([SERVICE, *pids])
            self.knowledge.asked(word, payload)
            self._asked.append(_Asked(pids, of, now + P2 + (LATE if of is None and pids != (SPEED,) else 0)))
            self.requests += 1
            self._free = now + self._gap
            yield word, single(payload)
        self.state = self._in_words(now)

    def _expire(self, now: int) -> None:
        for asked in [asked for asked in self._asked if now >= asked.until]:
            self._asked.remove(asked)
            missing = (asked.of or set()) - asked.answered
            if missing or not asked.answered:
                self.unanswered += 1
            for word in missing:
                misses = self._misses[word] = self._misses.get(word, 0) + 1
                if len(asked.pids) > 1 and misses > 1:
                    self._singly.add(word)
                if misses >= SILENT:
                    self._rest[word] = now + min(REST_FIRST << min(misses - SILENT, 10), REST_MOST)
                elif word not in asked.begun:
                    self._rest[word] = now + LATE
                    if not self._o.ask_one:  # it hears what is asked of the others too
                        self._free = max(self._free, now + LATE)
            self._concluded(now, asked)
        if not self._finding and now - self._last_answer > GONE and not self._quiet:
            self._finding, self._range, self._find_due, self._find_wait = True, 0, now, FIND_FIRST
            self._moving = None
            self._been_answered = False

    def _concluded(self, now: int, asked: _Asked) -> None:
        """Draw the conclusion from a request that was answered, or was not in time."""
        if asked.pids == (SPEED,) and not asked.answered and not self._o.while_moving:
            if self._moving is True:  # it may still move: no sooner and no more often than before
                self._find_wait = FIND_MOST
                self._speed_due = now + self._again
                self._moving = None
                return
            if now - self._speed_at > SPEED_GOOD:
                self._moving = None
            self._unheard(now)
            self._speed_due = self._find_due
        elif self._finding and (reached := self._range) is not None and asked.pids == (reached,):
            if reached == 0 and not self.knowledge.units:
                self._unheard(now)
                return
            self._find_wait = FIND_FIRST
            units = self.knowledge.units.values()
            reach = max(item.pid for item in self._items) if self._items else 0
            further = (pid for pid in RANGES if reached < pid < reach and any(pid in pids for pids in units))
            self._range = next(further, None)
            self._finding = self._range is not None

    def _unheard(self, now: int) -> None:
        """Nobody answered: the other identifiers next, if none ever did, and less and less often."""
        if not self._been_answered:
            self._functional = self._functional[1:] + self._functional[:1]
        self._find_due = now + self._find_wait
        self._find_wait = min(2 * self._find_wait, FIND_MOST)

    @property
    def _quiet(self) -> bool:
        return self._moving is True and not self._o.while_moving

    def _stands(self, now: int) -> bool:
        """Whether other things than the speed may be asked."""
        return self._o.while_moving or (self._moving is False and now - self._speed_at < SPEED_GOOD)

    def _next(self, now: int) -> tuple[int, tuple[int, ...], set[int] | None] | None:
        """Return the next request: id word, PIDs, and who is to answer it; None if nothing is due."""
        to_all = self._functional[0]
        if not self._items or any(asked.of is None for asked in self._asked):
            return None
        if not self._o.while_moving and now >= self._speed_due:
            # One that is under way is not asked anew, and neither is another beside it.
            return None if self._asked else (to_all, (SPEED,), self._having(SPEED) or None)
        if not self._stands(now):
            return None
        if self._finding:
            if self._asked or now < self._find_due or self._range is None:
                return None
            return to_all, (self._range,), self._having(self._range) or None
        return self._scheduled(now)

    def _having(self, *pids: int) -> set[int]:
        """Return the control units that have one of these, but for those that have fallen silent."""
        return {
            word
            for word, has in self.knowledge.units.items()
            if not has.isdisjoint(pids) and self._misses.get(word, 0) < SILENT
        }

    def _open_items(self) -> Iterator[tuple[int, _Item, int]]:
        """Yield what may be asked, from when on (ns), and the control unit it is asked of, unless that is busy."""
        busy = {word for asked in self._asked for word in (asked.of or ())}
        for item in self._items:
            source = self.knowledge.source(item.wanted)
            if not source or source in busy:
                continue
            if item.scale_of is None or self.knowledge.scale_missing(source, item.scale_of):
                yield max(item.due, self._rest.get(source, 0)), item, source

    def _scheduled(self, now: int) -> tuple[int, tuple[int, ...], set[int] | None] | None:
        if self._asked and not self._o.ask_one:
            return None
        ready = [(item, source) for when, item, source in self._open_items() if now >= when]
        if not ready:
            return None
        # Scales first, for they end. Then what is late by the most of its own periods: so nothing waits for ever.
        ready.sort(key=lambda one: (one[0].scale_of is None, (one[0].due - now) / one[0].period))
        source = ready[0][1]
        most = 1 if source in self._singly else self._o.pids_per_request
        pids: list[int] = []
        for item, of in ready:
            pid = item.pid
            if of == source and (pid in pids or len(pids) < most):
                # Asked late, the next time is counted from now: a slow control unit is not made to catch up.
                item.due = now + item.period
                if pid not in pids:
                    pids.append(pid)
        if self._o.ask_one:
            return request_word(source), tuple(pids), {source}
        return self._functional[0], tuple(pids), self._having(*pids) | {source}

    def _hurry(self, word: int, pids: set[int], now: int) -> None:
        """Ask a control unit soon again for what was asked and did not come."""
        for item in self._items:
            if item.pid in pids and self.knowledge.source(item.wanted) == word:
                item.due = now

    def next_due(self, now: int) -> int:
        """Return the time (ns) at which `due` has to be called at the latest, if no frame comes before."""
        times = [now + SPEED_EVERY, *(asked.until for asked in self._asked)]
        if self._go_on:
            return now
        if self._free > now:
            times.append(self._free)
        else:
            if not self._o.while_moving and not self._asked:
                times.append(self._speed_due)
            if self._finding and not self._asked:
                times.append(self._find_due)
            if self._stands(now) and not self._finding and (self._o.ask_one or not self._asked):
                times += [when for when, _, _ in self._open_items()]
        return max(min(times), now + _MS)

    # -- what to tell

    def _in_words(self, now: int) -> str:
        if not self._items:
            return "nothing to ask"
        if self._quiet:
            return (
                f"paused because the car moves ({self._kmh} km/h); asks for the speed again after {self._o.again_s:g} s"
            )
        if not self._stands(now):
            return "asks for the vehicle speed and nothing else, because it is not known whether the car stands"
        if self._finding:
            return "looking for control units"
        source = self.knowledge.source
        missing = [_named(item.wanted) for item in self._items if not item.scale_of and not source(item.wanted)]
        told = ", ".join(shown(word) for word in sorted(self.knowledge.units))
        silent = ", ".join(
            shown(word) for word in sorted(self._rest) if now < self._rest[word] and self._misses[word] >= SILENT
        )
        return (
            f"asking {told}"
            + (f"; {silent} does not answer" if silent else "")
            + (f"; no control unit has PID {', '.join(missing)}" if missing else "")
        )


def _named(wanted: Wanted) -> str:
    return f"{wanted.reading.pid:02X}" + (f" of {shown(wanted.unit)}" if wanted.unit else "")
