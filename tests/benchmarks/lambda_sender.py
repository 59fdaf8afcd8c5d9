"""A process beside the benchmark that plays a lambda controller on TCP: rich, and now and then one sample that is lean.

    python lambda_sender.py COUNT

Prints its port. Once it has a client and was told to go on stdin, it sends a line every 10 ms, and COUNT times a lean
one at some instant between two lines; after each long enough for the alarm to end. At its end it prints as JSON when
each lean line was written (ns of the session clock's time base).
"""

from __future__ import annotations

import json
import random
import socket
import sys
import time

CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
RICH, LEAN = b"lambda=0.82\n", b"lambda=0.99\n"


def main() -> None:
    """Send, on time."""
    count = int(sys.argv[1])
    rng = random.Random(1)
    server = socket.create_server(("127.0.0.1", 0))
    print(server.getsockname()[1], flush=True)
    client = server.accept()[0]
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    sys.stdin.readline()
    sent = []
    for _ in range(count):
        for _ in range(4):
            client.sendall(RICH)
            time.sleep(0.010)
        time.sleep(rng.uniform(0.0, 0.010))
        sent.append(time.clock_gettime_ns(CLOCK))
        client.sendall(LEAN)
        time.sleep(0.020)
    client.sendall(RICH)
    print(json.dumps(sent), flush=True)
    sys.stdin.readline()


if __name__ == "__main__":
    main()
