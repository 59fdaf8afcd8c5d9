"""A process that watches nothing but beats like one that does: run by the tests, killed and stopped by them.

Its one argument is JSON with the link's settings. On stdin it takes one command a line: `alarm`, `stuck SECONDS`,
`gil COUNT`, `fork` (leave a child behind that lives until stdin ends), `bye`. Its stderr is the sentinel's too. On
stdout it writes the process number of its sentinel, then every report.
"""

from __future__ import annotations

import json
import os
import select
import sys
import threading
import time
from pathlib import Path

from pullwatch.sentinel.link import SentinelLink
from pullwatch.watchdog.alarms import Priority, State


def main() -> None:
    """Beat until told to stop."""
    settings = json.loads(sys.argv[1])
    if "lock" in settings:
        settings["lock"] = Path(settings["lock"])
    link = SentinelLink(**settings)
    link.start()
    os.write(1, f"pid {link.pid}\n".encode())
    while True:
        link.beat()
        for report in link.poll():
            os.write(1, f"{report.what} {report.words}\n".encode())
        ready, _, _ = select.select([0, link.fileno()], [], [], 0.020)
        if 0 not in ready:
            continue
        command, _, argument = os.read(0, 100).decode().strip().partition(" ")
        if command == "alarm":
            link.alarm(Priority.CRITICAL, 0, State.UNACKNOWLEDGED)
        elif command == "stuck":
            until = time.monotonic() + float(argument)
            while time.monotonic() < until:
                pass
        elif command == "fork":
            leave_a_child()
        elif command == "gil":
            # One call into C that lets no other thread run; the loop here is healthy but gets no turn.
            thread = threading.Thread(target=sum, args=(range(int(argument)),))
            thread.start()
        else:
            link.close()
            return


def leave_a_child() -> None:
    """Fork as a careless library does: the child holds every pipe of ours, and lives as long as our stdin is open."""
    if os.fork():
        os.write(1, b"forked\n")
        return
    os.close(1)
    os.close(2)  # the tests take the end of stderr for the end of watcher and sentinel
    poll = select.poll()
    poll.register(0, 0)  # no data is waited for, only that the other end goes
    poll.poll()
    os._exit(0)


if __name__ == "__main__":
    main()
