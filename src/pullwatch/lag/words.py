"""What is printed of a measured delay."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from pullwatch.clock import NS_PER_MS, NS_PER_S
from pullwatch.lag.estimate import SURE, Interval
from pullwatch.lag.events import Kind
from pullwatch.lag.response import Lags

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pullwatch.lag.estimate import Lag, Seen
    from pullwatch.lag.session import Measured


def lines(found: Sequence[Measured]) -> Iterator[str]:
    """Yield what was found of every lambda sensor, for a terminal."""
    if not found:
        yield "The setup of this session has no channel of a lambda sensor: there is nothing to measure."
    for measured in found:
        yield from _of(measured)


def in_ms(interval: Interval) -> str:
    """Return [a, b] in whole ms that holds the interval, from 0 up: as the setup file has it."""
    return f"[{max(math.floor(interval.least * 1e3), 0)}, {max(math.ceil(interval.most * 1e3), 0)}]"


def _of(measured: Measured) -> Iterator[str]:
    name, lag = measured.channel.name, measured.lag
    if lag.delay is None or lag.tau is None:
        yield f"{name}: its delay cannot be told: {lag.why_not}"
        yield from _seen(lag)
        yield from _raw(lag)
        yield from _stated(measured)
        yield "    Record some ten overrun fuel cuts of a second and more, sensor warm, from different engine speeds."
        return
    tau = lag.tau
    yield f"{name}: measured; an interval in [ ] holds {SURE:.0%}."
    yield f"    delay_ms = {in_ms(lag.delay):<24}# middle {lag.delay.middle * 1e3:.0f} ms; {_beside(lag)}"
    yield (f"    time_constant_ms = {tau.middle * 1e3:<16.0f}# {in_ms(tau)}: after so long 63 % of a step is made")
    yield (
        f"    It differs from event to event by {lag.spread * 1e3:.0f} ms (standard deviation), and is read every "
        f"{lag.period * 1e3:.0f} ms; both are in the interval."
    )
    if lag.lags is Lags.DISPLAY:
        yield "    The reading goes as one that is averaged afterwards. Averaging is delay: turn it off if you can."
    yield from _seen(lag)
    for kind, interval in lag.differ:
        yield f"    {kind.value} alone say {in_ms(interval)} ms: the kinds differ by more than chance. Look into it."
    if lag.differ and not measured.channel.delay.transport_most:
        yield (
            "    At low speed the gas's way to the sensor is long, and it is not taken off: state exhaust_litres in "
            f"[channel.{name}] and displacement_cc in [car], and measure again."
        )
    yield from _stated(measured)
    yield "    Held against known truth: ±10 ms on the simulator; ±30 ms expected on a car."


def _beside(lag: Lag) -> str:
    least, most = lag.over_speed
    if most == 0.0:
        return "the whole delay, nothing taken off"
    if (least, most) == (60.0, 120.0):
        return "60/N to 120/N s of engine cycle are taken off"
    return f"{least:.0f}/N to {most:.0f}/N s (engine cycle, the gas's way to the sensor) are taken off"


def _seen(lag: Lag) -> Iterator[str]:
    """Yield how many events of which kind at which speeds were used, and which were not."""
    for kind in Kind:
        of_kind = [seen for seen in lag.seen if seen.event.kind is kind]
        if of_kind:
            speeds = np.array([seen.rpm for seen in of_kind])
            known = speeds[np.isfinite(speeds)]
            at = f"{known.min():,.0f} to {known.max():,.0f} rpm" if len(known) else "engine speed not known"
            yield f"    used: {len(of_kind)} {kind.value}, {at}"
    for why, count in lag.left_out:
        yield f"    left out: {count} ({why})"


def _raw(lag: Lag) -> Iterator[str]:
    """Yield every event for itself."""
    for seen in lag.seen:
        yield f"    {_one(seen)}"


def _one(seen: Seen) -> str:
    rpm = f" at {seen.rpm:,.0f} rpm" if math.isfinite(seen.rpm) else ""
    of = seen.event.kind.value
    return (
        f"raw: {seen.event.middle / NS_PER_S:.1f} s ({of}){rpm}: the whole delay {seen.total.middle * 1e3:.0f} ms, "
        f"{in_ms(seen.total)} ms"
    )


def _stated(measured: Measured) -> Iterator[str]:
    """Yield what the setup states, and whether that holds what was measured."""
    delay, lag = measured.channel.delay, measured.lag
    if not measured.stated:
        yield "    The setup states no delay_ms."
    else:
        least, most = delay.least / NS_PER_MS, delay.most / NS_PER_MS
        yield f"    stated: delay_ms = [{least:g}, {most:g}]{_verdict(measured, least / 1e3, most / 1e3)}"
    if delay.time_constant:
        stated = delay.time_constant / NS_PER_S
        verdict = ""
        if lag.tau is not None:
            holds = lag.tau.least <= stated <= lag.tau.most
            verdict = ": within the measured" if holds else f": NOT within the measured {in_ms(lag.tau)}"
        yield f"    stated: time_constant_ms = {stated * 1e3:g}{verdict}"


def _verdict(measured: Measured, least: float, most: float) -> str:
    lag = measured.lag
    if lag.delay is None:
        return ""
    if measured.channel.delay.turns and lag.over_speed[1] == 0.0:
        return ": not compared, as engine speed was not recorded and the measured one is the whole delay"
    if lag.delay.least > most or lag.delay.most < least:
        return ": WRONG, it holds nothing of the measured. Lambda is held to the limit of the wrong moment."
    if lag.delay.least >= least and lag.delay.most <= most:
        return ": holds the measured"
    return ": TOO NARROW, it does not hold all of the measured"
