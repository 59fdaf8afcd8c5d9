"""The link to a broker: how it is reached, with which login and certificates, and what it answers to what is sent."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import aiomqtt

from pullwatch.errors import BrokerError

if TYPE_CHECKING:
    from collections.abc import Coroutine
    from types import TracebackType

    from pullwatch.setup.equipment.broker import BrokerSection

T = TypeVar("T")

KEEPALIVE: Final = 10
"""Seconds: a broker that has heard nothing for one and a half times as long says "gone" for us (MQTT 3.1.2.10)."""
PATIENCE: Final = 15.0
"""Seconds an answer is waited for before the link counts as lost."""
IN_FLIGHT: Final = 20
"""Messages on their way at once: what brokers usually take at the least."""
QUIET: Final = logging.getLogger("pullwatch.publish")
"""What the library has to say is said by us, in words; its own lines go nowhere."""
QUIET.addHandler(logging.NullHandler())
QUIET.propagate = False
LONGEST_PASSWORD: Final = 4096


@dataclass(frozen=True, slots=True)
class Access:
    """How a broker is reached. The password is nowhere but here, and is not shown."""

    host: str
    port: int
    user: str | None
    password: str | None
    tls: ssl.SSLContext | None

    def __repr__(self) -> str:
        return f"Access({self.host}:{self.port})"


def access(section: BrokerSection) -> Access:
    """Read the files and the variable that a section names. Raises BrokerError for what is not there or unusable."""
    password = None
    if section.password_file is not None:
        password = _password(Path(section.password_file).expanduser())
    elif section.password_env is not None:
        password = os.environ.get(section.password_env)
        if password is None:
            raise BrokerError(f"The environment variable {section.password_env} that holds the password is not set.")
    return Access(section.host, section.port_used, section.user, password, _tls(section))


def _password(path: Path) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            text = file.read(LONGEST_PASSWORD)
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is no text"
        raise BrokerError(f"{path}: the password cannot be read: {reason}.") from error
    password = text.partition("\n")[0].rstrip("\r")
    if not password:
        raise BrokerError(f"{path}: the first line, which is the password, is empty.")
    return password


def _tls(section: BrokerSection) -> ssl.SSLContext | None:
    if not section.encrypted:
        return None
    authority = None if section.ca_file is None else str(Path(section.ca_file).expanduser())
    try:
        context = ssl.create_default_context(cafile=authority)
    except (OSError, ssl.SSLError) as error:
        raise BrokerError(f"{authority}: {_why(error)}. A certificate (PEM) is expected in ca_file.") from error
    context.sslsocket_class = _Closing
    if section.client_cert is not None and section.client_key is not None:
        ours, key = (str(Path(each).expanduser()) for each in (section.client_cert, section.client_key))
        try:
            context.load_cert_chain(ours, key, password=_no_password)
        except (OSError, ssl.SSLError, ValueError) as error:
            what = "A certificate and its key (PEM, without a password) are expected."
            raise BrokerError(f"{ours}, {key}: {_why(error)}. {what}") from error
    return context


def _no_password() -> str:
    raise ValueError("the key has a password")


def _why(error: Exception) -> str:
    if isinstance(error, ssl.SSLError):
        return error.reason or "it cannot be used"
    return getattr(error, "strerror", None) or str(error)


class _Closing(ssl.SSLSocket):
    """A socket that is closed when the other side is not who it should be: the library below forgets it open."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands, or close."""
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class Link(aiomqtt.Client):
    """A connection to a broker (MQTT 5: only there is a message that is not allowed told to be).

    Used as a context: entering connects, or raises aiomqtt.MqttError.
    """

    def __init__(self, to: Access, **how: Any) -> None:
        super().__init__(
            to.host,
            to.port,
            username=to.user,
            password=to.password,
            tls_context=to.tls,
            protocol=aiomqtt.ProtocolVersion.V5,
            keepalive=KEEPALIVE,
            timeout=PATIENCE,
            max_inflight_messages=IN_FLIGHT,
            logger=QUIET,
            socket_options=[
                (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            ],  # else each handful waits 40 ms for its answers
            **how,
        )
        self.refused = ""
        """Why the broker refused a message last; empty: it took all."""

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Disconnect. Why the link was lost is known from what failed; nobody has to ask for it a second time."""
        await super().__aexit__(kind, error, trace)
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()

    async def while_up(self, doing: Coroutine[Any, Any, T]) -> T:
        """Do something that needs the link. Raises aiomqtt.MqttError at once when the link is lost before it is done.

        The library itself would wait for an answer that cannot come any more.
        """
        task = asyncio.ensure_future(doing)
        try:
            await asyncio.wait((task, self._disconnected), return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            await _ended(task)
            raise
        if task.done():
            return task.result()
        await _ended(task)
        why = self._disconnected.exception()
        raise aiomqtt.MqttError(f"the link was lost: {why}" if why is not None else "the link was closed")

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        if not self._connected.done():  # the library would wait for an answer until its patience ends
            self._connected.set_exception(aiomqtt.MqttError("the broker closed the link before it let us in"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any) -> None:
        if reason_code.is_failure:
            self.refused = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)


async def _ended(task: asyncio.Future[Any]) -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def words_of(error: Exception) -> str:
    """Say why there is no link."""
    text = str(error).strip().rstrip(".")
    return text or type(error).__name__
