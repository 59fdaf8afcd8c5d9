r"""A program: a satellite receiver that sends NMEA 0183 sentences of where the car is and how fast.

For each fix come `$GNRMC`, `$GNGGA` and `$GNVTG`, late by the receiver's lag and by the wire. It needs some seconds to
its first fix; under a bridge (fault `fix_lost`) it reckons on for a second, then has none. On a dyno the car stands.

    python -m pullwatch_sim.gps --scenario strip-pass --listen 127.0.0.1:0 --rate-hz 10
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Final

import numpy as np
from geographiclib.geodesic import Geodesic

from pullwatch_sim.can_frames import during
from pullwatch_sim.play import arguments_of, away_spans, play
from pullwatch_sim.sensors import generator
from pullwatch_sim.serial_lambda import LambdaController
from pullwatch_sim.tape import BUNDLE_NS, Tape, damage, record_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pullwatch_sim.play import Device
    from pullwatch_sim.truth import Truth

START: Final = (-0.5, -25.0)
"""Degrees north and east: open sea in the Atlantic, where no car has ever been."""
DAY: Final = "250326"
NOON_S: Final = 12 * 3_600
"""The scenario begins at noon UTC of a day that is none in particular."""
STRAIGHT_M: Final = 500.0
RADIUS_M: Final = 80.0
"""The oval: two straights and two half circles."""

SPEED_NOISE_M_S: Final = 0.03
FIX_NOISE_M: Final = 0.02
"""From one fix to the next."""
WANDER_M: Final = 0.8
"""How far all fixes of a minute lie beside the truth together."""
RECKONED_S: Final = 1.0
"""How long the receiver reckons on without satellites."""
BACK_S: Final = 0.5
"""From the end of the bridge to the next fix."""
KNOT_M_S: Final = 1_852.0 / 3_600.0

NO_FIX, FIX, RECKONED = "N", "A", "E"
QUALITY: Final[Mapping[str, int]] = {NO_FIX: 0, FIX: 1, RECKONED: 6}


def strip(metres: float) -> tuple[float, float, float]:
    """Return metres east and north of the start, and the course, after so many metres of a straight due east."""
    return metres, 0.0, 90.0


def oval(metres: float) -> tuple[float, float, float]:
    """Return the same on a closed course, driven to the left: straight, half circle, straight, half circle."""
    bend = math.pi * RADIUS_M
    s = metres % (2.0 * (STRAIGHT_M + bend))
    back = s >= STRAIGHT_M + bend
    s -= (STRAIGHT_M + bend) * back
    turned = max(s - STRAIGHT_M, 0.0) / RADIUS_M
    east = min(s, STRAIGHT_M) + RADIUS_M * math.sin(turned)
    north = RADIUS_M * (1.0 - math.cos(turned))
    course = 90.0 - math.degrees(turned)
    if back:
        return STRAIGHT_M - east, 2.0 * RADIUS_M - north, (course + 180.0) % 360.0
    return east, north, course % 360.0


COURSES: Final[Mapping[str, Callable[[float], tuple[float, float, float]]]] = {"strip": strip, "oval": oval}


@dataclass(frozen=True, slots=True)
class Fix:
    """One fix as the receiver sees it; `state` says whether it is one."""

    t_s: float
    state: str
    latitude: float
    longitude: float
    metres_per_second: float
    course: float
    satellites: int


@dataclass(frozen=True, slots=True)
class Receiver:
    """How the receiver is set up."""

    rate_hz: float = 10.0
    lag_ms: float = 180.0
    baud: int = 38_400
    first_fix_s: float = 3.0
    sentences: tuple[str, ...] = ("RMC", "GGA", "VTG")
    course: str = "strip"


def fixes_of(truth: Truth, receiver: Receiver) -> list[Fix]:
    """Return the fixes of the whole evening."""
    times = np.arange(0.0, truth.duration_s, 1.0 / receiver.rate_hz)
    moves = truth.scenario.on == "road"  # on a dyno the wheels turn, and the car stands
    speed = truth.values["speed_m_s"] * float(moves)
    way = np.cumsum(speed) * 0.001
    random = generator(truth.scenario.seed, "satellites")
    beside = random.standard_normal((3, len(times)))
    phase = random.random(2) * 2.0 * math.pi
    bridges = [(h.begin_s, h.end_s + BACK_S) for h in truth.happenings if h.kind == "fix_lost"]
    found = []
    for i, t in enumerate(times.tolist()):
        at = min(int(t * 1_000.0), len(way) - 1)
        state = FIX if t >= receiver.first_fix_s else NO_FIX
        metres, driven = float(way[at]), float(speed[at])
        for begin, end in bridges:
            if begin <= t < end and state == FIX:
                state = RECKONED if t < begin + RECKONED_S else NO_FIX
                # Reckoned on is what it last knew, whatever the driver does meanwhile.
                last = min(int(begin * 1_000.0), len(way) - 1)
                driven = float(speed[last])
                metres = float(way[last]) + driven * (t - begin)
        east, north, course = COURSES[receiver.course](metres)
        east += WANDER_M * math.sin(t / 9.0 + phase[0]) + FIX_NOISE_M * beside[0, i]
        north += WANDER_M * math.sin(t / 11.0 + phase[1]) + FIX_NOISE_M * beside[1, i]
        azimuth = math.degrees(math.atan2(east, north))
        there = Geodesic.WGS84.Direct(*START, azimuth, math.hypot(east, north))
        seen = abs(driven + SPEED_NOISE_M_S * float(beside[2, i]))
        satellites = 11 + i // 50 % 3 if state == FIX else 2
        found.append(Fix(t, state, there["lat2"], there["lon2"], seen, course, satellites))
    return found


def signed(body: str) -> bytes:
    """Return a sentence with its checksum and end: the exclusive or of the bytes between $ and *."""
    return b"$%s*%02X\r\n" % (body.encode(), reduce(xor, body.encode(), 0))


def _angle(degrees: float, digits: int, halves: str) -> str:
    """Write an angle as degrees and minutes in one, then the half of the globe."""
    ticks = round(abs(degrees) * 60.0 * 1e5)
    whole, minutes = divmod(ticks, 6_000_000)
    return f"{whole:0{digits}}{minutes / 1e5:08.5f},{halves[degrees < 0.0]}"


def sentence(kind: str, fix: Fix) -> bytes:
    """Write one sentence of a fix."""
    hundredths = round((NOON_S + fix.t_s) * 100.0) % 8_640_000
    hours, rest = divmod(hundredths, 360_000)
    time = f"{hours:02}{rest // 6_000:02}{rest % 6_000 / 100:05.2f}"
    there = fix.state != NO_FIX
    where = f"{_angle(fix.latitude, 2, 'NS')},{_angle(fix.longitude, 3, 'EW')}" if there else ",,,"
    knots = f"{fix.metres_per_second / KNOT_M_S:.2f}" if there else ""
    kmh = f"{fix.metres_per_second * 3.6:.2f}" if there else ""
    course = f"{fix.course:.2f}" if there and fix.metres_per_second > 1.0 else ""
    match kind:
        case "RMC":
            status = "A" if fix.state == FIX else "V"
            return signed(f"GNRMC,{time},{status},{where},{knots},{course},{DAY},,,{fix.state}")
        case "GGA":
            beside = "0.8,5.4,M,18.0,M" if there else "99.99,,,,"
            return signed(f"GNGGA,{time},{where},{QUALITY[fix.state]},{fix.satellites:02},{beside},,")
        case _:
            units = f"{course},T,,M,{knots},N,{kmh},K" if there else ",,,,,,,"
            return signed(f"GNVTG,{units},{fix.state}")


def record_gps(truth: Truth, receiver: Receiver) -> Tape:
    """Write the whole evening of the receiver's sentences; each leaves when its last byte is on the wire."""
    confounders = truth.scenario.confounders
    random = generator(truth.scenario.seed, "satellite line")
    times: list[int] = []
    lines: list[bytes] = []
    free = 0
    for fix in fixes_of(truth, receiver):
        ready = round((fix.t_s * 1e3 + receiver.lag_ms) * 1e6)
        for kind in receiver.sentences:
            line = sentence(kind, fix)
            free = max(free, ready) + len(line) * 10 * 1_000_000_000 // receiver.baud
            times.append(free)
            lines.append(line)
    at = np.array(times, dtype=np.int64)
    for happening in truth.happenings:
        if happening.kind == "gps_garbage":
            hit = during(happening, at) & (random.random(len(at)) < happening.number("share"))
            for i in np.flatnonzero(hit).tolist():
                lines[i] = damage(lines[i], random)
    return record_lines(at, lines, BUNDLE_NS if "usb_bundles" in confounders else 0)


def main(arguments: Sequence[str] | None = None) -> int:
    """Play a scenario's satellite receiver."""
    usual = Receiver()
    parser = arguments_of(argparse.ArgumentParser(prog="pullwatch_sim.gps", description=main.__doc__))
    parser.add_argument("--rate-hz", type=float, default=usual.rate_hz, help="fixes a second, 1 to 25 (default 10)")
    parser.add_argument("--lag-ms", type=float, default=usual.lag_ms, help="from the fix to its first byte (180)")
    parser.add_argument("--baud", type=int, default=usual.baud, help="how fast bytes leave (default 38400)")
    parser.add_argument("--first-fix-s", type=float, default=usual.first_fix_s, help="seconds without a fix (3)")
    parser.add_argument("--sentences", default=",".join(usual.sentences), help="RMC, GGA, VTG with commas between")
    parser.add_argument("--course", choices=list(COURSES), default=usual.course, help="where the car drives")
    chosen = parser.parse_args(arguments)
    sentences = tuple(chosen.sentences.split(","))
    if not 1.0 <= chosen.rate_hz <= 25.0:
        parser.error(f"--rate-hz {chosen.rate_hz:g}: expected 1 to 25")
    if not (0.0 <= chosen.lag_ms <= 10_000.0 and chosen.first_fix_s >= 0.0 and chosen.baud >= 300):
        parser.error("expected --lag-ms 0 to 10000, --first-fix-s 0 or more, --baud 300 or more")
    if not set(sentences) <= set(usual.sentences):
        parser.error(f"--sentences {chosen.sentences}: expected {', '.join(usual.sentences)} with commas between")
    receiver = Receiver(chosen.rate_hz, chosen.lag_ms, chosen.baud, chosen.first_fix_s, sentences, chosen.course)

    def build(truth: Truth) -> tuple[Device, int]:
        device = LambdaController(
            record_gps(truth, receiver),
            round(truth.duration_s * 1e9),
            repeats=chosen.repeat,
            away=away_spans(truth, "gps_unplugged"),
        )
        return device, device.end

    return play(parser, chosen, build)


if __name__ == "__main__":
    sys.exit(main())
