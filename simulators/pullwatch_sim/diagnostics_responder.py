"""A program: the car's control units answering on-board diagnostics, behind a serial-line CAN adapter (slcan).

    python -m pullwatch_sim.diagnostics_responder --scenario short-pull --listen 127.0.0.1:0
    python -m pullwatch_sim.diagnostics_responder --scenario short-pull --listen 127.0.0.1:0 --bits 29 --units 2

The engine's unit answers under 7E8 (29 bits: 18DAF110), a second one, the gearbox's, under 7E9 (18DAF118). They answer
service 01 as ISO 15031-5 has it, to one PID or up to six, in a single frame or, with flow control, in several
(ISO 15765-2). Nothing is sent that was not asked for.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections import deque
from typing import TYPE_CHECKING, Final

import numpy as np

from pullwatch_sim.can_node import SlcanAdapter
from pullwatch_sim.play import arguments_of, away_spans, play
from pullwatch_sim.sensors import Readings
from pullwatch_sim.tape import Tape, record_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch_sim.play import Device
    from pullwatch_sim.truth import Truth

MS: Final = 1_000_000
FLOW_PATIENCE: Final = 1_000 * MS
"""How long a unit waits for flow control (ISO 15765-2, N_Bs, general; from memory)."""
TO_ALL: Final = {11: 0x7DF, 29: 0x18DB33F1}
RESERVED_SEPARATION: Final = 127_000
"""Microseconds taken for a code that means nothing."""
_FRAME: Final = re.compile(rb"(?:t([0-7][0-9A-Fa-f]{2})|T([01][0-9A-Fa-f]{7}))([0-8])((?:[0-9A-Fa-f]{2})*)")


def separation_us(code: int) -> int:
    """Return the least microseconds between two frames that a flow control asks for (ISO 15765-2, STmin)."""
    if code <= 0x7F:
        return code * 1_000
    if 0xF1 <= code <= 0xF9:
        return (code - 0xF0) * 100
    return RESERVED_SEPARATION


def _whole(value: float, most: int) -> int:
    return min(max(round(value), 0), most)


def _byte(value: float) -> bytes:
    return bytes([_whole(value, 255)])


def _word(value: float) -> bytes:
    return _whole(value, 65_535).to_bytes(2, "big")


class Car:
    """What the sensors say at any time, coded as each PID has it. `wide` gives manifold pressure up to 400 kPa (4F)."""

    def __init__(self, truth: Truth, *, wide: bool) -> None:
        self._truth = truth
        self._wide = wide
        channels = (
            "engine_speed", "manifold_pressure", "barometric_pressure", "throttle", "pedal", "vehicle_speed", "lambda",
            "lambda_target", "ignition_advance", "coolant_temperature", "oil_temperature", "intake_air_temperature",
            "battery_voltage", "wastegate_duty", "boost_target",
        )  # fmt: skip
        times = np.arange(len(truth.values["key"])) / 1_000.0
        readings = Readings(truth)
        self._sampled = {name: readings.sample(name, times) for name in channels}

    def _at(self, name: str, now: int) -> float:
        sampled = self._sampled[name]
        return float(sampled[min(max(now // MS, 0), len(sampled) - 1)])

    def engine(self) -> Mapping[int, Callable[[int], bytes]]:
        """Return what the engine's unit has: PID to its data at scenario ns."""
        at = self._at
        scale = 255 / 400 if self._wide else 1.0
        found: dict[int, Callable[[int], bytes]] = {
            0x04: lambda now: _byte(at("throttle", now) * 2.55),
            0x05: lambda now: _byte(at("coolant_temperature", now) + 40),
            0x0B: lambda now: _byte(at("manifold_pressure", now) * scale),
            0x0C: lambda now: _word(at("engine_speed", now) * 4),
            0x0D: lambda now: _byte(at("vehicle_speed", now)),
            0x0E: lambda now: _byte((at("ignition_advance", now) + 64) * 2),
            0x0F: lambda now: _byte(at("intake_air_temperature", now) + 40),
            0x11: lambda now: _byte(at("throttle", now) * 2.55),
            0x33: lambda now: _byte(at("barometric_pressure", now)),
            0x34: lambda now: _word(at("lambda", now) * 32_768) + _word(32_768),
            0x42: lambda now: _word(at("battery_voltage", now) * 1_000),
            0x44: lambda now: _word(at("lambda_target", now) * 32_768),
            0x49: lambda now: _byte(at("pedal", now) * 2.55),
            0x5C: lambda now: _byte(at("oil_temperature", now) + 40),
            0x70: lambda now: (
                b"\x03" + _word(at("boost_target", now) * 32) + _word(at("manifold_pressure", now) * 32) + bytes(5)
            ),
            0x72: lambda now: b"\x01" + _byte(at("wastegate_duty", now) * 2.55) + bytes(3),
        }
        if self._wide:
            found[0x4F] = lambda _: bytes([0, 0, 0, 40])
        return found

    def gearbox(self) -> Mapping[int, Callable[[int], bytes]]:
        """Return what the gearbox's unit has. It tells the engine's speed too, a little late."""
        return {
            0x05: lambda now: _byte(self._at("oil_temperature", now) + 30),
            0x0C: lambda now: _word(self._at("engine_speed", now - 40 * MS) * 4),
            0x0D: lambda now: _byte(self._at("vehicle_speed", now)),
        }


class _Answer:
    """A long answer on its way: what is left of it, and how the tester wants it."""

    def __init__(self, payload: bytes, until: int) -> None:
        self.left = payload
        self.number = 1
        self.until = until
        self.block = 0
        """Frames until the next flow control; -1: all that are left."""
        self.separation = 0
        self.next = 0

    def consecutive(self) -> bytes:
        """Take the next frame out."""
        data, self.left = self.left[:7], self.left[7:]
        frame = bytes([0x20 | self.number & 15]) + data
        self.number += 1
        return frame.ljust(8, b"\xaa")


class Unit:
    """One control unit. `pending_ms` above 0: it says "pending" first and answers so much later."""

    def __init__(
        self,
        answers: int,
        hears: int,
        to_all: int,
        has: Mapping[int, Callable[[int], bytes]],
        *,
        delay_ms: float = 8.0,
        pending_ms: float = 0.0,
        singly: bool = False,
        silent: tuple[int, int] = (0, 0),
    ) -> None:
        self.answers, self.hears, self.to_all = answers, hears, to_all
        self.asked: list[bytes] = []
        """Requests heard, at most 10,000."""
        self._has = has
        self._delay = round(delay_ms * MS)
        self._pending = round(pending_ms * MS)
        self._singly = singly
        self._silent = silent
        self._waiting: deque[tuple[int, bytes]] = deque()
        self._long: _Answer | None = None

    def hear(self, can_id: int, data: bytes, now: int) -> None:
        """Take a frame from the bus."""
        if can_id not in (self.hears, self.to_all) or not data or self._silent[0] <= now < self._silent[1]:
            return
        kind = data[0] >> 4
        if kind == 0 and 1 <= data[0] <= 7 and len(data) > data[0]:
            self._request(data[1 : 1 + data[0]], now, physical=can_id == self.hears)
        elif kind == 3 and can_id == self.hears and len(data) >= 3 and self._long is not None:
            self._flow(self._long, data, now)

    def _request(self, payload: bytes, now: int, *, physical: bool) -> None:
        if len(self.asked) < 10_000:
            self.asked.append(payload)
        pids = payload[1:]
        if payload[0] != 0x01 or not 1 <= len(pids) <= 6 or (self._singly and len(pids) > 1):
            if physical:
                self._waiting.append((now + self._delay, bytes([0x7F, payload[0], 0x12])))
            return
        parts = [bytes([pid]) + data for pid in pids if (data := self._data(pid, now)) is not None]
        if not parts:
            return
        if self._pending:
            self._waiting.append((now + self._delay, bytes([0x7F, 0x01, 0x78])))
        self._waiting.append((now + self._delay + self._pending, b"\x41" + b"".join(parts)))

    def _data(self, pid: int, now: int) -> bytes | None:
        if pid % 0x20 == 0:
            bits = 0
            for has in self._has:
                if pid < has <= pid + 0x20:
                    bits |= 1 << (pid + 0x20 - has)
            if any(has > pid + 0x20 for has in self._has):
                bits |= 1
            return bits.to_bytes(4, "big") if bits or not pid else None
        return self._has[pid](now) if pid in self._has else None

    def _flow(self, answer: _Answer, data: bytes, now: int) -> None:
        if data[0] & 15 == 1:
            answer.until = now + FLOW_PATIENCE
        elif data[0] & 15 == 0:
            answer.block = data[1] or -1
            answer.separation = separation_us(data[2]) * 1_000
            answer.next = now
            answer.until = 1 << 62
        else:
            self._long = None

    def due(self, now: int) -> list[bytes]:
        """Return the frames it sends by now."""
        frames = []
        if self._long is not None and now >= self._long.until:
            self._long = None
        while (answer := self._long) is not None and answer.block and now >= answer.next:
            frames.append(answer.consecutive())
            answer.next = now + answer.separation
            answer.block -= answer.block > 0
            if not answer.left:
                self._long = None
            elif not answer.block:
                answer.until = now + FLOW_PATIENCE
        while self._waiting and self._long is None and now >= self._waiting[0][0]:
            payload = self._waiting.popleft()[1]
            if len(payload) <= 7:
                frames.append((bytes([len(payload)]) + payload).ljust(8, b"\xaa"))
                continue
            frames.append(bytes([0x10 | len(payload) >> 8, len(payload) & 255]) + payload[:6])
            self._long = _Answer(payload[6:], now + FLOW_PATIENCE)
        return frames

    def next_due(self) -> int:
        """Scenario ns at which it sends again; far away when nothing is to be sent."""
        if self._long is not None:
            return self._long.next if self._long.block else self._long.until
        return self._waiting[0][0] if self._waiting else 1 << 62


class Responder(SlcanAdapter):
    """The adapter on a bus on which control units answer."""

    def __init__(
        self,
        tape: Tape,
        duration: int,
        units: Sequence[Unit],
        *,
        repeats: int = 1,
        away: Sequence[tuple[int, int]] = (),
    ) -> None:
        super().__init__(tape, duration, repeats=repeats, away=away)
        self.units = units

    def _obey(self, command: bytes, now: int) -> bytes:
        said = super()._obey(command, now)
        found = _FRAME.fullmatch(command)
        if said != b"\a" and found is not None:
            for unit in self.units:
                unit.hear(int(found[1] or found[2], 16), bytes.fromhex(found[4].decode()), now)
        return said

    def due(self, now: int) -> tuple[bytes, int]:
        """Return what passed by on the bus, answers among it."""
        data, lines = super().due(now)
        answers = [_line(unit.answers, frame) for unit in self.units for frame in unit.due(now)]
        if not self.is_open:
            return b"", 0
        return data + b"".join(answers), lines + len(answers)

    def next_due(self) -> int:
        """Scenario ns of the next frame."""
        return min(super().next_due(), *(unit.next_due() for unit in self.units))


def _line(can_id: int, data: bytes) -> bytes:
    head = b"t%03X" % can_id if can_id <= 0x7FF else b"T%08X" % can_id
    return head + b"%d" % len(data) + data.hex().upper().encode() + b"\r"


def units_of(truth: Truth, chosen: argparse.Namespace) -> list[Unit]:
    """Return the control units that the arguments ask for."""
    car = Car(truth, wide=chosen.wide_manifold)
    names = {11: ((0x7E8, 0x7E0), (0x7E9, 0x7E1)), 29: ((0x18DAF110, 0x18DA10F1), (0x18DAF118, 0x18DA18F1))}
    silent = tuple(round(second * 1e9) for second in chosen.silent)
    return [
        Unit(
            answers,
            hears,
            TO_ALL[chosen.bits],
            has,
            delay_ms=chosen.delay_ms,
            pending_ms=chosen.pending_ms,
            singly=chosen.singly,
            silent=(silent[0], silent[1]),
        )
        for (answers, hears), has in zip(names[chosen.bits], (car.engine(), car.gearbox()), strict=True)
    ][: chosen.units]


def main(arguments: Sequence[str] | None = None) -> int:
    """Play a scenario's control units behind an slcan adapter."""
    parser = arguments_of(argparse.ArgumentParser(prog="pullwatch_sim.diagnostics_responder", description=main.__doc__))
    parser.add_argument("--bits", type=int, choices=(11, 29), default=11, help="of the identifiers (default 11)")
    parser.add_argument("--units", type=int, choices=(1, 2), default=1, help="control units that answer (default 1)")
    parser.add_argument("--delay-ms", type=float, default=8.0, help="from request to answer (default 8)")
    parser.add_argument("--pending-ms", type=float, default=0.0, help="say pending first, answer so much later")
    parser.add_argument("--singly", action="store_true", help="refuse requests for several PIDs")
    parser.add_argument("--wide-manifold", action="store_true", help="PID 0B up to 400 kPa, told by PID 4F")
    parser.add_argument(
        "--silent", type=float, nargs=2, metavar=("FROM_S", "UNTIL_S"), default=(0.0, 0.0), help="hear nothing then"
    )
    chosen = parser.parse_args(arguments)
    if not 0.0 <= chosen.delay_ms <= 10_000.0 or not 0.0 <= chosen.pending_ms <= 10_000.0:
        parser.error("--delay-ms and --pending-ms: expected 0 to 10000")

    def build(truth: Truth) -> tuple[Device, int]:
        duration = round(truth.duration_s * 1e9)
        nothing = record_lines(np.zeros(0, dtype=np.int64), [])
        responder = Responder(
            nothing,
            duration,
            units_of(truth, chosen),
            repeats=chosen.repeat,
            away=away_spans(truth, "can_unplugged"),
        )
        return responder, responder.end

    return play(parser, chosen, build)


if __name__ == "__main__":
    sys.exit(main())
