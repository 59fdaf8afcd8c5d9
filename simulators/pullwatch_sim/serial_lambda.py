r"""A program: a wideband lambda controller that writes one line every 20 ms, in a protocol of its own.

The line is `lambda=0.853;state=ready\r\n`, the state heating, ready or error. Without ignition it is silent.

    python -m pullwatch_sim.serial_lambda --scenario dyno-evening --listen 127.0.0.1:0
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

import numpy as np

from pullwatch_sim.can_frames import during
from pullwatch_sim.play import Cursor, arguments_of, away_spans, play
from pullwatch_sim.sensors import HEATING, OFF, READY, STATE_WORDS, Readings, generator
from pullwatch_sim.tape import BUNDLE_NS, Tape, damage, record_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pullwatch_sim.play import Device
    from pullwatch_sim.truth import Truth

PERIOD_NS = 20_000_000


def record_lambda(truth: Truth) -> Tape:
    """Write the whole evening of the controller's lines."""
    seed, confounders = truth.scenario.seed, truth.scenario.confounders
    times = np.arange(3_100_000, round(truth.duration_s * 1e9), PERIOD_NS, dtype=np.int64)
    random = generator(seed, "lambda line")
    if "frame_jitter" in confounders:
        times = times + random.integers(-400_000, 400_000, len(times))
    states = truth.values["lambda_state"][times // 1_000_000].astype(np.int64)
    values = Readings(truth).sample("lambda", times / 1e9)
    # What it sends while it heats is no mixture, whatever it looks like.
    warming = 0.86 + 0.02 * np.sin(times / 3e8) if "heating_value" in confounders else np.zeros(len(times))
    values = np.where(states == READY, values, np.where(states == HEATING, warming, 0.0))
    speaks = states != OFF
    garbled = np.zeros(len(times), dtype=np.bool_)
    for happening in truth.happenings:
        inside = during(happening, times)
        if happening.kind == "lambda_cable_off":
            speaks &= ~inside
        elif happening.kind == "lambda_garbage":
            garbled |= inside & (random.random(len(times)) < happening.number("share"))
    lines = []
    for i in np.flatnonzero(speaks).tolist():
        line = b"lambda=%.3f;state=%s\r\n" % (values[i], STATE_WORDS[int(states[i])].encode())
        lines.append(damage(line, random) if garbled[i] else line)
    return record_lines(times[speaks], lines, BUNDLE_NS if "usb_bundles" in confounders else 0)


class LambdaController:
    """Talks, and does not listen."""

    def __init__(self, tape: Tape, duration: int, *, repeats: int = 1, away: Sequence[tuple[int, int]] = ()) -> None:
        self.away = away
        self.lines_lost = 0
        self._cursor = Cursor(tape, duration, repeats)

    @property
    def end(self) -> int:
        """Scenario ns at which the last evening is over."""
        return self._cursor.end

    def met(self, now: int) -> None:
        """Let a new client hear what comes from now on."""
        self._cursor.skip_to(now)

    def answer(self, data: bytes, now: int) -> bytes:  # noqa: ARG002 - the controller does not listen
        """Say nothing, whatever was sent."""
        return b""

    def due(self, now: int) -> tuple[bytes, int]:
        """Return the lines that fell due."""
        return self._cursor.take(now)

    def next_due(self) -> int:
        """Scenario ns of the next line."""
        return self._cursor.next_due()

    def lost(self, lines: int) -> None:
        """Count what the client was too slow for."""
        self.lines_lost += lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Play a scenario's lambda controller."""
    parser = arguments_of(argparse.ArgumentParser(prog="pullwatch_sim.serial_lambda", description=main.__doc__))
    parser.add_argument(
        "--cable-off-closes", action="store_true", help="a lambda cable that comes off takes the connection with it"
    )
    chosen = parser.parse_args(arguments)

    def build(truth: Truth) -> tuple[Device, int]:
        away = away_spans(truth, "lambda_unplugged")
        if chosen.cable_off_closes:
            away += [
                (round(h.begin_s * 1e9), round(h.end_s * 1e9)) for h in truth.happenings if h.kind == "lambda_cable_off"
            ]
        controller = LambdaController(
            record_lambda(truth), round(truth.duration_s * 1e9), repeats=chosen.repeat, away=away
        )
        return controller, controller.end

    return play(parser, chosen, build)


if __name__ == "__main__":
    sys.exit(main())
