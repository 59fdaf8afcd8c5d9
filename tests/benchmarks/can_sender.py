"""A process beside the benchmark that plays one end of a CAN adapter: frames at a rate, each with the time it was sent.

    python can_sender.py WIRE FORM RATE SECONDS

WIRE is a descriptor number that is handed down. FORM is slcan, serial or socketcand. The data of a frame are the time
of its writing, ns of the session clock's time base, big-endian. Frames that are due together are written together, as
a real adapter's USB packet or a server's segment holds them.
"""

from __future__ import annotations

import os
import struct
import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def slcan(data: bytes) -> bytes:
    return b"t1008" + data.hex().upper().encode() + b"\r"


def serial(data: bytes) -> bytes:
    return b"\xaa" + bytes(4) + b"\x08" + struct.pack("<I", 0x100) + data + b"\xbb"


def socketcand(data: bytes) -> bytes:
    return b"< frame 100 1.000000 " + data.hex().upper().encode() + b" >"


FORMS: dict[str, Callable[[bytes], bytes]] = {"slcan": slcan, "serial": serial, "socketcand": socketcand}


def main() -> None:
    """Send, on time, and say how many frames were sent and how many seconds it took."""
    wire, form, rate, seconds = int(sys.argv[1]), FORMS[sys.argv[2]], float(sys.argv[3]), float(sys.argv[4])
    os.set_blocking(wire, True)
    begin = time.clock_gettime_ns(CLOCK)
    count, sent = int(rate * seconds), 0
    while sent < count:
        now = time.clock_gettime_ns(CLOCK)
        due = min(count, int((now - begin) * rate / 1e9) + 1)
        if due == sent:
            time.sleep(max(0.0, (begin + sent * 1e9 / rate - now) / 1e9))
            continue
        data = b"".join(form(struct.pack(">Q", now)) for _ in range(due - sent))
        while data:
            data = data[os.write(wire, data) :]
        sent = due
    print(sent, (time.clock_gettime_ns(CLOCK) - begin) / 1e9)


if __name__ == "__main__":
    main()
