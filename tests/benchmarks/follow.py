"""Follow a session as the window and the broker will, as a program: `python follow.py FOLDER`. Ends when killed."""

import sys
import time
from pathlib import Path

from pullwatch.recording.reader import Follower

follower = Follower(Path(sys.argv[1]))
while True:
    follower.poll()
    time.sleep(1 / 30)
