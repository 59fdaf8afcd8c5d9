"""The report before a run: what is watched, how long each critical alarm takes, what to be wary of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pullwatch.checks import Report, check, report
from pullwatch.errors import SetupError
from pullwatch.setup import Plan, load

if TYPE_CHECKING:
    from collections.abc import Callable

    Check = Callable[..., Report]

DEMO = Path(__file__).parents[1] / "simulators" / "pullwatch_sim" / "demo_setup.toml"
GATE = "manifold_pressure > barometric_pressure + 20 kPa deadband 10 kPa"
SETUP = """\
[car]
name = "copper hatch"

[[feed]]
name = "box"
kind = "serial-line"
port = "serial:FT5678"
fields = [
  { channel = "lambda", key = "lambda" },
  { channel = "engine_speed", key = "rpm" },
  { channel = "manifold_pressure", key = "map" },
  { channel = "barometric_pressure", key = "baro" },
  { channel = "throttle", key = "tps" },
]

[limit.leanest]
limits = "lambda"
value = 0.86

[[rule]]
name = "lean"
while = "GATE"
trip = "lambda > leanest"
dose = "0.008 s"
priority = "critical"
says = "Lean under boost. Lift."
""".replace("GATE", GATE)


@pytest.fixture
def checked(tmp_path: Path) -> Check:
    """Return a function that changes the small setup (pairs of old and new text), adds to it, and checks it."""

    def _checked(*changes: tuple[str, str], more: str = "") -> Report:
        text = SETUP + more
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "setup.toml"
        path.write_text(text, encoding="utf-8")
        return check(path)

    return _checked


def cautions(found: Report) -> str:
    """Return all cautions as one text."""
    return "\n".join(found.cautions)


def test_what_must_always_be_said(checked: Check) -> None:
    """The report ends with what pullwatch cannot do, whatever the setup."""
    for text in (checked().text(), check(DEMO).text()):
        assert (
            "pullwatch shortens a lean moment; it cannot prevent the first half second. Only the controller's own cut "
            "can. Set it first.\n"
        ) in text
        assert "does not replace the protections of the engine's own controller" in text
        assert "A helper watches the screen, never the driver." in text
        assert "closed course or a dyno" in text


def test_demo_report_names_everything_with_its_unit() -> None:
    """Feeds, channels, limits, rules and chains of the demonstration stand in the report, numbers with their units."""
    text = check(DEMO).text()
    points = ((0.9, 120), (0.86, 160), (0.84, 200), (0.83, 240))
    limits = ", ".join(f"lambda {value:.3f} at {kpa:.1f} kPa absolute" for value, kpa in points)
    curve = "0.02 over: 400 ms, 0.05 over: 160 ms, 0.1 over: 80 ms, 0.2 over: 40 ms"
    for line in (
        "  1 ecu: CAN through slcan, 500,000 bit/s, listen only, copper_hatch.dbc",
        "  manifold_pressure: believed 10.0 to 400.0 kPa absolute; 100 Hz; stale after 250 ms",
        "  lambda: believed 0.500 to 2.000; 50 Hz; stale after 250 ms",
        "      speaks 60 to 180 ms and the cycle (71 to 202 ms at 5,500 rpm) after the cylinder",
        f"  leanest: {limits}; held beyond the ends",
        f"      while {GATE}",
        f"      after a dose of 0.008 lambda·s ({curve}) and at least 2 samples; clears after 500 ms of known no",
        '  oil_pressure lost: oil_pressure is lost, caution, "No oil pressure."',
        "  manifold_pressure: 225.0 kPa absolute",
        "      person               300 to 1,500 ms (expecting it, or surprised)",
    ):
        assert f"{line}\n" in text
    found = dict(check(DEMO).chains)["lean under boost"]
    assert found.excess == 0.10
    assert f"{found.whole[0]:,.0f} to {found.whole[1]:,.0f} ms" in text


def test_firings_are_counted_per_cylinder(checked: Check) -> None:
    """Each chain is told in firings too: 5,500 rpm is 45.8 firings per cylinder and second (kinematics, computed)."""
    found = checked(more="[channel.lambda]\nrate_hz = 20\n")
    least, most = found.chains[0][1].whole
    assert f"{least / 1e3 * 45.833:.0f} to {most / 1e3 * 45.833:.0f} firings per cylinder" in found.text()


def test_throttle_gate_is_a_caution(checked: Check) -> None:
    """A critical rule armed by the throttle or pedal is named: a sensor that reads low disarms it silently."""
    assert "armed by throttle" not in cautions(checked())
    found = cautions(checked((GATE, "throttle > 60 % or " + GATE)))
    assert 'Critical rule "lean" is armed by throttle: a sensor that reads low disarms silently.' in found


def test_gates_that_one_sensor_disarms(checked: Check) -> None:
    """The sensors whose failing to a plausible value disarms a critical rule are named."""
    wanted = "disarmed by one sensor that fails to a plausible value: manifold_pressure, barometric_pressure."
    assert f'Critical rule "lean" is {wanted}' in cautions(checked())


@pytest.mark.parametrize(
    ("trip", "what"),
    [
        ("manifold_pressure > 510 kPa", "can never trip"),
        ("manifold_pressure > 500 kPa", "can never trip"),
        ("manifold_pressure < 4 kPa", "can never trip"),
        ("manifold_pressure > 480 kPa", "is within 5% of the end"),
        ("lambda > throttled", "can not everywhere trip"),
        ("manifold_pressure > 470 kPa", ""),
        ("manifold_pressure > barometric_pressure + 500 kPa", ""),
    ],
)
def test_limits_no_believed_reading_reaches(checked: Check, trip: str, what: str) -> None:
    """A limit beyond what is believed of the channel, or at its end, is named; one that moves with a channel is not."""
    more = f'[[rule]]\nname = "far"\ntrip = "{trip}"\n'
    more += '[limit.throttled]\nlimits = "lambda"\nalong = "throttle"\nat = [0, 100]\nvalue = [2.1, 0.9]\n'
    found = [line for line in checked(more=more).cautions if '"far"' in line]
    assert len(found) == bool(what)
    assert all(what in line for line in found)


def test_losses_told_less_urgently_than_the_rule(checked: Check) -> None:
    """Channels a critical rule needs, and whose loss no critical rule tells, are named."""
    wanted = "is held up when one of these is lost, which is told as a caution only: "
    resting = "lambda, manifold_pressure, barometric_pressure."
    assert f'"lean" {wanted}{resting}' in cautions(checked())
    lost = (
        '[[rule]]\nname = "gone"\ntrip = "lambda is lost"\npriority = "critical"\nsays = "No mixture reading. Lift."\n'
    )
    found = cautions(checked(more=lost))
    assert f'"lean" {wanted}{resting.removeprefix("lambda, ")}' in found
    assert "is told only while" not in found
    gated = lost.replace("trip", f'while = "{GATE}"\ntrip')
    assert f"That lambda is lost is told only while {GATE}." in cautions(checked(more=gated))


def test_rules_for_the_record_are_shown_as_such(checked: Check) -> None:
    """A critical rule that comes too late is shown as a caution, for the record, with its whole chain."""
    found = checked(more="[channel.lambda]\nrate_hz = 2\n")
    assert 'Rule "lean" asks to be critical and is told as a caution, for the record' in cautions(found)
    assert "      asked to be critical; for the record" in found.text()
    assert [name for name, _ in found.chains] == ["lean"]


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (("serial:FT5678", "/dev/ttyUSB0"), 'Feed "box": /dev/ttyUSB0 is a name the system gives out'),
        (("serial:FT5678", "/dev/serial/by-id/usb-x"), ""),
        (("serial:FT5678", "socket://127.0.0.1:4001"), ""),
    ],
)
def test_ports_that_change_names(checked: Check, change: tuple[str, str], what: str) -> None:
    """A port name that can come to mean another device is a caution; an identity is none."""
    found = [line for line in checked(change).cautions if line.startswith("Feed")]
    assert len(found) == bool(what)
    assert all(line.startswith(what) for line in found)


def test_can_adapters_that_change_names_or_take_part(tmp_path: Path) -> None:
    """A channel name of another adapter, and an adapter that is not listen only, are cautions."""
    text = DEMO.read_text(encoding="utf-8").replace('adapter = "slcan"', 'adapter = "socketcan"')
    text = text.replace("listen_only = true", "listen_only = false")
    (tmp_path / "setup.toml").write_text(text, encoding="utf-8")
    (tmp_path / "copper_hatch.dbc").write_bytes((DEMO.parent / "copper_hatch.dbc").read_bytes())
    found = check(tmp_path / "setup.toml")
    assert "is a name the system gives to a socketcan channel" in cautions(found)
    assert "is not listen only" in cautions(found)
    assert "NOT listen only" in found.text()


def test_what_the_controller_cuts_at(checked: Check) -> None:
    """Without [protection] nothing can be compared; an alarm above the controller's own cut is named."""
    over = '[[rule]]\nname = "over"\ntrip = "manifold_pressure > 230 kPa"\n'
    assert "[protection] is not stated" in cautions(checked(more=over))
    found = cautions(checked(more=over + '[protection]\nmanifold_pressure = "225 kPa"\noil_pressure = "1 bar"\n'))
    assert "[protection]" not in found
    assert 'Rule "over": the controller itself cuts at 225.0 kPa absolute, below the limit 230.0 kPa absolute' in found


def test_channels_that_need_a_word(checked: Check) -> None:
    """Unstated rates and delays, unbounded channels, cuts nobody tells of and unused limits are cautions."""
    found = cautions(
        checked(
            ("fields = [", 'fields = [{ channel = "rack", key = "rk" },'),
            more='[channel.rack]\nunit = "kPa"\nkind = "gauge"\n[limit.spare]\nlimits = "rack"\nvalue = 1\n',
        )
    )
    for line in (
        "rate_hz is not stated for lambda: in the chain it is bounded by stale_after alone.",
        "lambda: delay_ms is not stated, so it is judged as if it spoke at once.",
        "lambda: no feed tells of cuts (cut_active).",
        "rack: nothing bounds what is believed",
        'Limit "spare" is used by no rule.',
    ):
        assert line in found
    assert '"leanest" is used by no rule' not in found
    bare = checked(
        ('  { channel = "throttle", key = "tps" },\n', ""),
        ('  { channel = "engine_speed", key = "rpm" },\n', ""),
        more="[channel.lambda]\ndelay_ms = [60, 180]\n",
    )
    assert "lambda: nothing blinds it." in cautions(bare)
    assert "its delay follows engine_speed, which no feed gives" in cautions(bare)


def test_no_rules(tmp_path: Path) -> None:
    """A setup without rules is right, and says that nothing is judged."""
    path = tmp_path / "setup.toml"
    path.write_text(SETUP.split("[limit.leanest]")[0], encoding="utf-8")
    found = check(path)
    assert "There are no rules: everything is recorded, nothing is judged." in found.cautions
    assert found.chains == ()


def test_report_on_a_recorded_plan() -> None:
    """A recording's plan is reported on like the file it came from."""
    plan = load(DEMO)
    assert report(Plan.from_dict(plan.to_dict())) == report(plan)


def test_recording_of_another_machine() -> None:
    """A recording made with an adapter that has no driver here is reported on all the same, and says so."""
    plan = load(DEMO)
    away = plan.feeds[0].options.model_copy(update={"adapter": "faraway", "port": "far0"})
    found = report(replace(plan, feeds=(replace(plan.feeds[0], options=away), *plan.feeds[1:])))
    assert 'Feed "ecu": far0: there is no CAN adapter "faraway"' in cautions(found)


def test_wrong_setup_is_no_report(tmp_path: Path) -> None:
    """A wrong setup has no report: it is refused with everything that is wrong."""
    with pytest.raises(SetupError):
        check(tmp_path / "none.toml")
