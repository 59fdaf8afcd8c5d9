"""A process beside the benchmark that plays two devices on TCP: one sends lines, the other floods half of the time.

    python flooder.py SECONDS BYTES_PER_S

Prints both ports. Once both have a client it sends 200 lines a second on the first, each with the time of its writing
(µs since ZERO), and in the second half of SECONDS random bytes on the second. At its end it prints as JSON the lines
sent in each half, the bytes flooded, ZERO and the begin of the second half (ns of the session clock's time base).
"""

from __future__ import annotations

import json
import random
import socket
import sys
import time

CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
LINES_PER_S = 200
STEP_NS = 1_000_000


def main() -> None:
    """Send, on time."""
    seconds, rate = float(sys.argv[1]), int(sys.argv[2])
    servers = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
    print(*(server.getsockname()[1] for server in servers), flush=True)
    talks, floods = (server.accept()[0] for server in servers)
    for client in (talks, floods):
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    floods.setblocking(False)
    garbage = random.Random(1).randbytes(1 << 20)
    begin = time.clock_gettime_ns(CLOCK)
    zero = begin - 1_000_000_000
    half, end = begin + int(seconds * 5e8), begin + int(seconds * 1e9)
    sent, flooded, lines_due = [0, 0], 0, begin
    at = 0
    while (now := time.clock_gettime_ns(CLOCK)) < end:
        loud = now >= half
        if loud:
            due = (now - half) * rate // 1_000_000_000 - flooded
            while due > 0:
                try:
                    done = floods.send(garbage[at : at + min(due, 65_536)])
                except BlockingIOError:
                    break
                at = (at + done) % (1 << 19)
                flooded += done
                due -= done
        while lines_due <= now:
            talks.sendall(b"at=%d\n" % ((time.clock_gettime_ns(CLOCK) - zero) // 1_000))
            sent[loud] += 1
            lines_due += 1_000_000_000 // LINES_PER_S
        time.sleep(max(0.0, min(lines_due - now, STEP_NS) / 1e9))
    print(json.dumps({"sent": sent, "flooded": flooded, "zero": zero, "half": half}), flush=True)
    sys.stdin.readline()


if __name__ == "__main__":
    main()
