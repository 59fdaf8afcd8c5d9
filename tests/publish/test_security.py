"""Who may listen and speak: TLS, passwords, rights, and a subscriber that means harm."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import subprocess
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest

from pullwatch.errors import BrokerError
from pullwatch.publish.link import Link, access
from pullwatch.publish.looking import Looking
from pullwatch.publish.topics import topic
from pullwatch.setup import load
from pullwatch.setup.equipment.broker import BrokerSection

from .rig import DEADLINE_S, Broker, Drive, plan_in, publisher, recorded_changes, until
from .test_publisher import told_changes

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from .rig import Ear


def tool(name: str) -> str:
    """Return a system program; skip where it is missing, unless everything must be there."""
    found = shutil.which(name)
    if found is None:
        if os.environ.get("PULLWATCH_COMPLETE"):
            pytest.fail(f"{name} is missing, and PULLWATCH_COMPLETE asks for every test.")
        pytest.skip(f"{name} is not installed.")
    return found


def openssl(folder: Path, *words: str) -> None:
    """Run openssl in a folder."""
    subprocess.run([tool("openssl"), *words], cwd=folder, check=True, capture_output=True)


def authority(folder: Path, name: str) -> None:
    """Make a certificate that signs others."""
    subject = ("-subj", f"/CN={name}", "-days", "2", "-nodes", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256")
    openssl(folder, "req", "-x509", *subject, "-keyout", f"{name}.key", "-out", f"{name}.pem")


def signed(folder: Path, name: str, by: str, san: str) -> None:
    """Make a certificate for `name`, good for `san`, signed by an authority."""
    subject = ("-subj", f"/CN={name}", "-nodes", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256")
    openssl(folder, "req", "-new", *subject, "-keyout", f"{name}.key", "-out", f"{name}.csr")
    (folder / f"{name}.ext").write_text(f"subjectAltName={san}\n")
    made_by = ("-CA", f"{by}.pem", "-CAkey", f"{by}.key", "-CAcreateserial", "-days", "2", "-extfile", f"{name}.ext")
    openssl(folder, "x509", "-req", "-in", f"{name}.csr", *made_by, "-out", f"{name}.pem")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make an authority, the broker's certificate, one of ours, and a stranger's authority."""
    folder = tmp_path_factory.mktemp("certificates")
    authority(folder, "ca")
    authority(folder, "stranger")
    signed(folder, "broker", "ca", "IP:127.0.0.1")
    signed(folder, "elsewhere", "ca", "DNS:elsewhere.test")
    signed(folder, "pit", "ca", "DNS:pit")
    for file in folder.iterdir():
        file.chmod(0o644)
    return folder


@pytest.fixture
def guarded(tmp_path: Path, certificates: Path) -> Iterator[Broker]:
    """Start a broker with TLS that asks for a certificate, a user and a password."""
    subprocess.run(
        [tool("mosquitto_passwd"), "-c", "-b", str(tmp_path / "users"), "pit", "lift smoothly"],
        check=True, capture_output=True,
    )  # fmt: skip
    (tmp_path / "users").chmod(0o644)
    (tmp_path / "secret").write_text("lift smoothly\n")
    made = Broker(
        tmp_path,
        f"cafile {certificates / 'ca.pem'}", f"certfile {certificates / 'broker.pem'}",
        f"keyfile {certificates / 'broker.key'}", "require_certificate true",
        "allow_anonymous false", f"password_file {tmp_path / 'users'}",
    )  # fmt: skip
    made.start()
    yield made
    made.kill()


def said(broker: Broker, folder: Path, certificates: Path, **other: Any) -> BrokerSection:
    """Return a [broker] with everything right, but for what is said otherwise."""
    facts: dict[str, Any] = {
        "host": "127.0.0.1", "port": broker.port, "ca_file": str(certificates / "ca.pem"),
        "client_cert": str(certificates / "pit.pem"), "client_key": str(certificates / "pit.key"),
        "user": "pit", "password_file": str(folder / "secret"),
    }  # fmt: skip
    return BrokerSection(**{**facts, **other})


async def test_encrypted_with_certificate_and_password(
    tmp_path: Path, drive: Drive, guarded: Broker, certificates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All of a session goes to a guarded broker, and a reader with the same rights sees it."""
    monkeypatch.setenv("PIT_PASSWORD", "lift smoothly")
    section = said(guarded, tmp_path, certificates, password_file=None, password_env="PIT_PASSWORD")
    news: list[str] = []
    looking = Looking(access(section), "pullwatch", None, show=lambda _: None, tell=lambda words, _: news.append(words))
    seeing = asyncio.create_task(looking.run())
    await until(lambda: looking.link.up)
    drive.run(2.0, lean_at=lambda step: step == 12)
    drive.end()
    assert await asyncio.wait_for(publisher(drive, said(guarded, tmp_path, certificates)).run(), DEADLINE_S)
    await until(lambda: any("ended" in one for one in news))
    looking.stop()
    await seeing
    assert any("Lean." in one for one in news)
    assert (looking.far.cars["copper hatch"].missing, looking.far.rubbish) == (0, 0)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"password_file": "wrong"}, "Not authorized"),
        ({"user": None, "password_file": None}, "Not authorized"),
        ({"ca_file": "stranger.pem"}, "certificate verify failed"),
        ({"client_cert": None, "client_key": None}, "closed the link before|certificate required"),
        ({"ca_file": None, "client_cert": None, "client_key": None}, "closed the link before"),
    ],
)
async def test_what_is_wrong_with_the_login_is_said(
    tmp_path: Path, drive: Drive, guarded: Broker, certificates: Path, wrong: dict[str, str | None], words: str
) -> None:
    """A wrong password, no login, a broker that is another, no certificate: not published, and said why."""
    (tmp_path / "wrong").write_text("lift abruptly\n")
    places = {"wrong": str(tmp_path / "wrong"), "stranger.pem": str(certificates / "stranger.pem")}
    other = {key: places.get(value or "", value) for key, value in wrong.items()}
    section = said(guarded, tmp_path, certificates, **other)
    drive.run(0.5)
    drive.end()
    told: list[str] = []
    assert not await asyncio.wait_for(publisher(drive, section, told, linger=0.2).run(), DEADLINE_S)
    assert any("is not reached" in one for one in told)
    assert any(re.search(words, one) for one in told), told
    assert not any("abruptly" in one or "smoothly" in one for one in told)


async def test_a_broker_with_another_name_is_not_believed(tmp_path: Path, drive: Drive, certificates: Path) -> None:
    """A good certificate for another host is no certificate for this one."""
    broker = Broker(
        tmp_path, f"cafile {certificates / 'ca.pem'}", f"certfile {certificates / 'elsewhere.pem'}",
        f"keyfile {certificates / 'elsewhere.key'}", "allow_anonymous true",
    )  # fmt: skip
    broker.start()
    told: list[str] = []
    section = BrokerSection(host="127.0.0.1", port=broker.port, ca_file=str(certificates / "ca.pem"))
    drive.run(0.5)
    drive.end()
    try:
        assert not await asyncio.wait_for(publisher(drive, section, told, linger=0.1).run(), DEADLINE_S)
    finally:
        broker.kill()
    assert any("certificate verify failed" in one for one in told)


async def test_a_broker_that_takes_nothing_is_told(tmp_path: Path, drive: Drive) -> None:
    """A broker that lets us in and throws away what we publish is told in words: silence would look like success."""
    (tmp_path / "rights").write_text("topic read pullwatch/#\n")
    (tmp_path / "rights").chmod(0o700)
    broker = Broker(tmp_path, "allow_anonymous true", f"acl_file {tmp_path / 'rights'}")
    broker.start()
    drive.run(0.5)
    drive.end()
    told: list[str] = []
    try:
        section = BrokerSection(host="127.0.0.1", port=broker.port)
        await asyncio.wait_for(publisher(drive, section, told).run(), DEADLINE_S)
    finally:
        broker.kill()
    assert any("does not take what is published: Not authorized" in one for one in told)


def test_the_password_is_never_part_of_what_is_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The plan holds where the password is, and not it; what reaches the broker is not shown either."""
    (tmp_path / "secret").write_text("lift smoothly\n")
    more = f'[broker]\nhost = "127.0.0.1"\nuser = "pit"\npassword_file = "{tmp_path / "secret"}"\n'
    plan = plan_in(tmp_path, more=more)
    assert "smoothly" not in str(plan.to_dict())
    section = BrokerSection.model_validate(plan.equipment["broker"])
    assert access(section).password == "lift smoothly"
    assert "smoothly" not in repr(access(section))
    monkeypatch.delenv("NOT_SET", raising=False)
    for key, value, words in (
        ("password_env", "NOT_SET", "NOT_SET"),
        ("password_file", str(tmp_path / "nothing"), "nothing"),
        ("ca_file", str(tmp_path / "secret"), "PEM"),
    ):
        with pytest.raises(BrokerError, match=words):
            access(BrokerSection.model_validate({"host": "127.0.0.1", "user": "pit", key: value}))


async def test_names_with_wildcards_stay_in_their_level(tmp_path: Path, broker: Broker, ear: Ear) -> None:
    """A car and a rule named like filters are published under their own topic, and to no other subscriber."""
    (tmp_path / "hostile").mkdir()
    rule = '[[rule]]\nname = "+/#"\ntrip = "engine_speed > 9000 rpm"\npriority = "note"\nsays = "x"\n'
    text = plan_in(tmp_path / "hostile", more=rule).files["setup.toml"].replace('"copper hatch"', '"$SYS/../#"')
    (tmp_path / "hostile" / "setup.toml").write_text(text)
    drive = Drive(tmp_path, load(tmp_path / "hostile" / "setup.toml"))
    drive.run(1.0)
    drive.end()
    section = BrokerSection(host="127.0.0.1", port=broker.port)
    assert await asyncio.wait_for(publisher(drive, section).run(), DEADLINE_S)
    await ear.until(lambda: bool(ear.states()) and ear.states()[-1] == "ended")
    begins = topic("pullwatch", "$SYS/../#", "")
    assert begins == "pullwatch/v1/%24SYS%2F..%2F%23/"
    assert all(where.startswith(begins) for where, _ in ear.raw)
    assert f"{begins}alarm/%2B%2F%23" in {where for where, _ in ear.raw}
    assert {where.count("/") for where, _ in ear.raw} == {3, 4}


async def test_a_hostile_subscriber_changes_nothing_for_the_others(drive: Drive, broker: Broker, ear: Ear) -> None:
    """Rubbish under our topics, kept by the broker too, huge payloads: all of ours arrives, rubbish is counted.

    A subscriber of everything that never reads is left behind by the broker, and nobody waits for it.
    """
    section = BrokerSection(host="127.0.0.1", port=broker.port)
    looking = Looking(access(section), "pullwatch", None, show=lambda _: None, tell=lambda _words, _urgent: None)
    seeing = asyncio.create_task(looking.run())
    await until(lambda: looking.link.up)
    sleeper_reader, sleeper = await asyncio.open_connection("127.0.0.1", broker.port, limit=1)
    sleeper.write(b"\x10\x0d\x00\x04MQTT\x04\x02\x00\x00\x00\x01n")  # CONNECT as "n" (MQTT 3.1.1, 3.1)
    sleeper.write(b"\x82\x06\x00\x01\x00\x01#\x01")  # SUBSCRIBE to "#" with QoS 1 (3.8), and never a read again
    await sleeper.drain()
    work = asyncio.create_task(publisher(drive, section).run())
    async with aiomqtt.Client("127.0.0.1", broker.port) as enemy:
        enemy.pending_calls_threshold = 10_000
        await enemy.subscribe("#", qos=1)
        for round_ in range(10):
            drive.run(1.0, lean_at=lambda step: step == 5)
            for kind, rule in (("birth", None), ("state", None), ("alarm", "lean"), ("values", None), ("x", None)):
                where = topic("pullwatch", "copper hatch" if round_ % 2 else "other", kind, rule)
                await enemy.publish(where, b'{"session": "' + b"x" * 1000, qos=1, retain=True)
                await enemy.publish(where, b"\x00" * 1_000_000, qos=0)
            await enemy.publish(f"pullwatch/{'/'.join('abcdefgh')}", b"{}", retain=True)
    drive.end()
    assert await asyncio.wait_for(work, DEADLINE_S)
    await ear.until(lambda: bool(ear.states()) and ear.states()[-1] == "ended")
    assert told_changes(ear) == recorded_changes(drive)
    await until(lambda: looking.far.cars["copper hatch"].state == "ended")
    looking.stop()
    await seeing
    sleeper.transport.abort()
    del sleeper_reader
    car = looking.far.cars["copper hatch"]
    assert looking.far.rubbish >= 40
    assert car.missing == 0
    assert [alarm["rule"] for alarm in car.standing()][-1:] == ["lean"]


async def test_a_link_names_the_reason_it_is_refused(broker: Broker) -> None:
    """Nobody listens there: said in the system's words."""
    broker.kill()
    with pytest.raises(aiomqtt.MqttError, match="refused"):
        async with Link(access(BrokerSection(host="127.0.0.1", port=broker.port))):
            pass
