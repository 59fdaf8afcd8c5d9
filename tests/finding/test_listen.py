"""`pullwatch listen`: what it prints, and the starting setup it writes."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import pullwatch_sim
from pullwatch.errors import PullwatchError
from pullwatch.feeds.bitrate import BitrateFound
from pullwatch.finding.guesses import guess
from pullwatch.finding.lines import read_lines
from pullwatch.finding.listen import run_listen
from pullwatch.finding.sentences import checksum
from pullwatch.finding.starting import line_setup, remark, signal_guess, signals_of
from pullwatch.finding.telling import MARK
from pullwatch.setup import load
from pullwatch.setup.decoding import decoders_for

from .hearings import LAMBDA_LINES, Talker, heard_lines

if TYPE_CHECKING:
    from pullwatch.columns import Sample

TEXT = "\r\n".join(["ail", *LAMBDA_LINES, ""]).encode()
DBC = Path(pullwatch_sim.__file__).parent / "copper_hatch.dbc"


def begun(lines: list[str], path: Path) -> str:
    """Return the starting setup of these lines, which must load."""
    found = read_lines(heard_lines(lines))
    assert found is not None
    text = line_setup(found, "serial:FT5678", 57_600, "a test")
    path.write_text(text, encoding="utf-8")
    load(path)
    return text


def test_a_starting_setup_is_written_and_reads_what_was_heard(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From real bytes over TCP: the file loads, marks its guess, and its decoder reads the device's next line."""
    path = tmp_path / "setup.toml"
    with Talker(TEXT) as device:
        assert run_listen(device.port, write=path, seconds=20.0, lister=list)
    plan = load(path)
    (channel,) = plan.channels
    assert (channel.name, plan.feeds[0].options.port) == ("lambda", device.port)
    assert not channel.delay.is_none
    assert plan.rates[0] is None, "what came in one moment tells no rate"
    assert MARK in path.read_text(encoding="utf-8")
    samples: list[Sample] = []
    decoders_for(plan)[1].few(0, b"lambda=0.853;state=ready\r\nlambda=0.853;state=heating\r\n", samples)
    assert [(value, why == 0) for _, _, value, why in samples] == [(0.853, True), (0.853, False)]
    printed = capsys.readouterr().out
    for words in ("It is only read", "lambda: 0.85 to 0.879", "guess, confirm: lambda", "speaks late", str(path)):
        assert words in printed


def test_no_file_is_overwritten(tmp_path: Path) -> None:
    """A file that is there is left as it is, before anything is listened to."""
    path = tmp_path / "setup.toml"
    path.write_text("mine")
    with pytest.raises(PullwatchError, match="not overwritten"):
        run_listen("/dev/no-such-port", write=path)
    assert path.read_text() == "mine"


def test_a_second_port_is_added_as_a_second_feed(tmp_path: Path) -> None:
    """`--add` gives a setup one more feed; a channel that is given already is not given twice."""
    path = tmp_path / "setup.toml"
    with Talker(TEXT) as device:
        run_listen(device.port, write=path, seconds=20.0, lister=list)
    more = "\r\n".join(["x", *(f"rpm={900 + n};lambda=0.9" for n in range(50)), ""]).encode()
    with Talker(more) as device:
        run_listen(device.port, add=path, seconds=20.0, lister=list)
    plan = load(path)
    assert [feed.options.name for feed in plan.feeds] == ["first", "second"]
    assert [channel.name for channel in plan.channels] == ["lambda", "engine_speed", "raw_lambda"]
    assert [entry.name for entry in tmp_path.iterdir()] == ["setup.toml"]


def test_an_air_fuel_number_is_never_silently_lambda(tmp_path: Path) -> None:
    """A column of unknown scale is a plain number, and becomes lambda only by a line a person takes in."""
    path = tmp_path / "setup.toml"
    text = begun([f"afr={12 + n / 100:.2f}" for n in range(50)], path)
    assert [channel.name for channel in load(path).channels] == ["raw_afr"]
    assert "rate_hz = 50" in text
    assert '#     { channel = "lambda", key = "afr", unit = "AFR@14.7" }' in text
    assert "On which scale" in text


def test_a_line_taken_in_instead_of_a_plain_number_loads(tmp_path: Path) -> None:
    """What the file says to do works: the commented line in the place of the plain one, and its section taken out."""
    path = tmp_path / "setup.toml"
    text = begun([f"afr={12 + n / 100:.2f}" for n in range(50)], path)
    lines = [line for line in text.splitlines() if '"raw_afr"' not in line]
    lines = [line.replace("    #     {", "    {") for line in lines]
    path.write_text("\n".join(lines).partition("\n[channel.raw_afr]")[0])
    assert [channel.name for channel in load(path).channels] == ["lambda"]


def test_numbers_without_names_stay_plain_numbers(tmp_path: Path) -> None:
    """Columns nobody named are never taken for a channel by their numbers alone."""
    path = tmp_path / "setup.toml"
    begun(["12.54,4,13.9"] * 30, path)
    assert [channel.name for channel in load(path).channels] == ["column_1", "column_2", "column_3"]


def test_a_state_word_that_is_not_known_is_not_believed(tmp_path: Path) -> None:
    """A state whose words say nothing to us lets no number through until a person names the good ones."""
    path = tmp_path / "setup.toml"
    begun([f"lambda=0.9{n % 10};state=Q7" for n in range(30)], path)
    samples: list[Sample] = []
    decoders_for(load(path))[1].few(0, b"lambda=0.853;state=Q7\r\n", samples)
    assert samples[0][3] != 0


@pytest.mark.parametrize("name", ['a"b', "is", "lost", "RPM\\", "°", "x" * 200, "raw_oil", "9", "-"])
def test_whatever_a_device_calls_its_fields_the_setup_loads(tmp_path: Path, name: str) -> None:
    """Names are the device's own: no quote, word of the rule language or length breaks the file."""
    lines = [f"{name}={n % 7}.25;oil=3.9;raw oil=1.5;OIL=2.5" for n in range(30)]
    found = read_lines(heard_lines(lines))
    if found is None:
        assert not name.isascii() or len(lines[0]) > 512
        return
    begun(lines, tmp_path / "setup.toml")


def test_a_comment_is_one_line() -> None:
    """No control character of a device ends a comment early."""
    assert remark("a\nb\x7fc") == "# a b c"


def test_a_receiver_gives_road_speed(tmp_path: Path) -> None:
    """NMEA sentences are written as a feed of their own kind; a second receiver for the same speed is refused."""
    path = tmp_path / "setup.toml"
    body = "GPRMC,175741,A,4751.698,N,12209.774,W,000.0,360.0,191100,019.5,E"
    sentence = f"${body}*{checksum(body.encode()):02X}\r\n".encode()
    with Talker(b"x\r\n" + sentence * 5) as device:
        run_listen(device.port, write=path, seconds=20.0, lister=list)
        assert [channel.name for channel in load(path).channels] == ["vehicle_speed"]
        with pytest.raises(PullwatchError, match="no other feed gives"):
            run_listen(device.port, add=path, seconds=20.0, lister=list)


def test_a_bus_and_its_dbc_make_a_setup(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Signals that were heard and have a telling name become channels; the file finds its DBC and loads."""
    shutil.copy(DBC, tmp_path / "ecu.dbc")
    path = tmp_path / "setup.toml"
    frames = b"".join(b"t2A18%016X\rt1231%02X\r" % (n, n) for n in range(50))
    with Talker(frames, after=b"L\r") as device:
        assert run_listen(
            device.port,
            adapter="slcan",
            bitrate=500_000,
            dbc=tmp_path / "ecu.dbc",
            write=path,
            seconds=20.0,
            lister=list,
        )
    plan = load(path)
    assert {"engine_speed", "manifold_pressure", "throttle"} <= {channel.name for channel in plan.channels}
    assert "oil_pressure" not in {channel.name for channel in plan.channels}
    printed = capsys.readouterr().out
    assert "in the DBC, but not heard: Boost, Fuel, Oil, Warmth" in printed
    assert "1 identifiers are not in the DBC" in printed
    assert "0x2A1 (673)" in printed


def test_a_bit_rate_nobody_knows_is_searched_for(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without --bitrate the search is asked; what it finds is listened at, and its reasons are told."""
    found = [BitrateFound(None, 0, ("Silence at every rate.",)), BitrateFound(250_000, 9, ("9 frames",))]

    async def search(port: str, adapter: str, **more: object) -> BitrateFound:
        assert (port, adapter, more["baud"]) == (device.port, "slcan", 2_000_000)
        return found.pop(0)

    monkeypatch.setattr("pullwatch.feeds.bitrate.search_bitrate", search)
    with Talker(b"t1231AA\r" * 20, after=b"L\r") as device:
        assert not run_listen(device.port, adapter="slcan", seconds=20.0, lister=list)
        assert run_listen(device.port, adapter="slcan", seconds=20.0, lister=list)
    assert b"S5\r" in device.told
    printed = capsys.readouterr().out
    assert "Silence at every rate." in printed
    assert "bitrate = 250000" in printed


def test_the_guesses_of_a_dbc_agree_with_its_setup() -> None:
    """By names and units alone, every signal the demonstration's own setup uses is guessed as it uses it, or not."""
    demo = load(DBC.parent / "demo_setup.toml")
    wanted = {signal: name for name, signal in demo.feeds[0].options.channels.items()}  # type: ignore[attr-defined] # a CAN feed
    guessed = {}
    for signal in signals_of(DBC.read_text()):
        one = signal_guess(signal)
        if one is not None:
            guessed[f"{signal.message}.{signal.name}"] = one.channel
    assert guessed == wanted


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"adapter": "slcan", "bitrate": 500_000, "write": Path("nowhere.toml")}, "--dbc"),
        ({"bitrate": 500_000}, "--adapter"),
        ({"seconds": 0.0}, "above 0"),
        ({"speed": -1}, "above 0"),
        ({"write": Path("a.toml"), "add": Path("b.toml")}, "one of them"),
    ],
)
def test_what_cannot_be_is_refused_before_a_port_is_opened(more: dict[str, object], says: str) -> None:
    """Wrong options are told in words; no port is touched."""
    with pytest.raises(PullwatchError, match=says):
        run_listen("/dev/no-such-port", **more)  # type: ignore[arg-type] # wrong on purpose


def test_rubbish_writes_nothing(tmp_path: Path) -> None:
    """What cannot be read makes no setup, and the reason is told."""
    path = tmp_path / "setup.toml"
    with Talker(bytes(range(128, 256)) * 9) as device, pytest.raises(PullwatchError, match="not written"):
        run_listen(device.port, write=path, seconds=20.0, lister=list)
    assert not list(tmp_path.iterdir())


def test_a_guess_that_is_clear_for_two_columns_is_taken_once(tmp_path: Path) -> None:
    """Two columns of one name give the channel once: the other stays a plain number."""
    path = tmp_path / "setup.toml"
    begun([f"rpm={900 + n};RPM={800 + n}" for n in range(30)], path)
    assert load(path).channels[0].name == "engine_speed"
    assert len(load(path).channels) == 2
    assert guess("RPM", "", 800, 900)[0].clear
