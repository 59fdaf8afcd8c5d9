"""Starting the publisher as a process of its own, beside a session that is being recorded.

It outlives the watching process: whoever looks from far away is to be told when the monitor has died. It is never
waited for, and nothing it does comes back.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING, Final

from pullwatch.publish.topics import level

if TYPE_CHECKING:
    from pathlib import Path

    from pullwatch.setup import Plan

FOLDER: Final = ".published"
"""Where publishers keep what they keep, beside the sessions."""
NICE: Final = 19
_started: list[subprocess.Popen[bytes]] = []
"""Kept so that nobody asks for their end: they end by themselves, after us."""


def start(folder: Path, plan: Plan) -> str | None:
    """Start publishing the session in `folder` if the setup has a [broker]; return what a person is told of it, if any.

    What the publisher prints goes to a file beside the cursor. That it cannot be started is told, and stops nothing.
    """
    section = plan.equipment.get("broker")
    if section is None:
        return None
    log = folder.parent / FOLDER / f"{level(folder.name)}.log"
    nice = shutil.which("nice")
    command = [] if nice is None else [nice, "-n", str(NICE)]
    command += [sys.executable, "-m", "pullwatch", "publish", str(folder)]
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with log.open("ab") as out:
            _started.append(
                subprocess.Popen(  # noqa: S603 - our own program, no shell
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=out,
                    start_new_session=True,
                    creationflags=getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0),
                    env={**os.environ, "PYTHONUNBUFFERED": "1"},
                )
            )
    except OSError as error:
        return f"nothing is published: {error.strerror or error}"
    return f"publishing to {section['host']}; what the publisher says is in {log}"
