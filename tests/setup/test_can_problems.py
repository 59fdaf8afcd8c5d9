"""CAN in the setup: J1939, CAN FD and bus errors, what is refused of them in words, and what is described."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from pullwatch.batch import Kind, Record
from pullwatch.columns import Why
from pullwatch.decoders import Decoding
from pullwatch.decoders.dbc import CanDecoder
from pullwatch.decoders.j1939 import J1939Decoder
from pullwatch.errors import Problem, SetupError
from pullwatch.feeds.options import OPTIONS
from pullwatch.setup import Plan, load
from pullwatch.setup.decoding import decoders_for
from pullwatch.setup.feed_kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: E\n\n'
TRUCK = (
    HEAD
    + """BO_ 2364540158 EEC1: 8 E
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" E

BO_ 2566844160 EFL: 8 E
 SG_ OilPressure : 24|8@1+ (4,0) [0|1000] "kPa" E
 SG_ OilLevel : 16|8@1+ (0.4,0) [0|100] "%" E

BO_ 2566848000 Long: 39 E
 SG_ Lamp : 0|2@1+ (1,0) [0|3] "" E

BO_ 695 Short: 8 E
 SG_ Speed : 0|16@1+ (0.4,0) [0|0] "rpm" E
"""
)
"""EEC1 is 0CF004FE hex (any source), EFL 18FEEF00 hex, Long comes in several frames, Short is of 11 bits."""
FD = HEAD + 'BO_ 291 Long: 64 E\n SG_ Speed : 480|16@1+ (0.4,0) [0|0] "rpm" E\n'


@pytest.fixture
def with_feed(write: Callable[[str], Path], tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes a setup of one or more CAN feeds, and their DBC files."""
    (tmp_path / "truck.dbc").write_text(TRUCK)
    (tmp_path / "fd.dbc").write_text(FD)

    def _with_feed(*feeds: str) -> Path:
        text = '[car]\nname = "copper hatch"\n'
        for number, keys in enumerate(feeds):
            text += f'\n[[feed]]\nname = "bus{number}"\nkind = "can"\nport = "serial:AB{number}"\n{keys}\n'
        return write(text)

    return _with_feed


def problems(path: Path) -> tuple[Problem, ...]:
    """Return what is told about a wrong setup."""
    with pytest.raises(SetupError) as found:
        load(path)
    return found.value.problems


def described(plan: Plan) -> str:
    """Return what `check` says of the first feed."""
    feed = plan.feeds[0]
    notes = () if feed.table is None else feed.table.notes
    return "\n".join((*KINDS[feed.options.kind].describe(feed.options), *notes))


J1939 = 'dbc = "truck.dbc"\nprotocol = "j1939"\n'


@pytest.mark.parametrize(
    ("keys", "key", "said"),
    [
        (
            'dbc = "truck.dbc"\nprotocol = "j1938"\nchannels = { oil_pressure = "EFL.OilPressure" }',
            "protocol",
            '(did you mean "j1939"?). Write one of: "plain", "j1939".',
        ),
        (
            J1939 + 'channels = { oil_pressure = "EFL.OilPressure" }\nsource_addresses = { oil_pressure = 254 }',
            "source_addresses.oil_pressure",
            "at most 253",
        ),
        (
            J1939 + 'channels = { oil_pressure = "EFL.OilPressure" }\nsource_addresses = { EFL = -1 }',
            "source_addresses.EFL",
            "at least 0",
        ),
        (
            J1939 + 'channels = { oil_pressure = "EFL.OilPressure" }\nsource_addresses = { EFI = 0 }',
            "source_addresses.EFI",
            'no channel of this feed and no message it uses (did you mean "EFL"?). It may be one of EFL, oil_pressure.',
        ),
        (
            'dbc = "truck.dbc"\nchannels = { oil_pressure = "EFL.OilPressure" }\nsource_addresses = { EFL = 0 }',
            "source_addresses",
            "means something with J1939 only",
        ),
        (
            J1939 + 'channels = { engine_speed = "Short.Speed" }',
            "channels.engine_speed",
            "message Short has an 11-bit identifier (2B7 hex); J1939 has 29 bits",
        ),
        (
            J1939 + 'channels = { gear = "Long.Lamp" }',
            "channels.gear",
            "message Long has 39 bytes, so it comes in several frames",
        ),
        (
            'dbc = "fd.dbc"\nadapter = "socketcan"\nchannels = { engine_speed = "Long.Speed" }',
            "adapter_options",
            "socketcan is opened without CAN FD. Write adapter_options = { fd = true }.",
        ),
        (
            'dbc = "truck.dbc"\nadapter = "virtual"\nask_status = true\nchannels = { throttle = "EFL.OilLevel" }',
            "ask_status",
            "asks an slcan adapter",
        ),
        (
            'dbc = "truck.dbc"\nchannels = { oil_pressure = ["EFL.OilPressure", "EEC1.EngineSpeed"] }',
            "channels.oil_pressure",
            "is not a text in quotes",
        ),
    ],
)
def test_what_is_wrong_is_told_at_its_key(with_feed: Callable[..., Path], keys: str, key: str, said: str) -> None:
    """One wrong key is one problem, at its key, with what was expected."""
    (problem,) = problems(with_feed(keys))
    assert problem.key.replace(" ", ".").endswith(f'feed."bus0".{key}'), problem.key
    assert said in f"{problem.what} {problem.todo}"


def test_a_channel_has_one_signal_of_one_bus(with_feed: Callable[..., Path]) -> None:
    """Signals of two buses for one channel are refused at the second; so is the same key twice in one feed."""
    keys = 'dbc = "truck.dbc"\nchannels = { oil_pressure = "EFL.OilPressure" }'
    (problem,) = problems(with_feed(keys, keys))
    assert '"oil_pressure" is given by feed "bus0" already' in problem.what
    twice = 'dbc = "truck.dbc"\n[feed.channels]\noil_pressure = "EFL.OilPressure"\noil_pressure = "EFL.OilLevel"'
    (problem,) = problems(with_feed(twice))
    assert problem.line == 11


def test_j1939_is_described_and_recorded(with_feed: Callable[..., Path]) -> None:
    """What is taken from whom is said; the plan read from the record builds the same decoder."""
    plan = load(
        with_feed(
            J1939 + 'channels = { engine_speed = "EEC1.EngineSpeed", oil_pressure = "EFL.OilPressure" }\n'
            "source_addresses = { EEC1 = 3, engine_speed = 17 }"
        )
    )
    text = described(plan)
    assert "J1939: found by group and source address" in text
    assert "EEC1.EngineSpeed is taken from address 17 only." in text  # the channel's own goes before the message's
    assert "EFL.OilPressure is taken from address 0 only." in text
    again = Plan.from_dict(json.loads(json.dumps(plan.to_dict())))
    for one in (plan, again):
        decoder = decoders_for(one)[1]
        assert isinstance(decoder, J1939Decoder)
        samples: list[tuple[int, int, float, int]] = []
        line = b"T0CF004118FFFFFF80BBFFFFFF\rT18FEEF008FFFFFFFFFFFFFFFF\r"
        decoder.few(0, line, samples)
        named = {one.channels[channel].name: (value, why) for _, channel, value, why in samples}
        assert named["engine_speed"] == (6000.0, Why.GOOD)
        assert named["oil_pressure"][1] == Why.NOT_AVAILABLE


def test_any_source_is_said(with_feed: Callable[..., Path]) -> None:
    """A DBC identifier with the null address means any source, and that is told with the way out."""
    text = described(load(with_feed(J1939 + 'channels = { engine_speed = "EEC1.EngineSpeed" }')))
    assert "EEC1.EngineSpeed is taken from whichever address sends it" in text
    assert "source_addresses says which" in text


def test_plans_recorded_before_are_read_as_plain(with_feed: Callable[..., Path]) -> None:
    """A plan that knows nothing of J1939 is one of plain CAN: its options have the defaults."""
    plan = load(with_feed('dbc = "truck.dbc"\nchannels = { oil_pressure = "EFL.OilPressure" }'))
    written = json.loads(json.dumps(plan.to_dict()))
    for key in ("protocol", "source_addresses", "ask_status"):
        del written["feeds"][0]["options"][key]
    decoder = decoders_for(Plan.from_dict(written))[1]
    assert type(decoder) is CanDecoder
    assert OPTIONS["can"].model_fields["protocol"].default == "plain"


def test_two_buses_in_one_setup_are_kept_apart(with_feed: Callable[..., Path]) -> None:
    """Two CAN feeds with the same identifiers: each bus's frames feed its own channels, never the other's."""
    plan = load(
        with_feed(
            'dbc = "truck.dbc"\nchannels = { oil_pressure = "EFL.OilPressure" }',
            'dbc = "truck.dbc"\nchannels = { throttle = "EFL.OilLevel" }',
        )
    )
    line = b"T18FEEF0080000646400000000\r"
    records = [Record(0, 1, Kind.DATA, line), Record(1_000, 2, Kind.DATA, line)]
    batch = Decoding(decoders_for(plan)).batch(10_000, records)
    got = [(t, plan.channels[channel].name, value) for t, channel, value, _ in batch.samples or ()]
    assert got == [(26, "oil_pressure", 400.0), (1_026, "throttle", 40.0)]


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('dbc = "truck.dbc"\nchannels = { oil_pressure = "EFL.OilPressure" }', "bus errors: not available"),
        (
            'dbc = "truck.dbc"\nask_status = true\nchannels = { oil_pressure = "EFL.OilPressure" }',
            "asked for its status flags each second (F, to the adapter alone)",
        ),
        (
            'dbc = "truck.dbc"\nadapter = "virtual"\nchannels = { oil_pressure = "EFL.OilPressure" }',
            "bus errors: error frames are counted",
        ),
        ('dbc = "fd.dbc"\nchannels = { engine_speed = "Long.Speed" }', "for which slcan has no standard"),
        (
            'dbc = "fd.dbc"\nadapter = "socketcand"\nchannels = { engine_speed = "Long.Speed" }',
            "see whether socketcand gives them",
        ),
    ],
)
def test_bus_errors_and_can_fd_are_described(with_feed: Callable[..., Path], keys: str, said: str) -> None:
    """Where bus errors can be seen, and how CAN FD frames come in, is said before the start."""
    assert said in described(load(with_feed(keys)))


@pytest.mark.parametrize("more", ['adapter = "virtual"', 'adapter = "socketcan"\nadapter_options = { fd = true }'])
def test_can_fd_that_is_known_to_come_needs_no_words(with_feed: Callable[..., Path], more: str) -> None:
    """An adapter opened with CAN FD is taken, and nothing is said."""
    plan = load(with_feed(f'dbc = "fd.dbc"\n{more}\nchannels = {{ engine_speed = "Long.Speed" }}'))
    assert "has CAN FD messages" not in described(plan)
