"""Two clocks, one run: the interval holds the truth, and what cannot be told is refused."""

from __future__ import annotations

import hashlib
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import scipy.signal
from numpy.typing import NDArray
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.errors import SetupError
from pullwatch.exchange import joined, joining
from pullwatch.exchange.aligning import CannotAlign, align, correlations
from pullwatch.exchange.joining import NotJoined, join
from pullwatch.recording.reader import Session
from pullwatch.replaying import verify
from pullwatch.setup import load

from . import recorded

Floats = NDArray[np.float64]
LEAST = 500.0


@pytest.fixture(scope="module", autouse=True)
def warm(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Begin the libraries' threads before anything is counted."""
    recorded.begin_threads(tmp_path_factory.mktemp("warm") / "a")


def engine_speed(seed: int, seconds: float) -> tuple[Floats, Floats]:
    """Return times (s) and engine speeds (rpm) of somebody driving: targets held some seconds, reached with a lag."""
    chance = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, 0.01)
    n = np.empty_like(t)
    speed, target, until, lag = 900.0, 900.0, 0.0, 1.0
    for k, at in enumerate(t.tolist()):
        if at >= until:
            target = float(chance.choice([900.0, 2500.0, 3000.0, 4000.0, 6500.0]))
            until, lag = at + float(chance.uniform(1.5, 7.0)), float(chance.uniform(0.5, 2.5))
        speed += (target - speed) * 0.01 / lag
        n[k] = speed
    return t, n


def two_clocks(
    seed: int, *, seconds: float = 240.0, theirs_hz: float = 10.0, noise: float = 15.0
) -> tuple[tuple[Floats, Floats, Floats, Floats], float, float]:
    """Return (our times, our values, their times, their values), the true offset (s) and clock rate.

    Ours: 100 Hz, times off by 0.5 ms, values by 8 rpm, three seconds missing. Theirs: off by ± 30 s and ± 200 ppm,
    whole rpm, `noise` rpm, six seconds missing.
    """
    chance = np.random.default_rng(1000 + seed)
    t, n = engine_speed(seed, seconds + 80.0)
    offset, rate = 40.0 + float(chance.uniform(-30, 30)), float(chance.uniform(-200e-6, 200e-6))
    our_t = np.unique(np.arange(40.0, 40.0 + seconds, 0.01) + chance.normal(0, 0.0005, round(seconds / 0.01)))
    our_v = np.interp(our_t, t, n) + chance.normal(0, 8.0, len(our_t))
    hole = float(chance.uniform(60, seconds - 20))
    keep = (our_t < hole) | (our_t > hole + 3)
    their_t = np.arange(0.0, seconds, 1 / theirs_hz) + float(chance.uniform(0, 0.1))
    at = offset + (1 + rate) * their_t
    their_t, at = their_t[(at > 0) & (at < t[-1])], at[(at > 0) & (at < t[-1])]
    their_v = np.round(np.interp(at, t, n) + chance.normal(0, noise, len(at)))
    hole = float(chance.uniform(20, seconds - 30))
    kept = (their_t < hole) | (their_t > hole + 6)
    return (our_t[keep], our_v[keep], their_t[kept], their_v[kept]), offset, rate


def coverage(seeds: range, **how: Any) -> tuple[float, float, float]:
    """Return how often the intervals of shift and rate hold the truth, and the largest error of the shift, s."""
    shift = pace = 0
    worst = 0.0
    for seed in seeds:
        data, offset, rate = two_clocks(seed, **how)
        found = align(*data, LEAST)
        error = found.ours(found.middle) - (offset + (1 + rate) * found.middle)
        shift += abs(error) <= found.middle_half
        pace += abs(found.rate - rate) <= found.rate_half
        worst = max(worst, abs(error))
        begin = abs(found.offset - offset)
        assert begin <= 3 * found.half_at(0.0)
    return shift / len(seeds), pace / len(seeds), worst


def test_the_interval_holds_the_truth() -> None:
    """10 Hz against 100 Hz, noise, holes, ± 30 s, ± 200 ppm: found within 3 ms, the intervals not too small."""
    shift, pace, worst = coverage(range(40))
    assert worst < 0.003
    assert shift >= 0.9
    assert pace >= 0.9


@pytest.mark.long
@pytest.mark.parametrize("how", [{}, {"seconds": 100.0}, {"theirs_hz": 100.0}, {"noise": 60.0}])
def test_the_interval_holds_the_truth_in_93_of_100_cases(how: dict[str, float]) -> None:
    """Over four hundred drives, at other lengths, rates and noises as well."""
    shift, pace, worst = coverage(range(400), **how)
    print(how, f"shift {shift:.3f}, rate {pace:.3f}, worst {1e3 * worst:.2f} ms")
    assert shift >= 0.93
    assert pace >= 0.93


def test_it_is_the_same_the_other_way_round() -> None:
    """Whichever recording is ours, the same moments lie beside each other, with intervals of the same size."""
    (our_t, our_v, their_t, their_v), _, _ = two_clocks(3)
    one, other = align(our_t, our_v, their_t, their_v, LEAST), align(their_t, their_v, our_t, our_v, LEAST)
    for theirs in (10.0, 120.0, 200.0):
        assert other.ours(one.ours(theirs)) == pytest.approx(theirs, abs=1e-6)
        assert other.half_at(one.ours(theirs)) == pytest.approx(one.half_at(theirs), rel=1e-3)


def test_correlations_are_those_of_scipy() -> None:
    """Without holes: the sums of scipy.signal.correlate, normed over what overlaps. With holes: numpy.corrcoef's."""
    chance = np.random.default_rng(1)
    x, y = np.cumsum(chance.normal(size=300)), np.cumsum(chance.normal(size=120))
    all_x, all_y = np.ones(300, np.bool_), np.ones(120, np.bool_)

    def summed(a: Floats, b: Floats) -> Floats:
        return np.asarray(scipy.signal.correlate(a, b, "full", method="direct"))

    n = summed(np.ones(300), np.ones(120))
    sx, sy = summed(x, np.ones(120)), summed(np.ones(300), y)
    cov = summed(x, y) - sx * sy / n
    var = (summed(x * x, np.ones(120)) - sx * sx / n) * (summed(np.ones(300), y * y) - sy * sy / n)
    r, count = correlations(x, all_x, y, all_y)
    np.testing.assert_array_equal(count, np.rint(n))
    long = count > 5
    np.testing.assert_allclose(r[long], (cov / np.sqrt(np.maximum(var, 1e-300)))[long], atol=1e-6)
    known_x, known_y = chance.random(300) > 0.2, chance.random(120) > 0.2
    r, count = correlations(x, known_x, y, known_y)
    for k in range(10, len(r) - 10, 7):
        shift = k - 119
        j = np.arange(max(0, -shift), min(120, 300 - shift))
        j = j[known_y[j] & known_x[j + shift]]
        assert count[k] == len(j)
        if len(j) > 10:
            assert r[k] == pytest.approx(np.corrcoef(x[j + shift], y[j])[0, 1], abs=1e-6)


def pull(t: Floats) -> Floats:
    """Return the speed of one dyno pull that begins at 5 s and ends at 16 s."""
    return np.interp(t, [5.0, 13.0, 16.0], [2000.0, 6800.0, 2000.0])


OURS, THEIRS = np.arange(0.0, 120.0, 0.01), np.arange(0.0, 100.0, 0.1)
REFUSED: dict[str, tuple[Floats, Floats, Floats, Floats, str]] = {
    "constant speed": (OURS, np.full_like(OURS, 3000.0), THEIRS, np.full_like(THEIRS, 3000.0), "too little moves"),
    "bouncing off the limiter": (
        OURS,
        6000 + 1600 * np.abs((OURS * 2.0) % 1 - 0.5),
        THEIRS,
        6000 + 1600 * np.abs(((THEIRS + 7.3) * 2.0) % 1 - 0.5),
        "ambiguous",
    ),
    "a sine": (OURS, 3000 + 1500 * np.sin(OURS / 3), THEIRS, 3000 + 1500 * np.sin((THEIRS + 7) / 3), "ambiguous"),
    "one pull of three like it": (OURS, pull(OURS % 40), THEIRS[:300], pull(THEIRS[:300]), "ambiguous"),
    "a straight line": (OURS, 1000 + 40 * OURS, THEIRS, 1000 + 40 * (THEIRS + 7), "too little moves to say when"),
    "eight seconds": (*two_clocks(3)[0][:2], two_clocks(3)[0][2][:80], two_clocks(3)[0][3][:80], "too short"),
    "another run": (*two_clocks(1)[0][:2], *two_clocks(2)[0][2:], "do not look like the same run"),
    "twice the number": (OURS, pull(OURS), THEIRS, 2 * pull(THEIRS + 2), "not the same quantity"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_told_is_refused(case: str) -> None:
    """Too little movement, too short, a second place that fits as well, another run, another quantity."""
    our_t, our_v, their_t, their_v, words = REFUSED[case]
    chance = np.random.default_rng(5)
    with pytest.raises(CannotAlign, match=words):
        align(
            our_t, our_v + chance.normal(0, 8, len(our_t)), their_t, their_v + chance.normal(0, 8, len(their_t)), LEAST
        )


def test_pulls_at_uneven_distances_and_one_pull_alone_are_told() -> None:
    """What is not ambiguous is not refused: three like pulls at uneven distances, or the one pull of a short log."""
    chance = np.random.default_rng(5)
    for ours, theirs in (
        (
            pull(OURS) + pull(OURS - 27) + pull(OURS - 61) - 4000,
            pull(THEIRS + 4) + pull(THEIRS - 23) + pull(THEIRS - 57),
        ),
        (pull(OURS - 30), pull(THEIRS - 26)),
    ):
        theirs = theirs - 4000 if theirs.min() > 3000 else theirs  # noqa: PLW2901 - idle is 2000 in both
        noisy = ours + chance.normal(0, 8, len(OURS)), theirs + chance.normal(0, 8, len(THEIRS))
        found = align(OURS, noisy[0], THEIRS, noisy[1], LEAST)
        assert abs(found.ours(found.middle) - (4.0 + found.middle)) <= 1.5 * found.middle_half
        assert found.middle_half < 0.02


def sessions(tmp_path: Path, **how: Any) -> tuple[Path, Path, float, float]:
    """Write two sessions of one drive: ours, and the controller's log with lambda beside the speed."""
    (our_t, our_v, their_t, their_v), offset, rate = two_clocks(11, seconds=100.0, **how)
    begin = float(our_t[0])
    ours = recorded.line_session(tmp_path, "ours", our_t - begin, our_v, rate=100)
    lambdas = [0.85 + 0.001 * (k % 100) for k in range(len(their_t))]
    log = recorded.line_session(tmp_path, "log", their_t, their_v, rate=10, lambdas=lambdas)
    return ours, log, offset - begin, rate


def digest(folder: Path) -> dict[str, str]:
    """Return the hash of every part of a session."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*.mcap")}


def test_a_log_is_joined_and_neither_session_is_altered(tmp_path: Path) -> None:
    """One small file beside the session says how they lie; both recordings are as they were, bit for bit."""
    ours, log, offset, rate = sessions(tmp_path)
    before = digest(ours), digest(log)
    done = CliRunner().invoke(app, ["join", str(ours), str(log)])
    assert done.exit_code == 0, done.output
    assert "95 %" in done.output
    assert "ppm" in done.output
    assert (digest(ours), digest(log)) == before
    assert sorted(path.name for path in ours.iterdir()) == ["0001.mcap", "joined"]
    (one,) = joined.joined_to(ours)
    assert one.session.samefile(log)
    assert one.by == "engine_speed"
    assert one.ours(50 * 10**9) / 1e9 == pytest.approx(offset + (1 + rate) * 50.0, abs=0.004)
    assert verify(Session(ours)).agree
    assert not Session(ours).check()


def test_joined_channels_lie_on_our_time_under_names_of_their_own(tmp_path: Path) -> None:
    """`log.lambda` stands at our time of each sample, `log.engine_speed` beside our own; nothing is mixed."""
    ours, log, offset, rate = sessions(tmp_path)
    join(ours, log)
    run = CliRunner().invoke(app, ["export", str(ours), str(tmp_path / "a.csv"), "--joined"])
    assert run.exit_code == 0, run.output
    frame = pl.read_csv(tmp_path / "a.csv", infer_schema_length=None)
    assert frame.columns == ["time [s]", "engine_speed [rpm]", "log.engine_speed [rpm]", "log.lambda [lambda]"]
    theirs = frame.filter(pl.col("log.lambda [lambda]").is_not_null())
    _, _, their_t, their_v = two_clocks(11, seconds=100.0)[0]
    at = offset + (1 + rate) * their_t
    inside = (at >= 0) & (at <= frame.filter(pl.col("engine_speed [rpm]").is_not_null())["time [s]"].to_numpy().max())
    assert len(theirs) == np.count_nonzero(inside)
    np.testing.assert_allclose(theirs["time [s]"].to_numpy(), at[inside], atol=0.004)
    (one,) = joined.joined_to(ours)
    sampled = joined.channel_columns(Session(log), ("lambda",))["lambda"][1].t.tolist()
    expected = [one.ours(t) for t in sampled if 0 <= one.ours(t) <= Session(ours).ending.at_ns]
    exact = pl.read_csv(tmp_path / "a.csv", infer_schema=False).filter(pl.col("log.lambda [lambda]").is_not_null())
    assert [int(text.replace(".", "")) for text in exact["time [s]"]] == expected, (
        "to the nanosecond, clock rate and all"
    )
    assert theirs["log.engine_speed [rpm]"].to_list() == their_v[inside].tolist()
    alone = CliRunner().invoke(app, ["export", str(ours), str(tmp_path / "b.csv"), "--channel", "log.lambda"])
    assert alone.exit_code == 0, alone.output
    assert pl.read_csv(tmp_path / "b.csv").columns == ["time [s]", "log.lambda [lambda]"]
    none = CliRunner().invoke(app, ["export", str(ours), str(tmp_path / "c.csv"), "--channel", "log.lambada"])
    assert none.exit_code == 2
    assert 'did you mean "lambda"' in none.output


def test_no_rule_can_name_a_joined_channel(tmp_path: Path) -> None:
    """A name with a dot is none in the rule language: what was joined can raise no alarm, live or replayed."""
    setup = recorded.setup_file(tmp_path)
    text = setup.read_text(encoding="utf-8")
    setup.write_text(text.replace('trip = "lambda > 0.95 lambda"', 'trip = "log.lambda > 0.95 lambda"'))
    with pytest.raises(SetupError):
        load(setup)


def test_nothing_that_watches_reads_what_is_joined() -> None:
    """No module outside of the exchange and its command so much as names the joined files' module."""
    root = Path(joining.__file__).parents[1]
    naming = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if any(
            word in path.read_text(encoding="utf-8")
            for word in ("exchange.joined", "exchange.joining", "exchange import joined")
        )
    }
    assert all(name.startswith(("exchange/", "commands/")) for name in naming), naming


def test_logs_that_do_not_fit_are_not_joined(tmp_path: Path) -> None:
    """Another drive, or no channel in common: exit code 1 with the reason, and no file."""
    ours, _, _, _ = sessions(tmp_path)
    t, v = two_clocks(12, seconds=100.0)[0][2:]
    other = recorded.line_session(tmp_path, "other", t, v, rate=10)
    done = CliRunner().invoke(app, ["join", str(ours), str(other)])
    assert done.exit_code == 1
    assert "do not look like the same run" in done.output
    boost = recorded.line_session(tmp_path, "boost", t, v / 50, rate=10, channel="boost")
    with pytest.raises(NotJoined, match=r"by engine speed: .*boost has none"):
        join(ours, boost)
    assert not (ours / "joined").exists()


def test_manifold_pressure_aligns_where_no_engine_speed_is(tmp_path: Path) -> None:
    """The second best, in kPa; what it was aligned by is said and kept."""
    (our_t, our_v, their_t, their_v), offset, rate = two_clocks(13, seconds=100.0)
    begin = float(our_t[0])
    ours = recorded.line_session(tmp_path, "ours", our_t - begin, our_v / 40, rate=100, channel="manifold_pressure")
    log = recorded.line_session(tmp_path, "log", their_t, their_v / 40, rate=10, channel="manifold_pressure")
    made = join(ours, log, "ecu log")
    assert made.by == "manifold_pressure"
    assert made.file.name == "ecu_log.json"
    middle = made.found.middle
    assert made.found.ours(middle) == pytest.approx(offset - begin + (1 + rate) * middle, abs=0.004)
    assert "aligned by manifold pressure" in made.lines[0]


def test_a_join_whose_log_is_gone_or_another_is_told(tmp_path: Path) -> None:
    """A moved log, a file that is damaged: a sentence, never another log's numbers."""
    ours, log, _, _ = sessions(tmp_path)
    made = join(ours, log)
    parts = [log / "0001.mcap", ours / "0001.mcap"]
    aside = [part.read_bytes() for part in parts]
    parts[0].write_bytes(aside[1])
    done = CliRunner().invoke(app, ["export", str(ours), str(tmp_path / "a.csv"), "--joined"])
    assert done.exit_code == 2
    assert "is not the session" in done.output
    parts[0].unlink()
    assert CliRunner().invoke(app, ["export", str(ours), str(tmp_path / "a.csv"), "--joined"]).exit_code == 2
    made.file.write_text("{}")
    done = CliRunner().invoke(app, ["export", str(ours), str(tmp_path / "a.csv"), "--joined"])
    assert done.exit_code == 2
    assert "cannot be understood" in done.output
    assert not list(itertools.chain(tmp_path.glob("a.csv"), tmp_path.glob(".a*")))
