"""A full bus on the wire: one slcan adapter at 8,000 frames/s and four serial feeds at 115,200 Bd, as a program.

`python full_bus.py SECONDS BURST_US` prints the ports it listens on (CAN first), waits until all are taken, plays, and
then prints one line of JSON: the steady-clock times (ns) at which the bytes that move the toggled signal were
handed to the system.

The toggled signal (`Toggle.Value`, identifier 0x200) goes from 0 to 100 and back every `TOGGLE_EVERY` frames.
"""

from __future__ import annotations

import json
import socket
import struct
import sys
import time

FRAMES_PER_S = 8_000
TOGGLE_EVERY = 400
SERIAL_BYTES_PER_S = 11_520
IDENTIFIERS = 16

DBC = (
    'VERSION ""\n\nBU_: X\n\n'
    + "".join(
        f"BO_ {0x100 + i} Bus{i:02d}: 8 X\n"
        + "".join(f' SG_ S{j} : {16 * j}|16@1+ (0.1,0) [0|6553.5] "kPa" X\n' for j in range(4))
        + "\n"
        for i in range(IDENTIFIERS)
    )
    + 'BO_ 512 Toggle: 8 X\n SG_ Value : 0|16@1+ (1,0) [0|65535] "kPa" X\n'
)


def clock() -> int:
    """Nanoseconds of the clock the monitor uses too."""
    return time.clock_gettime_ns(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def frame(number: int, toggled: bool) -> bytes:
    """Return the slcan line of one frame of the bus."""
    if number % TOGGLE_EVERY == 0:
        data = struct.pack("<HHHH", 100 if toggled else 0, 0, 0, 0)
        return b"t2008" + data.hex().upper().encode() + b"\r"
    which = number % IDENTIFIERS
    data = struct.pack("<HHHH", *(900 + (number * (j + 3)) % 50 for j in range(4)))
    return f"t{0x100 + which:03X}8".encode() + data.hex().upper().encode() + b"\r"


def main(seconds: float, burst_us: int) -> None:
    """Listen, wait for all feeds, play."""
    servers = [socket.create_server(("127.0.0.1", 0)) for _ in range(5)]
    print(*(server.getsockname()[1] for server in servers), flush=True)
    taken = [server.accept()[0] for server in servers]
    for connection in taken:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    can, serials = taken[0], taken[1:]
    heard = b""
    while b"L\r" not in heard and b"O\r" not in heard:  # the adapter sends when it has been opened
        heard += can.recv(256)
        can.sendall(b"\r")
    line = b"pressure=123.4;state=ready\r\n"
    toggles: list[int] = []
    per_burst = FRAMES_PER_S * burst_us // 1_000_000
    bursts = int(seconds * 1e6) // burst_us
    number, toggled, owed = 1, False, [0.0] * 4
    begin = clock()
    for burst in range(bursts):
        due = begin + burst * burst_us * 1000
        wait = due - clock()
        if wait > 0:
            time.sleep(wait / 1e9)
        text = []
        has_toggle = False
        for _ in range(per_burst):
            if number % TOGGLE_EVERY == 0:
                toggled = not toggled
                has_toggle = True
            text.append(frame(number, toggled))
            number += 1
        data = b"".join(text)
        if has_toggle:
            toggles.append(clock())
        can.sendall(data)
        for i, serial in enumerate(serials):
            owed[i] += SERIAL_BYTES_PER_S * burst_us / 1e6
            if owed[i] >= len(line):
                owed[i] -= len(line)
                serial.sendall(line)
    print(
        json.dumps({"toggles": toggles, "frames": number - 1, "late_ns": clock() - begin - bursts * burst_us * 1000}),
        flush=True,
    )
    sys.stdin.readline()


if __name__ == "__main__":
    main(float(sys.argv[1]), int(sys.argv[2]))
