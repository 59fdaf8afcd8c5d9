"""The section [broker]: what is wrong in it is said with its line, and nothing in it is a secret."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from pullwatch.errors import SetupError
from pullwatch.setup import Plan
from pullwatch.setup.equipment import of
from pullwatch.setup.equipment.broker import BrokerSection

from .rig import plan_in

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ('host = "192.0.2.7"', "host", "would cross the network readable"),
        ('host = "broker.test"', "host", "would cross the network readable"),
        ('host = "user:word@broker.test"', "host", ""),
        ('host = "mqtt://broker.test"', "host", ""),
        ('host = "localhost"\npassword = "secret"', "password", "not known"),
        ('host = "localhost"\nrates = { lamda = 5 }', "rates", 'did you mean "lambda"'),
        ('host = "localhost"\nleave_out = ["oil"]', "leave_out", '"oil" is no channel'),
        ('host = "localhost"\nclient_cert = "/x.pem"', "client_key", "is missing"),
        ('host = "localhost"\npassword_env = "P"', "user", "is missing"),
        ('host = "localhost"\nuser = "u"\npassword_env = "P"\npassword_file = "/p"', "password_env", "stands beside"),
        ('host = "localhost"\nca_file = "ca.pem"', "ca_file", "depends on where one stands"),
        ('host = "localhost"\ntopic = "a/#"', "topic", ""),
        ('host = "localhost"\ntopic = "$SYS"', "topic", ""),
        ('host = "localhost"\nrate_hz = 500', "rate_hz", "at most 50"),
    ],
)
def test_a_wrong_section_is_refused_in_words(tmp_path: Path, text: str, key: str, words: str) -> None:
    """Each problem names its key; a password in the file is no key, and is not repeated."""
    with pytest.raises(SetupError) as caught:
        plan_in(tmp_path, more=f"[broker]\n{text}\n")
    (problem,) = caught.value.problems
    assert key in problem.key
    assert words in problem.what
    assert problem.line
    assert "secret" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "port", "encrypted"),
    [
        ('host = "localhost"', 1883, False),
        ('host = "127.0.0.1"\nport = 1999', 1999, False),
        ('host = "::1"', 1883, False),
        ('host = "broker.test"\ntls = true', 8883, True),
        ('host = "broker.test"\nca_file = "~/ca.pem"', 8883, True),
        ('host = "broker.test"\nin_clear = true', 1883, False),
    ],
)
def test_a_section_stays_as_it_was_written(tmp_path: Path, text: str, port: int, encrypted: bool) -> None:
    """Through the plan and back. 1883 and 8883 are the ports registered for MQTT (IANA)."""
    plan = Plan.from_dict(plan_in(tmp_path, more=f"[broker]\n{text}\n").to_dict())
    section = of(plan.equipment, "broker", BrokerSection)
    assert section is not None
    assert (section.port_used, section.encrypted) == (port, encrypted)


def test_starting_to_watch_loads_no_broker_library() -> None:
    """The module that starts the publisher, and the command line, leave aiomqtt alone."""
    code = (
        "import sys, pullwatch.publish.start, pullwatch.cli, pullwatch.watching, pullwatch.setup.equipment.broker;"
        "sys.exit(bool({'aiomqtt', 'paho'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
