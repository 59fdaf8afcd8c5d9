"""The response of a sensor with a first-order lag, held against the textbook and against numpy's least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pullwatch.lag.events import Event, Kind
from pullwatch.lag.response import WILDEST, Answer, Lags, lagged, misfit, shortened, thinned

from .model import first_order


def test_after_one_time_constant_63_2_percent_of_a_step_are_made() -> None:
    """Source: textbook, 1 - exp(-1) = 0.6321; after three time constants 95.0 %."""
    tau = np.array([0.05, 0.1, 0.2])
    for row, one in enumerate(tau.tolist()):
        made = lagged(np.array([-1.0, 0.0]), np.array([1.0, 0.0]), tau, np.array([-0.5, 0.0, one, 3 * one]))[row]
        assert made.tolist() == pytest.approx([1.0, 1.0, 1 - 0.6321, 1 - 0.9502], abs=1e-4)


def test_a_course_of_many_steps_goes_as_followed_in_small_steps() -> None:
    """Held against a step-by-step integration (1 ms) that shares nothing with it."""
    at, phi = np.array([0.0, 0.1, 0.13, 0.4]), np.array([1.0, 0.0, 0.9, 1.1])
    x = np.arange(0.0, 1.0, 0.001)
    ours = lagged(at, phi, np.array([0.08]), x)[0]
    theirs = first_order(phi[at.searchsorted(x + 1e-9, side="right") - 1], 0.08)
    assert np.abs(ours - theirs).max() < 0.015  # 1 ms of a slope of 1 in 80 ms


def test_the_best_delay_and_time_constant_are_those_of_numpys_least_squares() -> None:
    """Reference: numpy.linalg.lstsq of gain and offset at every delay and time constant (no rail, nothing wild)."""
    random = np.random.default_rng(5)
    at = np.arange(-0.4, 1.4, 0.02)
    truth = np.where(at > 0.12, 1.0 / 0.98 + (1.0 / 1.04 - 1.0 / 0.98) * -np.expm1(-(at - 0.12) / 0.09), 1.0 / 0.98)
    phi = 1.01 * truth + random.normal(0.0, 0.004, len(at))
    event = Event(Kind.STEP, 0, 0, 0, np.array([-1.0, 0.0]), 1.0 / np.array([0.98, 1.04]), followed=True)
    delays, taus = np.arange(0.06, 0.2, 0.004), np.array([0.05, 0.07, 0.09, 0.12])
    ours = misfit(Answer(event, at, phi), delays, taus, 0.5, Lags.CELL)
    used = at >= -0.1
    for row, tau in enumerate(taus.tolist()):
        for place, delay in enumerate(delays.tolist()):
            late = (at[used] - delay).clip(0.0)
            matrix = np.column_stack([np.exp(-late / tau), np.ones(used.sum())])
            _, squares, _, _ = np.linalg.lstsq(matrix, phi[used], rcond=None)
            assert ours[row, place] == pytest.approx(float(squares[0]), rel=0.02, abs=2e-5)
    best = np.unravel_index(int(ours.argmin()), ours.shape)
    assert math.isclose(delays[best[1]], 0.12, abs_tol=0.02)


def test_a_spike_costs_what_it_costs_and_no_more() -> None:
    """One reading that is off by 0.5 adds the bound, at whatever delay and time constant."""
    at = np.arange(-0.4, 1.4, 0.02)
    event = Event(Kind.CUT, 0, 0, 0, np.array([-1.0, 0.0]), np.array([1.0, 0.0]), followed=True)
    phi = np.maximum(np.where(at > 0.1, np.exp(-(at - 0.1) / 0.08), 1.0), 0.55)
    spiked = phi.copy()
    spiked[-5] += 0.5
    where = np.array([0.1]), np.array([0.08])
    clean, wild = (misfit(Answer(event, at, one), *where, 0.55, Lags.CELL)[0, 0] for one in (phi, spiked))
    assert clean < 1e-4
    assert WILDEST**2 * 0.9 < wild - clean < WILDEST**2 * 1.1


@pytest.mark.parametrize("lags", list(Lags))
def test_each_shape_fits_what_lags_so(lags: Lags) -> None:
    """A cut as a cell and as an averaging display would show it: each is explained by its own shape alone."""
    at = np.arange(-0.4, 1.4, 0.02)
    event = Event(Kind.CUT, 0, 0, 0, np.array([-1.0, 0.0]), np.array([1.0, 0.0]), followed=True)
    gone = np.exp(-(at - 0.1).clip(0.0) / 0.1)
    shown = {Lags.CELL: np.maximum(gone, 1 / 1.8), Lags.DISPLAY: 1.0 / (1.8 - 0.8 * gone)}[lags]
    delays, taus = np.arange(0.0, 0.3, 0.01), np.geomspace(0.03, 0.3, 24)
    ours, other = (
        misfit(Answer(event, at, shown), delays, taus, 1 / 1.8, one).min() for one in (lags, *(set(Lags) - {lags}))
    )
    assert ours < 0.1 * other


def test_fewer_readings_are_of_the_same_answer() -> None:
    """What lies long at the rail is left out, nothing before; thinned readings keep their times."""
    at = np.arange(-0.4, 1.4, 0.01)
    event = Event(Kind.CUT, 0, 0, 0, np.array([-1.0, 0.0]), np.array([1.0, 0.0]))
    phi = np.maximum(np.where(at > 0.1, np.exp(-(at - 0.1) / 0.08), 1.0), 0.55)
    short = shortened(Answer(event, at, phi), 0.55)
    reached = at[phi <= 0.55 * 1.01][0]
    assert short.at[-1] == pytest.approx(reached + 0.3, abs=0.011)
    assert short.at.tolist() == at[: len(short.at)].tolist()
    thin = thinned(short)
    assert len(short.at) / 4 < len(thin.at) <= len(short.at) / 2
    assert set(zip(thin.at.tolist(), thin.phi.tolist(), strict=True)) <= set(
        zip(short.at.tolist(), short.phi.tolist(), strict=True)
    )
