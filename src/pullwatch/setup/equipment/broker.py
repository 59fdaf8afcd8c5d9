"""[broker]: where a session is published while it is recorded, how, and what is never sent unless asked."""

from __future__ import annotations

from ipaddress import ip_address
from typing import TYPE_CHECKING, Annotated, TypeAlias

from pydantic import Field, FiniteFloat

from pullwatch.errors import nearest
from pullwatch.setup.sections import EquipmentSection

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pullwatch.setup.plan import Plan

Rate: TypeAlias = Annotated[FiniteFloat, Field(ge=0.1, le=50)]
Host: TypeAlias = Annotated[str, Field(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9._:-]+$")]
"""A name or an address and nothing else: no user, no password, no port, no path."""
WholePath: TypeAlias = Annotated[str, Field(min_length=1, max_length=4096, pattern=r"^[^\x00-\x1f\x7f]+$")]
Words: TypeAlias = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")]


class BrokerSection(EquipmentSection):
    """[broker]: an MQTT broker that is told of alarms, thinned samples and feeds.

    The password is never here, because the setup is recorded: it stands in a file or in an environment variable.
    """

    host: Host
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    """None: 8883 with TLS, 1883 without (the numbers registered for MQTT)."""
    topic: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f+#/$]+$")] = "pullwatch"
    """What every topic begins with."""
    rate_hz: Rate = 2.0
    """How often each channel is sent: its last value, and the least and greatest since it was sent before."""
    rates: dict[str, Rate] = Field(default_factory=dict)
    """The same for single channels, rounded: every interval is a multiple of the shortest one."""
    tls: bool = False
    """Encrypted, the broker checked against the certificates this system trusts."""
    ca_file: WholePath | None = None
    """Encrypted, the broker checked against this certificate (PEM) instead."""
    client_cert: WholePath | None = None
    client_key: WholePath | None = None
    """A certificate of ours and its key (PEM), where the broker asks for one."""
    user: Words | None = None
    password_file: WholePath | None = None
    password_env: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", max_length=100)] | None = None
    in_clear: bool = False
    """Agreed to: without TLS everything, a password too, can be read by whoever shares the network."""
    position: bool = False
    """Send where the car is, too: latitude, longitude, course, altitude."""
    street_speed: bool = False
    """Send road speed in the profile street, too."""
    leave_out: list[str] = Field(default_factory=list)
    """Channels that are never sent."""
    gone_after_ms: Annotated[FiniteFloat, Field(ge=500, le=60_000)] = 1_000.0
    """When nothing has been judged for so long, "monitor gone" is told (ten times a second is usual)."""

    @property
    def encrypted(self) -> bool:
        """Whether TLS is spoken."""
        return self.tls or self.ca_file is not None or self.client_cert is not None

    @property
    def port_used(self) -> int:
        """The port, stated or usual."""
        return self.port if self.port is not None else 8883 if self.encrypted else 1883

    @property
    def on_this_machine(self) -> bool:
        """Whether the broker is surely reached without a network."""
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"

    def problems(self, plan: Plan) -> Iterator[tuple[str, str, str]]:
        """Yield channels that are not there, half a certificate or login, paths that depend on where one stands."""
        names = [channel.name for channel in plan.channels]
        for key, said in (("rates", list(self.rates)), ("leave_out", self.leave_out)):
            for name in said:
                if name not in names:
                    yield (
                        key,
                        f'"{name}" is no channel of this setup{nearest(name, names)}.',
                        "Name one of its channels.",
                    )
        if (self.client_cert is None) is not (self.client_key is None):
            missing = "client_key" if self.client_key is None else "client_cert"
            yield missing, "is missing.", "A certificate of ours needs its key, and the key its certificate."
        yield from self._login_problems()
        for key in ("ca_file", "client_cert", "client_key", "password_file"):
            path = getattr(self, key)
            if path is not None and not path.startswith(("/", "~/")) and path[1:3] not in (":\\", ":/"):
                todo = "Write it from the root or from ~/ on: a recording is published later from another folder."
                yield key, f'"{path}" depends on where one stands.', todo
        if not self.encrypted and not self.in_clear and not self.on_this_machine:
            what = f"to {self.host} everything would cross the network readable for whoever shares it."
            yield "host", what, "Give ca_file or tls = true; or say in_clear = true if that is meant."

    def _login_problems(self) -> Iterator[tuple[str, str, str]]:
        if self.password_file is not None and self.password_env is not None:
            yield "password_env", "stands beside password_file.", "Keep one of the two."
        if self.user is None and (self.password_file is not None or self.password_env is not None):
            yield "user", "is missing.", "A password belongs to a user."
