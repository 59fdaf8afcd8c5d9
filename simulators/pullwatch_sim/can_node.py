"""A program: the car's CAN bus behind a serial-line CAN adapter that speaks slcan.

    python -m pullwatch_sim.can_node --scenario dyno-evening --listen 127.0.0.1:0
    python -m pullwatch_sim.can_node --scenario dyno-evening --pty /tmp/can --start-at 123456789

The commands are those of the ASCII protocol that many adapters share: C, Sn, sxxyy, O, L, V, N, F, Zn,
and t, T, r, R for sending. CR ends a command and is the answer when all is well; BEL is the answer when it is not.
"""

from __future__ import annotations

import argparse
import re
import sys
from typing import TYPE_CHECKING

from pullwatch_sim.can_frames import FULL_RATE, USUAL_RATE, record_bus
from pullwatch_sim.play import Cursor, arguments_of, away_spans, play

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch_sim.play import Device
    from pullwatch_sim.tape import Tape
    from pullwatch_sim.truth import Truth

CR, BEL = b"\r", b"\a"
BITRATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""S0 to S8 (as published; some adapters take S7 for 750 kbit/s)."""
LONGEST_COMMAND = 64
_SEND = re.compile(rb"(?:t[0-7][0-9A-Fa-f]{2}|T[01][0-9A-Fa-f]{7})([0-8])((?:[0-9A-Fa-f]{2})*)")
_ASK = re.compile(rb"(?:r[0-7][0-9A-Fa-f]{2}|R[01][0-9A-Fa-f]{7})[0-8]")


class SlcanAdapter:
    """The adapter: closed until told otherwise, sends frames only while open, hears only a bus of its bit rate."""

    def __init__(
        self,
        tape: Tape,
        duration: int,
        *,
        repeats: int = 1,
        bitrate: int = 0,
        away: Sequence[tuple[int, int]] = (),
    ) -> None:
        self.away = away
        self.sent_by_client: list[bytes] = []
        """Frames that a client sent onto the bus, at most 1,000."""
        self.lines_lost = 0
        self._cursor = Cursor(tape, duration, repeats)
        self._bus_rate = bitrate
        self._reset()

    def _reset(self) -> None:
        self._typed = bytearray()
        self._rate = 0
        self._open = False
        self._listen_only = False
        self._stamps = False
        self._overrun = False

    @property
    def end(self) -> int:
        """Scenario ns at which the last evening is over."""
        return self._cursor.end

    @property
    def is_open(self) -> bool:
        """Whether frames are passed on."""
        return self._open

    def met(self, now: int) -> None:
        """Be, for a new client, as after power-up: closed."""
        self._reset()
        self._cursor.skip_to(now)

    def answer(self, data: bytes, now: int) -> bytes:
        """Obey every whole command in what has come so far."""
        said = bytearray()
        for byte in data:
            if byte != CR[0]:
                self._typed.append(byte)
                if len(self._typed) > LONGEST_COMMAND:
                    self._typed.clear()
                    said += BEL
                continue
            command = bytes(self._typed)
            self._typed.clear()
            said += self._obey(command, now)
        return bytes(said)

    def _obey(self, command: bytes, now: int) -> bytes:
        head, rest = command[:1], command[1:]
        match head:
            case b"":
                return CR
            case b"V" if not rest:
                return b"V1013" + CR
            case b"N" if not rest:
                return b"NCH42" + CR
            case b"S" if rest in (b"0", b"1", b"2", b"3", b"4", b"5", b"6", b"7", b"8") and not self._open:
                self._rate = BITRATES[int(rest)]
                return CR
            case b"s" if re.fullmatch(rb"[0-9A-Fa-f]{4}", rest) and not self._open:
                # Timing registers: whoever sets them by hand is taken to know this bus.
                self._rate = self._bus_rate or BITRATES[6]
                return CR
            case b"O" | b"L" if not rest and self._rate and not self._open:
                self._open, self._listen_only = True, head == b"L"
                self._cursor.skip_to(now)
                return CR
            case b"C" if not rest and self._open:
                self._open = False
                return CR
            case b"Z" if rest in (b"0", b"1") and not self._open:
                self._stamps = rest == b"1"
                return CR
            case b"F" if not rest and self._open:
                flags = 0x01 if self._overrun else 0x00
                self._overrun = False
                return b"F%02X" % flags + CR
            case b"t" | b"T" | b"r" | b"R":
                return self._put_on_bus(command)
            case _:
                return BEL

    def _put_on_bus(self, command: bytes) -> bytes:
        if not self._open or self._listen_only:
            return BEL
        frame = _SEND.fullmatch(command)
        if not (frame and len(frame[2]) == 2 * int(frame[1])) and not _ASK.fullmatch(command):
            return BEL
        if len(self.sent_by_client) < 1_000:
            self.sent_by_client.append(command)
        return (b"z" if command[:1] in b"tr" else b"Z") + CR

    def due(self, now: int) -> tuple[bytes, int]:
        """Return the frames that passed by on the bus, if the adapter is open and at the right bit rate."""
        data, lines = self._cursor.take(now)
        if not self._open or (self._bus_rate and self._rate != self._bus_rate):
            return b"", 0
        if self._stamps and data:
            stamp = b"%04X" % (now // 1_000_000 % 60_000)
            data = data.replace(CR, stamp + CR)
        return data, lines

    def next_due(self) -> int:
        """Scenario ns of the next frame."""
        return self._cursor.next_due()

    def lost(self, lines: int) -> None:
        """Count what the client was too slow for; the status flags say so once."""
        self.lines_lost += lines
        self._overrun = True


def main(arguments: Sequence[str] | None = None) -> int:
    """Play a scenario's CAN bus behind an slcan adapter."""
    parser = arguments_of(argparse.ArgumentParser(prog="pullwatch_sim.can_node", description=main.__doc__))
    parser.add_argument("--bitrate", type=int, default=0, help="of the bus; 0: whatever the client says is right")
    load = parser.add_mutually_exclusive_group()
    load.add_argument("--frames-per-second", type=int, default=USUAL_RATE, help=f"in all (default {USUAL_RATE})")
    load.add_argument("--full-bus", action="store_true", help=f"{FULL_RATE} frames a second")
    chosen = parser.parse_args(arguments)
    if not 310 <= chosen.frames_per_second <= 20_000:
        parser.error(f"--frames-per-second {chosen.frames_per_second}: expected 310 (the car's own) to 20000")
    made: list[SlcanAdapter] = []

    def build(truth: Truth) -> tuple[Device, int]:
        tape = record_bus(truth, FULL_RATE if chosen.full_bus else chosen.frames_per_second)
        adapter = SlcanAdapter(
            tape,
            round(truth.duration_s * 1e9),
            repeats=chosen.repeat,
            bitrate=chosen.bitrate,
            away=away_spans(truth, "can_unplugged"),
        )
        made.append(adapter)
        return adapter, adapter.end

    try:
        return play(parser, chosen, build)
    finally:
        if made and made[0].lines_lost:
            print(f"the client was too slow for {made[0].lines_lost} frames", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
