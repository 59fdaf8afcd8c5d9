"""Opening, missing and losing sound devices, with a made-up sound library in place of the real one.

The real library is met in test_link.py and test_watcher.py, by its null device; no test has a loudspeaker.
"""

from __future__ import annotations

import queue
import threading
from enum import Enum
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np  # noqa: F401 - loaded before the sound library is asked not to load it
import pytest

from pullwatch.errors import PortError
from pullwatch.sentinel import devices
from pullwatch.sentinel.devices import Output, _open_real
from pullwatch.sentinel.patterns import render_all
from pullwatch.sentinel.player import Player
from pullwatch.sentinel.wire import What

if TYPE_CHECKING:
    from collections.abc import Iterator

PATTERNS = render_all()


class Backend(Enum):
    """Sound systems, numbered as the library numbers them."""

    PULSEAUDIO = 7
    ALSA = 8
    CUSTOM = 13
    NULL = 14


class MiniaudioError(Exception):
    """What the library raises."""


class FakeLibrary(SimpleNamespace):
    """A sound library whose cards are given by backend: names in the order listed, the first being the default."""

    def __init__(self, cards: dict[Backend, list[str]]) -> None:
        library = self
        opened: queue.SimpleQueue[Any] = queue.SimpleQueue()

        class Device:
            def __init__(self, *, backends: list[Backend], device_id: str | None, **_: Any) -> None:
                (self.backend,) = backends
                names = ["null"] if self.backend is Backend.NULL else library.cards.get(self.backend, [])
                if not names:
                    raise MiniaudioError("failed to init device", -401)
                self.name = device_id or names[0]
                self.started = self.closed = False

            def start(self, feed: Any) -> None:
                if library.start_fails and self.backend is not Backend.NULL:
                    raise MiniaudioError("failed to start audio device", -2)
                assert feed.send(480) == bytes(960)
                self.started = True
                opened.put(self)

            def close(self) -> None:
                self.closed = True

        class Devices:
            def __init__(self, backends: list[Backend]) -> None:
                (self.backend,) = backends
                if self.backend not in library.cards:
                    raise MiniaudioError("cannot init context", -203)

            def get_playbacks(self) -> list[dict[str, str]]:
                return [{"name": name, "id": name} for name in library.cards[self.backend]]

        super().__init__(
            Backend=Backend,
            MiniaudioError=MiniaudioError,
            PlaybackDevice=Device,
            Devices=Devices,
            SampleFormat=SimpleNamespace(SIGNED16=2),
            get_enabled_backends=lambda: set(Backend),
            cards=cards,
            opened=opened,
            start_fails=False,
        )


class Told(queue.SimpleQueue[tuple[What, str]]):
    """What an Output tells."""

    def note(self, what: What, words: str) -> None:
        """Take what is told."""
        self.put((what, words))

    def next(self) -> tuple[What, str]:
        """Return what was told first, waiting for it."""
        return self.get(timeout=10)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> FakeLibrary:
    """Put a sound library without a card in place of the real one."""
    made = FakeLibrary({})
    monkeypatch.setattr(devices, "_import_miniaudio", lambda: made)
    monkeypatch.setattr(devices, "FIRST_RETRY_S", 0.01)
    return made


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def output(told: Told) -> Iterator[Output]:
    """Make an output to the default device, not yet started."""
    made = Output(Player(PATTERNS), "default", told.note)
    yield made
    made.close(10)
    assert not made._thread.is_alive()


def test_a_missing_device_is_told_and_taken_when_it_comes(library: FakeLibrary, told: Told, output: Output) -> None:
    """Without a card the null device keeps the time and the words say why; a card plugged in later opens."""
    output.start()
    what, words = told.next()
    assert what is What.DEVICE_MISSING
    assert "pulseaudio: failed to init device -401" in words
    assert "Plug one in" in words
    stand_in = library.opened.get(timeout=10)
    assert stand_in.backend is Backend.NULL
    library.cards[Backend.ALSA] = ["built in"]
    assert told.next() == (What.DEVICE_OPEN, "the default sound device (alsa) is open.")
    while (device := library.opened.get(timeout=10)).backend is Backend.NULL:
        stand_in = device
    assert stand_in.closed
    assert not device.closed


def test_a_missing_device_is_told_once(library: FakeLibrary, told: Told, output: Output) -> None:
    """Every new attempt that fails for the same reason says nothing new."""
    output.start()
    told.next()
    for _ in range(3):
        library.opened.get(timeout=10)
    assert told.empty()


def test_a_lost_device_is_opened_again(library: FakeLibrary, told: Told, output: Output) -> None:
    """A device said to be lost is closed and opened anew."""
    library.cards[Backend.ALSA] = ["built in"]
    output.start()
    assert told.next()[0] is What.DEVICE_OPEN
    first = library.opened.get(timeout=10)
    output.lost()
    assert told.next()[0] is What.DEVICE_OPEN
    assert first.closed
    assert library.opened.get(timeout=10) is not first


def test_a_device_that_opens_but_does_not_start_is_told(library: FakeLibrary, told: Told, output: Output) -> None:
    """A card in use by somebody else opens and then refuses; this is told, and tried again."""
    library.cards[Backend.ALSA] = ["built in"]
    library.start_fails = True
    output.start()
    what, words = told.next()
    assert what is What.DEVICE_MISSING
    assert "did not start" in words
    library.start_fails = False
    while (what := told.next()[0]) is What.DEVICE_MISSING:
        pass
    assert what is What.DEVICE_OPEN


def test_a_library_that_cannot_be_loaded_is_told(monkeypatch: pytest.MonkeyPatch, told: Told, output: Output) -> None:
    """Without the sound library signals keep their time, and the words say that nothing is heard."""

    def broken() -> Any:
        raise ImportError("libasound.so.2: cannot open shared object file")

    monkeypatch.setattr(devices, "_import_miniaudio", broken)
    output._player.choose(next(iter(PATTERNS)), 1)
    heard = threading.Event()
    output._player._wake = heard.set
    output.start()
    what, words = told.next()
    assert what is What.DEVICE_MISSING
    assert "libasound" in words
    assert heard.wait(10)


def test_a_thread_that_fails_is_told(monkeypatch: pytest.MonkeyPatch, told: Told, output: Output) -> None:
    """A mistake in the library or here ends the sound, not the watch, and is told in words."""
    seen: list[Any] = []
    monkeypatch.setattr(threading, "excepthook", seen.append)

    def broken() -> Any:
        raise RuntimeError("a mistake")

    monkeypatch.setattr(devices, "_import_miniaudio", broken)
    output.start()
    what, words = told.next()
    output._thread.join(10)
    assert what is What.DEVICE_MISSING
    assert "has failed" in words
    assert str(seen[0].exc_value) == "a mistake"


def test_a_wav_file_that_cannot_be_written_is_told(told: Told) -> None:
    """A wrong path is told in words, and the signals keep their time."""
    output = Output(Player(PATTERNS), "wav:/nowhere/at/all.wav", told.note)
    output.start()
    what, words = told.next()
    assert what is What.DEVICE_MISSING
    assert "/nowhere/at/all.wav cannot be written" in words
    output.close(10)


def test_a_device_is_found_by_part_of_its_name() -> None:
    """Any sound system's device with the words in its name is taken, capital letters or not."""
    library = FakeLibrary({Backend.PULSEAUDIO: ["Screen"], Backend.ALSA: ["Built in", "USB Headset"]})
    device, words = _open_real(library, "usb head")
    assert device.name == "USB Headset"
    assert words == "USB Headset (alsa) is open."


def test_a_name_that_is_not_there_falls_back_and_says_so() -> None:
    """A wrong loudspeaker is better than none, and the words name the nearest one."""
    library = FakeLibrary({Backend.ALSA: ["Built in", "USB Headset"]})
    device, words = _open_real(library, "USB Hedset")
    assert device.name == "Built in"
    assert words == (
        'no sound device is called "USB Hedset" (did you mean "USB Headset"?); the default one (alsa) is open.'
    )


def test_no_device_at_all_names_every_reason() -> None:
    """The error says what each sound system answered; the null device is never taken for a real one."""
    with pytest.raises(PortError, match="alsa: failed to init device -401") as caught:
        _open_real(FakeLibrary({Backend.PULSEAUDIO: []}), "default")
    assert "pulseaudio" in str(caught.value)
    assert "null" not in str(caught.value)


def test_the_real_library_is_loaded_without_numpy() -> None:
    """Loading the sound library leaves numpy as it was."""
    import sys

    before = sys.modules.get("numpy")
    assert devices._import_miniaudio().Backend.NULL.value == 14
    assert sys.modules.get("numpy") is before
