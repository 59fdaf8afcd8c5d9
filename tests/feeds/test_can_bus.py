"""The python-can feed: what becomes of frames, and of drivers that fail, die, turn or never return."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any, ClassVar

import can
import can.interfaces
import cantools
import pytest
from can.interfaces.virtual import VirtualBus

from pullwatch.batch import Kind
from pullwatch.channels import Channel, Dimension
from pullwatch.decoders.dbc import CanDecoder
from pullwatch.decoders.frames import ERROR, EXTENDED, REMOTE
from pullwatch.errors import PortError
from pullwatch.feeds import can_bus
from pullwatch.feeds.can_bus import CanBusFeed, bus_class, listening
from pullwatch.feeds.dbc_file import read_table
from pullwatch.feeds.kinds import build

from .rigs import SocketcandRig, Taker, Tcp, VirtualRig, can_options

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pullwatch.columns import Sample

MESSAGES = [
    (can.Message(arbitration_id=0x100, is_extended_id=False, data=b"\x11\x22"), 0x100, 2, b"\x11\x22"),
    (can.Message(arbitration_id=0x18FEF600, data=bytes(8)), 0x18FEF600 | EXTENDED, 8, bytes(8)),
    (can.Message(arbitration_id=0x7DF, is_extended_id=False, is_remote_frame=True, dlc=4), 0x7DF | REMOTE, 4, b""),
    (can.Message(arbitration_id=0x20, is_error_frame=True, data=bytes(8)), 0x20 | EXTENDED | ERROR, 8, bytes(8)),
    (can.Message(arbitration_id=0x101, is_extended_id=False, is_fd=True, data=bytes(64)), 0x101, 64, bytes(64)),
]
"""A message, and the id word, the length and the data of its record."""


async def test_frames_of_every_sort_are_packed(taker: Taker, tmp_path: Path) -> None:
    """Each frame is one record: id word with its three flags, length, mark, data. Error frames are counted too."""
    rig = VirtualRig(tmp_path)
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    with can.Bus(channel=rig.named, interface="virtual", ignore_config=True) as sender:
        for message, *_ in MESSAGES:
            sender.send(message)
    await taker.until(lambda: len(taker.of(Kind.DATA)) == len(MESSAGES))
    await feed.stop()
    await rig.unplug()
    for record, (message, word, length, data) in zip(taker.of(Kind.DATA), MESSAGES, strict=True):
        assert record.data == word.to_bytes(4, "little") + bytes([length, 0xC1 if message.is_fd else 0xC0]) + data
    assert feed.health.error_frames == 1


FD_DBC = (
    'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: E\n\n'
    'BO_ 291 Long: 64 E\n SG_ Far : 480|16@1+ (0.5,0) [0|0] "" E\n SG_ Across : 300|32@1- (1,0) [0|0] "" E\n\n'
    'BO_ 2566849809 Wide: 12 E\n SG_ Last : 95|8@0+ (1,0) [0|0] "" E\n'
)
FD_CHANNELS = {name: Channel(n, name, "", Dimension.NUMBER) for n, name in enumerate(("far", "across", "last"))}
FD_WANTED = {"far": "Long.Far", "across": "Long.Across", "last": "Wide.Last"}


def fd_rest(sent: list[can.Message], taker: Taker, folder: Path) -> None:
    """Decode what came in, and hold it to what cantools reads from the frames as they were sent."""
    path = folder / "fd.dbc"
    path.write_text(FD_DBC)
    table = read_table(path, FD_WANTED, FD_CHANNELS)
    assert table.fd
    decoder = CanDecoder(table, FD_CHANNELS, "frames")
    samples: list[Sample] = []
    for record in taker.of(Kind.DATA):
        decoder.few(record.t, record.data, samples)
    library: Any = cantools.database
    oracle = library.load_string(FD_DBC, "dbc")  # cantools 45.1.0
    expected = [
        {
            f"{'Long' if message.dlc == 64 else 'Wide'}.{name}": value
            for name, value in oracle.decode_message(message.arbitration_id, bytes(message.data)).items()
        }
        for message in sent
    ]
    got = [(channel, value) for _, channel, value, _ in samples]
    names = list(FD_WANTED)
    wanted = [
        (number, float(values[FD_WANTED[names[number]]]))
        for values in expected
        for number in range(3)
        if FD_WANTED[names[number]] in values
    ]
    assert got == wanted
    assert len(got) == 3
    assert decoder.ledger.balances
    assert decoder.ledger.bad_messages == 0


async def test_can_fd_frames_come_through_to_their_values(taker: Taker, tmp_path: Path) -> None:
    """Frames of 64 and 12 bytes, of 11 and 29 bits, from the driver to the values, over python-can's virtual bus."""
    sent = [
        can.Message(arbitration_id=291, is_extended_id=False, is_fd=True, bitrate_switch=True, data=bytes(range(64))),
        can.Message(arbitration_id=0x18FF0511, is_extended_id=True, is_fd=True, data=bytes(range(100, 112))),
    ]
    rig = VirtualRig(tmp_path)
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    with can.Bus(channel=rig.named, interface="virtual", ignore_config=True, protocol=can.CanProtocol.CAN_FD) as bus:
        for message in sent:
            bus.send(message)
    await taker.until(lambda: len(taker.of(Kind.DATA)) == len(sent))
    await feed.stop()
    await rig.unplug()
    fd_rest(sent, taker, tmp_path)


async def test_long_frames_of_socketcand_come_through_to_their_values(taker: Taker, tmp_path: Path) -> None:
    """python-can's socketcand does not say that a frame is CAN FD; one of more than 8 bytes can be nothing else."""
    sent = [
        can.Message(arbitration_id=291, is_extended_id=False, is_fd=True, data=bytes(range(64))),
        can.Message(arbitration_id=0x18FF0511, is_extended_id=True, is_fd=True, data=bytes(range(100, 112))),
    ]
    rig = SocketcandRig(tmp_path)
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    for message in sent:
        digits = f"{message.arbitration_id:08X}" if message.is_extended_id else f"{message.arbitration_id:03X}"
        rig.wire.write(f"< frame {digits} 23.424242 {bytes(message.data).hex().upper()} >".encode())
    await taker.until(lambda: len(taker.of(Kind.DATA)) == len(sent))
    await feed.stop()
    await rig.unplug()
    fd_rest(sent, taker, tmp_path)


class Script(VirtualBus):
    """A driver that does what a test says instead of receiving."""

    acts: ClassVar[list[Any]] = []
    opened: ClassVar[list[dict[str, Any]]] = []

    def __init__(self, channel: str, listen_only: bool = False, bitrate: int = 0, serial: str = "") -> None:
        self.opened.append({"channel": channel, "listen_only": listen_only, "bitrate": bitrate, "serial": serial})
        super().__init__(channel)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.acts:
            return self.acts.pop(0)(timeout), False
        return super()._recv_internal(timeout)


def fail(error: BaseException) -> Any:
    """Return an act that raises."""

    def act(_: float | None) -> None:
        raise error

    return act


def give(message: can.Message) -> Any:
    """Return an act that gives a frame."""
    return lambda _: message


@pytest.fixture
def script() -> Iterator[type[Script]]:
    """Make the driver known as `script`."""
    can.interfaces.BACKENDS["script"] = (Script.__module__, "Script")
    Script.acts.clear()
    Script.opened.clear()
    yield Script
    del can.interfaces.BACKENDS["script"]


def scripted(folder: Path, **more: Any) -> CanBusFeed:
    """Build a feed on the scripted driver."""
    feed = build(can_options("can0", "script", **more), 1, folder)
    assert isinstance(feed, CanBusFeed)
    return feed


FRAME = can.Message(arbitration_id=0x100, is_extended_id=False, data=b"\x01")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (can.CanOperationError("bus off"), "can0: lost: bus off."),
        (OSError(19, "No such device"), "can0: lost: [Errno 19] No such device."),
        (ZeroDivisionError("a fault of the driver"), "can0: the reader thread died: ZeroDivisionError: a fault"),
        (SystemExit(3), "can0: the reader thread died: SystemExit: 3."),
    ],
)
async def test_however_the_thread_ends_it_is_told_and_opened_anew(
    script: type[Script], taker: Taker, tmp_path: Path, error: BaseException, said: str
) -> None:
    """A driver's error, a fault in it, even an exit of the thread: the frames before stand, LOST says why, and on."""
    script.acts += [give(FRAME), fail(error), give(FRAME)]
    feed = scripted(tmp_path)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND, 2)
    await taker.until(lambda: len(taker.of(Kind.DATA)) == 2)
    await feed.stop()
    kinds = [record.kind for record in taker.records]
    assert kinds == [Kind.FOUND, Kind.DATA, Kind.LOST, Kind.FOUND, Kind.DATA]
    assert taker.of(Kind.LOST)[0].data.decode().startswith(said)
    assert (feed.health.opened, feed.health.lost) == (2, 1)


async def test_a_driver_that_turns_without_waiting_is_a_lost_port(
    script: type[Script], taker: Taker, tmp_path: Path
) -> None:
    """Some drivers return at once, with nothing, from a dead port: the thread would eat a core; it is told as lost."""

    def turn(timeout: float | None) -> None:
        until = time.thread_time() + (timeout or 0)
        while time.thread_time() < until:
            pass

    script.acts += [turn, give(FRAME), turn, turn]
    feed = scripted(tmp_path)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert "turns without waiting" in reason
    assert len(taker.of(Kind.DATA)) == 1
    await feed.stop()


async def test_what_is_no_frame_is_counted(script: type[Script], taker: Taker, tmp_path: Path) -> None:
    """A driver that gives an impossible frame loses that frame only, and it is counted."""
    broken = can.Message(arbitration_id=0x100, is_extended_id=False, data=bytes(8))
    broken.data = bytearray(300)
    script.acts += [give(broken), give(FRAME)]
    feed = scripted(tmp_path)
    feed.start(taker.intake)
    await taker.until(lambda: len(taker.of(Kind.DATA)) == 1)
    await feed.stop()
    assert feed.health.rejected == 1
    assert "what is no frame" in feed.health.last_error
    assert taker.of(Kind.LOST) == []


async def test_a_driver_that_does_not_return_is_left_behind(
    script: type[Script], taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stop does not wait for ever for a thread stuck in its driver; it is said, and the thread ends when it can."""
    monkeypatch.setattr(can_bus, "STOP_PATIENCE", 0.01)
    returns = threading.Event()

    def stuck(_: float | None) -> None:
        returns.wait(5)

    script.acts += [stuck]
    feed = scripted(tmp_path)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await feed.stop()
    assert "does not return" in feed.health.last_error
    returns.set()  # and the fixture that looks for leaks sees the thread end


async def test_settings_reach_the_driver(script: type[Script], taker: Taker, tmp_path: Path) -> None:
    """Channel, bitrate, the adapter's own options and listen-only are handed to the driver as they are."""
    feed = scripted(tmp_path, bitrate=250_000, adapter_options={"serial": "0042"})
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await feed.stop()
    assert script.opened == [{"channel": "can0", "listen_only": True, "bitrate": 250_000, "serial": "0042"}]
    assert feed.notes == ()


async def test_listen_only_is_off_when_told(script: type[Script], taker: Taker, tmp_path: Path) -> None:
    """With `listen_only = false` the driver is left as it is."""
    feed = scripted(tmp_path, listen_only=False)
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    await feed.stop()
    assert script.opened[0]["listen_only"] is False


async def test_settings_the_driver_does_not_take_are_said(script: type[Script], taker: Taker, tmp_path: Path) -> None:
    """An option the driver does not know is told as LOST, with where to look."""
    feed = scripted(tmp_path, adapter_options={"number": 42})
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert "script does not take these settings" in reason
    assert script.opened == []
    assert "adapter_options" in reason
    await feed.stop()


def test_listening_is_told_from_the_signature() -> None:
    """Each way python-can interfaces have of listening only is found; where there is none, None says so."""

    class ByFlag(VirtualBus):
        def __init__(self, channel: str, listen_only: bool = False) -> None: ...

    class ByMonitor(VirtualBus):
        def __init__(self, channel: str, monitor: bool = False) -> None: ...

    class ByMode(VirtualBus):
        def __init__(self, channel: str, operation_mode: str = "normal") -> None: ...

    class ByState(VirtualBus):
        def __init__(self, channel: str, state: can.BusState = can.BusState.ACTIVE) -> None: ...

    class OtherState(VirtualBus):
        def __init__(self, channel: str, state: str = "new", monitor: int = 3) -> None: ...

    assert listening(ByFlag) == {"listen_only": True}
    assert listening(ByMonitor) == {"monitor": True}
    assert listening(ByMode) == {"operation_mode": "silent"}
    assert listening(ByState) == {"state": can.BusState.PASSIVE}
    assert listening(OtherState) is None


def test_where_listening_cannot_be_guaranteed_it_is_said(tmp_path: Path) -> None:
    """An interface that cannot be told to listen only is used with a note; a bus within the process needs none."""
    (note,) = SocketcandRig(tmp_path).feed().notes
    assert "listen-only cannot be guaranteed through socketcand" in note
    assert VirtualRig(tmp_path).feed().notes == ()
    assert build(can_options("can0", "socketcan", listen_only=False), 1, tmp_path).notes == ()


def test_an_unknown_adapter_is_refused_before_the_start() -> None:
    """An adapter nobody knows is refused with the nearest name."""
    with pytest.raises(PortError, match=r'no CAN adapter "socketcam" \(did you mean "socketcan"\?\)'):
        bus_class("socketcam", "can0")
    with pytest.raises(PortError, match=r'did you mean "slcan"'):
        bus_class("slkan", "can0")


def test_a_driver_that_cannot_be_loaded_is_refused_before_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """An interface whose driver is not installed is refused in words."""
    monkeypatch.setitem(can.interfaces.BACKENDS, "absent", ("no.such.module", "Bus"))
    with pytest.raises(PortError, match=r"driver of absent cannot be loaded.*Install it"):
        bus_class("absent", "can0")


@pytest.mark.parametrize(
    ("greeting", "said"),
    [
        (b"SSH-2.0-x\r\n", "does not greet as a socketcand server"),
        (b"", "did not answer within 0.2 s"),
    ],
)
async def test_a_server_that_is_no_socketcand_is_said(
    taker: Taker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, greeting: bytes, said: str
) -> None:
    """A server that greets otherwise, or never, is told: python-can alone would wait for it without end."""
    monkeypatch.setattr(can_bus, "GREETING_PATIENCE", 0.2)
    wire = Tcp(tmp_path, greeting)
    await wire.plug()
    where = {"host": "127.0.0.1", "port": wire.number}
    feed = build(can_options("can0", "socketcand", adapter_options=where), 1, tmp_path)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert said in reason
    await feed.stop()
    await wire.unplug()


async def test_socketcand_without_an_address_is_said(taker: Taker, tmp_path: Path) -> None:
    """Host and port of a socketcand server belong into adapter_options; without them it is said so."""
    feed = build(can_options("can0", "socketcand"), 1, tmp_path)
    feed.start(taker.intake)
    (reason,) = await taker.texts(Kind.LOST)
    assert "needs a host and a port" in reason
    await feed.stop()


def test_warnings_of_python_can_stay_off_the_console() -> None:
    """python-can warns of each message that came in two parts; nothing of that is printed by the watching process."""
    code = "import logging, pullwatch.feeds.can_bus; logging.getLogger('can.interfaces.any').warning('noise')"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    assert (done.stdout, done.stderr) == (b"", b"")


async def test_error_frames_of_socketcand_are_counted(taker: Taker, tmp_path: Path) -> None:
    """A bus error the server reports is a record with the error flag, and is counted."""
    rig = SocketcandRig(tmp_path)
    await rig.plug()
    feed = rig.feed()
    feed.start(taker.intake)
    await taker.texts(Kind.FOUND)
    rig.wire.write(b"< error 004 23.424242 >")
    await taker.until(lambda: len(taker.of(Kind.DATA)) == 1)
    await feed.stop()
    await rig.unplug()
    assert int.from_bytes(taker.data()[:4], "little") == 0x004 | EXTENDED | ERROR
    assert feed.health.error_frames == 1
