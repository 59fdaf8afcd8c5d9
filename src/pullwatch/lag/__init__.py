"""How late a lambda sensor speaks, measured from a recording: `pullwatch lag SESSION`.

    events     the moments at which the mixture certainly changed: fuel cuts on the overrun, commanded steps
    response   how well every delay and time constant explains what lambda did after one of them
    estimate   all events together: the interval, or why there is none
    session    the columns of a recording, and how it is worked out for each of its lambda channels
    words      what is printed

All but `session` are pure functions over columns. Nothing here runs while watching.

The sensor is taken to be a delay and a first-order lag of 1/lambda (what a wideband cell measures, oxygen or the lack
of it, goes with 1/lambda; in air it is 0, whatever the display says). After one time constant such a lag has made
63.2 % of a step (textbook: 1 - 1/e). A mixture step of a few per cent looks the same in lambda and in 1/lambda; a cut
does not, so that a display which averages lambda itself is told by its cuts, and measured as one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pullwatch.lag.session import measure
from pullwatch.lag.words import lines
from pullwatch.replaying import reading_of

if TYPE_CHECKING:
    from pullwatch.recording.reader import Session


def print_lag(session: Session) -> bool:
    """Print the delay of every lambda sensor of a session; return whether any could be told. Raises SessionError."""
    found = measure(session)
    for line in (*reading_of(session), *lines(found)):
        print(line)
    return any(measured.lag.delay is not None for measured in found)
