"""What takes the sound: a device, no device, or a WAV file. All of it happens in threads beside the watch.

Opening a device may take a second, hang in a sound server, or fail; closing may hang too. None of that may keep the
sentinel from hearing that the monitor is gone, so nothing here is ever waited for, except for a moment at the end.
"""

from __future__ import annotations

import sys
import threading
import time
from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import PortError, nearest
from pullwatch.sentinel.patterns import FRAME_BYTES, RATE
from pullwatch.sentinel.wire import What

if TYPE_CHECKING:
    from collections.abc import Callable, Generator

    from pullwatch.sentinel.player import Player

DEFAULT: Final = "default"
NULL: Final = "null"
WAV: Final = "wav:"

PERIOD_MS: Final = 10
"""The device is asked to take sound in pieces this long, and to hold two of them."""
PERIODS: Final = 2
FIRST_RETRY_S: Final = 1.0
LAST_RETRY_S: Final = 30.0
"""A missing device is tried again after 1, 2, 4 ... seconds, at last every 30: each try costs some memory."""


class Output:
    """Feeds a Player to the device called `device`: `default`, `null`, `wav:PATH`, or part of a device's name.

    `tell(what, words)` is called from the thread of the device, and must only note it. A device that cannot be opened
    is told, its place is taken by the null device (signals keep their time), and it is tried again. No method raises.
    """

    def __init__(self, player: Player, device: str, tell: Callable[[What, str], None]) -> None:
        self.playing = False
        """Whether frames should be taken just now: whoever sees that they are not, calls `lost`."""
        self.audible = False
        """Whether what is taken can be heard by anybody."""
        self.opening_since: int | None = None
        """time.monotonic_ns when the attempt began that is going on now."""
        self._player = player
        self._device = device
        self._tell = tell
        self._told = ""
        self._closing = False
        self._stir = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)

    def start(self) -> None:
        """Begin to open the device."""
        self._thread.start()

    def lost(self) -> None:
        """Close what does not take sound any more, and open it again."""
        self._stir.set()

    def close(self, seconds: float) -> None:
        """Let go of the device, waiting at most this long for it."""
        self._closing = True
        self._stir.set()
        self._thread.join(seconds)

    def _run(self) -> None:
        try:
            self._work()
        finally:
            self.playing = self.audible = False
            if not self._closing:  # whatever it was is on stderr
                self._tell(What.DEVICE_MISSING, "the thread of the sound has failed: no signal can be heard any more.")

    def _work(self) -> None:
        if self._device.startswith(WAV):
            self._run_wav(self._device[len(WAV) :])
            return
        try:
            miniaudio = _import_miniaudio()
        except ImportError as problem:
            self._tell(What.DEVICE_MISSING, f"the sound library cannot be loaded ({problem}): no signal can be heard.")
            self._pace(lambda _pcm: None)
            return
        if self._device == NULL:
            self._tell(What.DEVICE_NULL, "null device: no signal will be heard, as asked for.")
            while not self._closing:
                self._hold(self._null(miniaudio), audible=False)
            return
        self._run_real(miniaudio)

    def _run_real(self, miniaudio: Any) -> None:
        pause = FIRST_RETRY_S
        while not self._closing:
            stand_in = self._null(miniaudio) if self._told else None
            self.opening_since = time.monotonic_ns()
            try:
                device, words = _open_real(miniaudio, self._device)
            except PortError as problem:
                self.opening_since = None
                if str(problem) != self._told:
                    self._told = str(problem)
                    self._tell(What.DEVICE_MISSING, self._told)
                self._hold(stand_in or self._null(miniaudio), audible=False, seconds=pause)
                pause = min(2 * pause, LAST_RETRY_S)
                continue
            self.opening_since = None
            if stand_in is not None:
                stand_in.close()
            try:
                device.start(_feed(self._player))
            except miniaudio.MiniaudioError as problem:
                self._tell(What.DEVICE_MISSING, f"the sound device opened but did not start ({_words(problem)}).")
                device.close()
                self._wait(pause)
                pause = min(2 * pause, LAST_RETRY_S)
                continue
            self._told = ""
            self._tell(What.DEVICE_OPEN, words)
            began = time.monotonic()
            self._hold(device, audible=True)
            # A device that is lost as soon as it opens must not be opened in a tight circle.
            if time.monotonic() - began < LAST_RETRY_S and not self._closing:
                self._wait(pause)
                pause = min(2 * pause, LAST_RETRY_S)
            else:
                pause = FIRST_RETRY_S

    def _null(self, miniaudio: Any) -> Any:
        device = _open(miniaudio, miniaudio.Backend.NULL, None)
        device.start(_feed(self._player))
        return device

    def _hold(self, device: Any, *, audible: bool, seconds: float | None = None) -> None:
        """Keep `device` until it is lost, everything closes, or for `seconds`."""
        self.audible = audible
        self.playing = True
        self._wait(seconds)
        self.playing = self.audible = False
        device.close()

    def _wait(self, seconds: float | None) -> None:
        self._stir.wait(seconds)
        if not self._closing:
            self._stir.clear()

    def _run_wav(self, path: str) -> None:
        import wave  # noqa: PLC0415 - needed by nobody but this

        try:
            raw = open(path, "wb")  # noqa: SIM115, PTH123 - closed by the with below; opening may fail by itself
        except OSError as problem:
            self._tell(What.DEVICE_MISSING, f"{path} cannot be written ({problem.strerror}): no signal is kept.")
            self._pace(lambda _pcm: None)
            return
        with raw, wave.open(raw, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(FRAME_BYTES)
            file.setframerate(RATE)
            self._tell(What.DEVICE_OPEN, f"signals are written to {path}; no signal will be heard.")
            self._pace(file.writeframesraw)

    def _pace(self, take: Callable[[bytes], object]) -> None:
        """Take frames as a device would, one period after the other, in real time."""
        self.playing = True
        due = time.monotonic()
        while not self._closing:
            take(self._player.frames(RATE * PERIOD_MS // 1000))
            due = max(due + PERIOD_MS / 1000, time.monotonic() - 1.0)
            self._stir.wait(max(0.0, due - time.monotonic()))
        self.playing = False


def _import_miniaudio() -> Any:
    """Load the sound library without numpy: it takes numpy along if it can, which costs 0.3 s and is of no use here."""
    hide = "numpy" not in sys.modules
    if hide:
        sys.modules["numpy"] = None  # type: ignore[assignment]  # None makes `import numpy` raise ImportError
    try:
        import miniaudio  # noqa: PLC0415 - loaded beside the watch, not before it
    finally:
        if hide:
            del sys.modules["numpy"]
    return miniaudio


def _feed(player: Player) -> Generator[bytes, int, None]:
    """Give the generator that the sound library asks for frames, at the point where it asks."""

    def frames() -> Generator[bytes, int, None]:
        count = yield b""
        while True:
            count = yield player.frames(count)

    feed = frames()
    next(feed)
    return feed


def _open(miniaudio: Any, backend: Any, device_id: Any) -> Any:
    return miniaudio.PlaybackDevice(
        output_format=miniaudio.SampleFormat.SIGNED16,
        nchannels=1,
        sample_rate=RATE,
        buffersize_msec=PERIOD_MS,  # the library calls it a buffer and uses it as the period
        callback_periods=PERIODS,
        device_id=device_id,
        backends=[backend],
        app_name="pullwatch",
    )


def _words(problem: Exception) -> str:
    return " ".join(str(part) for part in problem.args)


def _open_real(miniaudio: Any, name: str) -> tuple[Any, str]:
    """Open the device called `name` through whichever sound system has it; return it and words about it.

    A device asked for by name that is not there is replaced by the default one, and the words say so: a wrong
    loudspeaker is better than none. Raises PortError with the reason of every sound system.
    """
    failed: list[str] = []
    names: list[str] = []
    backends = [
        b for b in miniaudio.get_enabled_backends() if b not in (miniaudio.Backend.NULL, miniaudio.Backend.CUSTOM)
    ]
    backends.sort(key=lambda backend: backend.value)
    if name != DEFAULT:
        for backend in backends:
            try:
                found = miniaudio.Devices([backend]).get_playbacks()
                names += [device["name"] for device in found]
                for device in found:
                    if name.lower() in device["name"].lower():
                        return _open(
                            miniaudio, backend, device["id"]
                        ), f"{device['name']} ({backend.name.lower()}) is open."
            except miniaudio.MiniaudioError as problem:
                failed.append(f"{backend.name.lower()}: {_words(problem)}")
    for backend in backends:
        try:
            opened = _open(miniaudio, backend, None)
        except miniaudio.MiniaudioError as problem:
            failed.append(f"{backend.name.lower()}: {_words(problem)}")
            continue
        if name == DEFAULT:
            return opened, f"the default sound device ({backend.name.lower()}) is open."
        instead = f"the default one ({backend.name.lower()}) is open."
        words = f'no sound device is called "{name}"{nearest(name, names)}; {instead}'
        return opened, words
    reasons = "; ".join(dict.fromkeys(failed)) or "no sound system is built in"
    raise PortError(
        f"sound device {name}",
        f"none could be opened ({reasons}): no signal can be heard.",
        "Plug one in or start the sound server; it is tried again.",
    )
