"""Ready: readings that fit each other, a fit machine, every rule tripped by a signal, and the outcome on the record."""

from __future__ import annotations

import json
import socket
import threading
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cantools
import pytest
from tests.live_session import SETUP, LiveSession
from tests.pit.test_pit import watching

from pullwatch.clock import NS_PER_S
from pullwatch.columns import Why
from pullwatch.ready.encoding import encoder
from pullwatch.ready.engine import Heard, engine_items, moment, sweep_item
from pullwatch.ready.items import Item, Outcome, verdict
from pullwatch.ready.machine import clock_item, disk_items
from pullwatch.ready.outcome import KEPT, taken_up
from pullwatch.ready.running import Readiness
from pullwatch.ready.trial import refusal, trial_items, trials
from pullwatch.setup import decoders_for, load
from pullwatch.watchdog.conditions import Verdict
from pullwatch.watchdog.judge import Reading

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup import Plan

DEMO = Path(__file__).parents[2] / "simulators" / "pullwatch_sim" / "demo_setup.toml"
KEY_ON = {
    "engine_speed": 0.0,
    "manifold_pressure": 98.6,
    "barometric_pressure": 98.4,
    "oil_pressure": 2.0,
    "fuel_differential_pressure": 304.0,
    "battery_voltage": 12.6,
    "throttle": 0.0,
    "vehicle_speed": 0.0,
}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load(DEMO)


def heard(plan: Plan, **values: float | tuple[float, int]) -> Heard:
    """Two seconds in which every channel of the plan says what a standing car says, and `values` instead."""
    samples: dict[str, list[tuple[int, float, int]]] = {}
    for channel in plan.channels:
        said = values.get(channel.name, KEY_ON.get(channel.name, 30.0))
        value, why = said if isinstance(said, tuple) else (said, 0)
        samples[channel.name] = [(k * 100_000_000, value, why) for k in range(1, 20)]
    nothing = Reading(Verdict.NO, Verdict.NO, 0.0, 0.0)
    return Heard(samples, [nothing] * len(plan.rules.rules), 0, 2 * NS_PER_S)


def outcome(items: list[Item], subject: str) -> Item:
    return next(item for item in items if item.subject == subject)


# ---- the engine ------------------------------------------------------------------------------------------------------


def test_a_healthy_car_with_the_key_on_speaks_for_itself(plan: Plan) -> None:
    """Manifold is the air's pressure, oil stands, fuel is at its base, the battery is charged, lambda heats."""
    items = engine_items(plan, heard(plan, **{"lambda": (0.0, int(Why.NOT_READY))}))
    assert {item.outcome for item in items} == {Outcome.FINE}
    assert "heating" in outcome(items, "lambda").words
    assert verdict(items).startswith("GO")


@pytest.mark.parametrize(
    ("wrong", "subject"),
    [
        ({"manifold_pressure": 100.2}, "manifold against air"),
        ({"oil_pressure": 60.0}, "oil at rest"),
        ({"fuel_differential_pressure": 280.0}, "fuel pressure"),
        ({"fuel_differential_pressure": 330.0}, "fuel pressure"),
        ({"battery_voltage": 11.7}, "battery"),
        ({"lambda": (0.0, int(Why.ERROR))}, "lambda"),
        ({"coolant_temperature": (0.0, int(Why.OPEN))}, "readings"),
    ],
)
def test_what_does_not_fit_is_named(plan: Plan, wrong: dict[str, Any], subject: str) -> None:
    """Each fault is one no-go, in its own words, and the only one."""
    items = engine_items(plan, heard(plan, **wrong))
    assert [item.subject for item in items if item.outcome is Outcome.NOT_SO] == [subject]
    assert verdict(items).startswith(f"NO-GO: {subject}")


def test_manifold_may_be_off_by_a_kilopascal_and_a_half(plan: Plan) -> None:
    """Common practice, no source: 1.5 kPa is within what two sensors and the weather may differ."""
    assert (
        outcome(engine_items(plan, heard(plan, manifold_pressure=99.9)), "manifold against air").outcome is Outcome.FINE
    )
    assert (
        outcome(engine_items(plan, heard(plan, manifold_pressure=99.95)), "manifold against air").outcome
        is Outcome.NOT_SO
    )


def test_an_idling_engine_has_a_lambda_that_moves(plan: Plan) -> None:
    """A reading that stands still while the engine idles is not so; one that moves is fine."""
    idling = heard(plan, engine_speed=900.0, manifold_pressure=35.0, oil_pressure=180.0, **{"lambda": 1.0})
    assert moment(idling) == "idles"
    assert outcome(engine_items(plan, idling), "lambda").outcome is Outcome.NOT_SO
    moving = dict(idling.samples)
    moving["lambda"] = [(t, 1.0 + 0.02 * (k % 3 - 1), 0) for k, (t, _, _) in enumerate(idling.samples["lambda"])]
    items = engine_items(plan, Heard(moving, idling.readings, 0, idling.now))
    assert outcome(items, "lambda").outcome is Outcome.FINE


def test_a_rule_beyond_its_limit_is_told(plan: Plan) -> None:
    """Oil below its curve at idle is a rule that stands beyond its limit: it is named."""
    base = heard(plan, engine_speed=900.0, **{"lambda": 1.0})
    number = next(rule.number for rule in plan.rules.rules if rule.name == "oil pressure low at idle")
    readings = list(base.readings)
    readings[number] = Reading(Verdict.YES, Verdict.YES, 60.0, 100.0)
    items = engine_items(plan, Heard(base.samples, readings, 0, base.now))
    assert outcome(items, 'rule "oil pressure low at idle"').outcome is Outcome.NOT_SO


def test_not_knowing_the_engine_is_no_go_ahead(plan: Plan) -> None:
    """Without engine speed nothing of the engine is told fine."""
    items = engine_items(plan, heard(plan, engine_speed=(0.0, int(Why.GARBLED))))
    assert outcome(items, "engine").outcome is Outcome.CANNOT_TELL


def test_a_sweep_reaches_both_ends() -> None:
    """0 to 99 % is a sweep; 0 to 84 % is a cable that does not open, 8 to 99 % one that does not shut."""
    assert sweep_item([0.5, 40, 99]).outcome is Outcome.FINE
    assert sweep_item([0.5, 40, 84]).outcome is Outcome.NOT_SO
    assert sweep_item([8, 40, 99]).outcome is Outcome.NOT_SO
    assert sweep_item([]).outcome is Outcome.NOT_SO


def test_a_verdict_never_says_safe() -> None:
    """Go says that nothing looked at speaks against it, counts what could not be told, and leaves the decision."""
    said = verdict([Item("a", Outcome.FINE, ""), Item("b", Outcome.CANNOT_TELL, "")])
    assert said == "GO: nothing that was looked at speaks against it. 1 could not be told. The decision stays with you."
    assert "safe" not in said


# ---- the machine -----------------------------------------------------------------------------------------------------


def test_a_clock_that_was_never_set_or_went_back_is_told(tmp_path: Path) -> None:
    """1970 is no year to record in; neither is a moment before the last session."""
    assert clock_item(tmp_path, 0).outcome is Outcome.NOT_SO
    live = LiveSession(tmp_path / "2026-11-25_10-00-00_copper-hatch")
    begun = live.clock.pair().wall
    live.drive(0.1, n=900, map=35, t=20)
    live.close()
    assert clock_item(tmp_path, begun - NS_PER_S).outcome is Outcome.NOT_SO
    assert clock_item(tmp_path, begun + NS_PER_S).outcome is Outcome.FINE


def test_the_disk_is_tried_and_left_as_it_was(tmp_path: Path) -> None:
    """Room and speed are measured, nothing stays behind; a folder that is a file is told."""
    items = list(disk_items(tmp_path))
    assert [item.subject for item in items] == ["room", "disk speed"]
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("")
    (told,) = disk_items(tmp_path / "file")
    assert told.outcome is Outcome.NOT_SO


# ---- bytes -----------------------------------------------------------------------------------------------------------

KINDS = """
[car]
name = "copper hatch"

[[feed]]
name = "columns"
kind = "serial-line"
port = "socket://127.0.0.1:47001"
separator = ","
begins = "$D,"
fields = [{{ channel = "oil_pressure", column = 3, unit = "bar" }}, {{ channel = "coolant_temperature", column = 2 }}]

[[feed]]
name = "comma"
kind = "serial-line"
port = "socket://127.0.0.1:47002"
separator = ";"
header = true
decimal_comma = true
fields = [{{ channel = "fuel_pressure", key = "fuel", suffix = "kPa" }}, {{ channel = "pedal", key = "pedal" }}]

[[feed]]
name = "keys"
kind = "serial-line"
port = "socket://127.0.0.1:47003"
fields = [{{ channel = "lambda", key = "afr", unit = "AFR@14.7" }}]
ready = {{ key = "state", good = ["ok"] }}

[[feed]]
name = "packets"
kind = "serial-packet"
port = "socket://127.0.0.1:47004"
sync = "A5 5A"
byte_order = "big"
length = 16
checksum = {{ kind = "CRC-16/MODBUS" }}
ready = {{ at = 3, mask = 0x0F, good = [3] }}
fields = [
  {{ channel = "exhaust_gas_temperature", at = 4, type = "u16", scale = 0.1 }},
  {{ channel = "intake_air_temperature", at = 6, type = "i16", scale = 0.01, byte_order = "little" }},
  {{ channel = "battery_voltage", at = 8, type = "f32" }},
  {{ channel = "gear", at = 3, type = "u8", mask = 0xF0 }},
]

[[feed]]
name = "ecu"
kind = "can"
port = "socket://127.0.0.1:47005"
dbc = "{dbc}"
channels = {{ engine_speed = "A.Speed", throttle = "A.Throttle", boost = "A.Boost", knock_retard = "B.Retard" }}
"""
DBC = """VERSION ""
BU_: ECU
BO_ 256 A: 8 ECU
 SG_ Speed : 7|16@0+ (0.25,0) [0|16000] "rpm" ECU
 SG_ Throttle : 16|8@1+ (0.5,-5) [-5|120] "%" ECU
 SG_ Boost : 32|12@1- (0.5,0) [-100|400] "kPa" ECU
BO_ 2566844926 B: 8 ECU
 SG_ Retard : 8|32@1- (1,0) [0|30] "deg" ECU
SIG_VALTYPE_ 2566844926 Retard : 1;
"""
TOLD = {
    "oil_pressure": 431.0, "coolant_temperature": 88.25, "fuel_pressure": 301.5, "pedal": 42.5, "lambda": 0.853,
    "exhaust_gas_temperature": 912.3, "intake_air_temperature": -12.5, "battery_voltage": 13.75, "gear": 4.0,
    "engine_speed": 5123.5, "throttle": 77.5, "boost": -31.5, "knock_retard": 2.25,
}  # fmt: skip


@pytest.fixture
def kinds(tmp_path: Path) -> Plan:
    (tmp_path / "x.dbc").write_text(DBC, encoding="utf-8")
    setup = tmp_path / "setup.toml"
    setup.write_text(KINDS.format(dbc="x.dbc") + '[channel.boost]\nkind = "gauge"\n', encoding="utf-8")
    return load(setup)


def test_every_decoder_reads_back_what_was_made_up(kinds: Plan) -> None:
    """Text by columns, header and keys, packets with a CRC, CAN of both byte orders: the values come out again."""
    names = [channel.name for channel in kinds.channels]
    decoders = decoders_for(kinds)
    got: dict[str, float] = {}
    for feed in kinds.feeds:
        encode = encoder(feed, names)
        assert encode is not None
        decoder = decoders[feed.number]
        out: list[Any] = []
        for t in (1_000, 1_000_000):  # the first line of a feed by columns is never believed
            decoder.few(t, encode(TOLD), out)
        got |= {names[number]: value for _, number, value, why in out if not why}
    assert set(got) == set(TOLD)
    for name, value in TOLD.items():
        assert got[name] == pytest.approx(value, abs=0.006 if name == "intake_air_temperature" else 1e-5), name


def test_can_frames_are_those_of_an_independent_library(kinds: Plan) -> None:
    """The reference library cantools reads the same numbers from the frames that were made up."""
    names = [channel.name for channel in kinds.channels]
    encode = encoder(kinds.feeds[-1], names)
    assert encode is not None
    database: Any = cantools.database.load_string(DBC, "dbc")
    frames = [frame for frame in encode(TOLD).decode().split("\r") if frame]
    assert [frame[0] for frame in frames] == ["t", "T"]
    a = database.decode_message(int(frames[0][1:4], 16), bytes.fromhex(frames[0][5:]))
    b = database.decode_message(int(frames[1][1:9], 16), bytes.fromhex(frames[1][10:]))
    assert (a["Speed"], a["Throttle"], a["Boost"]) == (5123.5, 77.5, -31.5)
    assert b["Retard"] == 2.25


def test_a_channel_that_is_silent_silences_its_frame(kinds: Plan) -> None:
    """A frame or packet is never sent with a made-up number in the place of what is silent."""
    names = [channel.name for channel in kinds.channels]
    for feed in kinds.feeds[3:]:
        encode = encoder(feed, names)
        assert encode is not None
        whole = encode(TOLD)
        less = encode({name: value for name, value in TOLD.items() if name not in ("gear", "boost")})
        assert 0 <= len(less) < len(whole)


# ---- the trip test ---------------------------------------------------------------------------------------------------


def test_every_rule_of_the_demo_is_tripped_as_bytes(plan: Plan) -> None:
    """Through slcan, the DBC and the text decoder, lost readings included, in the second watchdog."""
    tried = list(trials(plan))
    assert [one.rule.name for one in tried if one.after is None] == []
    assert len(tried) == len(plan.rules.rules)
    (item,) = trial_items(tried)
    assert item.outcome is Outcome.FINE


def test_a_rule_that_no_signal_trips_is_said_to_be_untried(tmp_path: Path) -> None:
    """One that can never be, and one that asks for a change over time, are not passed over in silence."""
    setup = SETUP + (
        '\n[[rule]]\nname = "never"\nwhile = "engine_speed > 5000 rpm and engine_speed < 4000 rpm"\n'
        'trip = "coolant_temperature > 90 °C"\n'
        '\n[derived.coolant_rise]\nkind = "rate"\nof = "coolant_temperature"\nover_ms = 1000\n'
        '\n[[rule]]\nname = "rising"\ntrip = "coolant_rise > 20 °C/s"\n'
    )
    file = tmp_path / "setup.toml"
    file.write_text(setup, encoding="utf-8")
    tried = {one.rule.name: one.after for one in trials(load(file))}
    assert tried["never"] is None
    assert tried["lean under boost"] is not None
    assert tried["coolant hot"] is not None


def test_what_a_receiver_says_is_not_made_up(tmp_path: Path) -> None:
    """A rule on a satellite receiver's speed is untried, with the reason."""
    file = tmp_path / "setup.toml"
    file.write_text(
        '[car]\nname = "x"\n[[feed]]\nname = "gps"\nkind = "nmea"\nport = "socket://127.0.0.1:47001"\n'
        'channels = { vehicle_speed = "speed" }\n[[rule]]\nname = "fast"\ntrip = "vehicle_speed > 200 km/h"\n',
        encoding="utf-8",
    )
    fast = next(one for one in trials(load(file)) if one.rule.name == "fast")
    assert fast.after is None
    assert "not made up" in fast.why


@pytest.mark.parametrize(
    ("said", "says"),
    [
        ({"engine_speed": 3000.0}, "above 1,500 rpm"),
        ({"engine_speed": 800.0, "throttle": 35.0}, "throttle"),
        ({"engine_speed": 800.0, "vehicle_speed": 12.0}, "moves"),
        ({"engine_speed": (0.0, int(Why.GARBLED))}, "not known"),
    ],
)
def test_no_test_under_way(plan: Plan, said: dict[str, Any], says: str) -> None:
    """Running, at open throttle, rolling, or not knowing: no trip test. Standing or idling at a stand: there may be."""
    assert says in refusal(plan, heard(plan, **said), unclean=False, stands=True)
    assert refusal(plan, heard(plan), unclean=False, stands=False) == ""
    assert refusal(plan, heard(plan, engine_speed=800.0), unclean=False, stands=False) == ""
    assert "cut off" in refusal(plan, heard(plan), unclean=True, stands=True)


def test_a_real_alarm_goes_first(plan: Plan) -> None:
    """While a critical rule stands beyond its limit nothing is tested."""
    base = heard(plan)
    readings = [Reading(Verdict.YES, Verdict.YES, 1.0, 0.0), *base.readings[1:]]
    why = refusal(plan, Heard(base.samples, readings, 0, base.now), unclean=False, stands=True)
    assert "a real alarm goes first" in why


def test_where_no_channel_tells_of_standing_a_person_must(tmp_path: Path) -> None:
    """No speed channel, or one that says nothing: the test waits until somebody says that the car stands."""
    file = tmp_path / "setup.toml"
    file.write_text(SETUP, encoding="utf-8")
    bare = load(file)
    assert "--stands" in refusal(bare, heard(bare), unclean=False, stands=False)
    assert refusal(bare, heard(bare), unclean=False, stands=True) == ""


# ---- the whole -------------------------------------------------------------------------------------------------------


@contextmanager
def speaking(plan_of_port: str) -> Iterator[tuple[str, threading.Event]]:
    """Let a device on a free port say a line every 20 ms to whoever connects; yield the setup text for it."""
    listening = socket.create_server(("127.0.0.1", 0))
    over = threading.Event()

    def speak() -> None:
        listening.settimeout(0.05)
        while not over.is_set():
            try:
                caller, _ = listening.accept()
            except TimeoutError:
                continue
            with caller:
                while not over.wait(0.02):
                    try:
                        caller.sendall(b"n=0;map=98.6;lambda=1.0;t=30\n")
                    except OSError:
                        break

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield plan_of_port.replace("47999", str(listening.getsockname()[1])), over
    finally:
        over.set()
        thread.join(20)
        listening.close()


def test_from_the_ports_to_an_outcome_that_the_next_session_takes_up(tmp_path: Path) -> None:
    """Nothing is watched: the ports are opened and closed again, and the outcome waits for the next session."""
    lines: list[str] = []
    with speaking(SETUP) as (setup, _):
        file = tmp_path / "setup.toml"
        file.write_text(setup, encoding="utf-8")
        root = tmp_path / "sessions"
        checks = Readiness(load(file), tmp_path, root, device="null", ask=None, stands=True, tell=lines.append)
        assert checks.run()
    said = "\n".join(lines)
    assert "every feed gives every channel it should" in said
    assert "TEST" in said
    assert "trip test" in said
    kept = json.loads((root / KEPT).read_text())
    assert kept["says"].startswith("GO")
    taken = taken_up(root, "copper hatch", kept["wall"] + NS_PER_S)
    assert taken is not None
    assert taken["event"] == "ready"
    assert taken_up(root, "copper hatch", kept["wall"] + NS_PER_S) is None


def test_a_port_that_is_not_there_is_no_go(tmp_path: Path) -> None:
    """A feed that nobody answers at is named; the machine is looked at all the same."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    file = tmp_path / "setup.toml"
    file.write_text(SETUP.replace("47999", str(port)), encoding="utf-8")
    lines: list[str] = []
    assert not Readiness(load(file), tmp_path, tmp_path / "sessions", device="null", ask=None, tell=lines.append).run()
    said = "\n".join(lines)
    assert "dash: nothing comes" in said
    assert "disk speed" in said
    assert "NO-GO: readings" in said


def test_while_watching_the_outcome_goes_on_its_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The session being watched is listened to, its ports are left alone, and it gets a mark of the outcome."""
    live = LiveSession(tmp_path / "sessions" / "2026-11-25_10-00-00_copper-hatch")
    live.drive(0.5, n=0, map=98.6, t=30)
    monkeypatch.setattr("pullwatch.ready.running.LISTEN_S", 0.3)
    looked = [0]

    def look(_seconds: float) -> None:
        looked[0] += 1
        live.drive(0.1, n=0, map=98.6, t=30, **{"lambda": 1.0})

    monkeypatch.setattr("pullwatch.ready.listening.time.sleep", look)
    lines: list[str] = []
    with watching(live) as came:
        Readiness(
            live.plan, tmp_path, tmp_path / "sessions", device="null", ask=None, stands=True, tell=lines.append
        ).run()
    live.close()
    assert looked[0] > 1
    assert "being watched" in lines[0]
    (mark,) = came
    assert mark["act"] == "mark"
    assert mark["text"].startswith("ready: ")
    assert not (tmp_path / "sessions" / KEPT).exists()


def test_a_person_is_asked_for_the_sweep_and_the_sound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both can be skipped or denied; what a person denies is no go."""
    setup = SETUP.replace('{ channel = "coolant_temperature", key = "t" },', '{ channel = "throttle", key = "t" },')
    setup = setup[: setup.index('[[rule]]\nname = "coolant hot"')]
    monkeypatch.setattr("pullwatch.ready.running.SWEEP_S", 0.3)
    asked: list[str] = []

    def answer(question: str) -> str:
        asked.append(question)
        return ""

    with speaking(setup) as (text, _):
        file = tmp_path / "setup.toml"
        file.write_text(text, encoding="utf-8")
        lines: list[str] = []
        checks = Readiness(
            load(file), tmp_path, tmp_path / "s", device="null", ask=answer, stands=True, tell=lines.append
        )
        checks.run()
    assert "pedal" in asked[0]
    assert outcome(checks.items, "throttle sweep").outcome is Outcome.NOT_SO
