"""The pit page: what it shows, to whom, and what it may do. In a real browser where there is one."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import threading
from contextlib import contextmanager
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from tests.live_session import SETUP, LiveSession

from pullwatch.acts import Acts, Door
from pullwatch.channels import QUANTITIES
from pullwatch.clock import NS_PER_S, steady_ns
from pullwatch.errors import LogbookError
from pullwatch.logbook import Logbook
from pullwatch.pit.book import Book, Cards
from pullwatch.pit.deeds import Deeds, Form
from pullwatch.pit.room import POSITION, Room
from pullwatch.pit.server import LARGEST_REQUEST, VIEWERS, Pit, Server, listen_at
from pullwatch.pit.starting import address, first_words
from pullwatch.watching import _live, priorities

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from selenium.webdriver import Chrome

TOKEN = "a-token-of-the-test"
HEALTHY = {"n": 5000.0, "map": 180.0, "lambda": 0.80, "t": 90.0}
WITH = {"Authorization": f"Bearer {TOKEN}"}
NASTY = '<img src=x onerror="document.title=1">'


@pytest.fixture
def session(tmp_path: Path) -> Iterator[LiveSession]:
    live = LiveSession(tmp_path / "sessions" / "2026-11-25_10-00-00_copper-hatch")
    yield live
    live.close()


@contextmanager
def served(
    root: Path,
    *,
    cards: Callable[[], list[Any]] = list,
    book: dict[str, Form] | None = None,
    steady: Callable[[], int] = steady_ns,
) -> Iterator[tuple[int, Server]]:
    """Serve the page on a free port of this machine, in a thread, ended on leaving."""
    listening = listen_at("127.0.0.1", 0)
    port: int = listening.getsockname()[1]
    begun = threading.Event()
    made: list[Server] = []

    async def serve() -> None:
        pit = Pit(Room(root, steady=steady), Deeds(root, book), TOKEN, cards, ["127.0.0.1"])
        made.append(Server(pit, listening))
        await pit.look()
        begun.set()
        await made[0].run_until_stopped()

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    try:
        assert begun.wait(20)
        yield port, made[0]
    finally:
        made[0].should_exit = True
        thread.join(20)
        listening.close()
    assert not thread.is_alive()


def stream_of(port: int) -> Iterator[dict[str, Any]]:
    """Every picture the page is sent, as it comes."""
    with httpx.stream("GET", f"http://127.0.0.1:{port}/stream", timeout=20) as answer:
        for line in answer.iter_lines():
            if line.startswith("data: "):
                yield json.loads(line[6:])


# ---- what it shows ---------------------------------------------------------------------------------------------------


def test_alarms_margins_and_ages_are_sent(session: LiveSession) -> None:
    """A lean moment is an alarm with its sentence; the margins say what is closest; every value has its age."""
    session.drive(0.5, **HEALTHY)
    session.drive(0.5, **{**HEALTHY, "lambda": 0.93})
    with served(session.folder.parent) as (port, _):
        sent = next(stream_of(port))
    assert sent["car"] == "copper hatch"
    (alarm,) = sent["alarms"]
    assert (alarm["says"], alarm["priority"], alarm["first_out"]) == ("Lean under boost. Lift.", "critical", True)
    assert alarm["reading"] == "lambda 0.930 (limit lambda 0.855)"
    assert sent["margins"][0] == {
        "rule": "lean under boost",
        "priority": "critical",
        "channel": "lambda",
        "shown": "lambda 0.930, limit lambda 0.855",
        "share": 0.0,
        "armed": True,
        "tripped": True,
    }
    assert {one["name"]: one["known"] for one in sent["channels"]}["lambda"]


def test_a_session_that_begins_later_takes_the_page(session: LiveSession, tmp_path: Path) -> None:
    """Watching ended and begun again: the page follows the newer session by itself."""
    session.drive(0.2, **HEALTHY)
    now = [0]
    room = Room(tmp_path / "sessions", steady=lambda: now[0])
    assert room.look()["session"] == session.folder.name
    later = LiveSession(tmp_path / "sessions" / "2026-11-25_11-00-00_copper-hatch")
    later.drive(0.2, **HEALTHY)
    assert room.look()["session"] == session.folder.name
    now[0] += NS_PER_S
    assert room.look()["session"] == later.folder.name
    later.close()


def test_nothing_recorded_is_said(tmp_path: Path) -> None:
    """An empty folder is no error: the page says what to start."""
    assert "pullwatch watch" in Room(tmp_path, steady=lambda: 0).look()["says"]


def test_where_and_how_fast_on_the_street_stays_here(tmp_path: Path) -> None:
    """Position is never on the page unless asked for, and on the street neither is speed."""
    setup = SETUP.replace(
        '{ channel = "coolant_temperature", key = "t" },',
        '{ channel = "coolant_temperature", key = "t" }, { channel = "vehicle_speed", key = "v" },'
        '{ channel = "latitude", key = "lat" },',
    )
    setup += '\n[profile]\nkind = "street"\n\n[[rule]]\nname = "fast"\ntrip = "vehicle_speed > 200 km/h"\n'
    live = LiveSession(tmp_path / "street", setup)
    live.drive(0.2, **HEALTHY, v=90, lat=48)
    shown = Room(tmp_path, live.folder, steady=lambda: 0).look()
    asked = Room(tmp_path, live.folder, steady=lambda: 0, private=True).look()
    live.close()
    assert {one["name"] for one in shown["channels"]} == {
        "engine_speed", "manifold_pressure", "lambda", "coolant_temperature",
    }  # fmt: skip
    assert "fast" not in {one["rule"] for one in shown["margins"]}
    assert {"vehicle_speed", "latitude"} <= {one["name"] for one in asked["channels"]}
    assert set(QUANTITIES) >= POSITION


# ---- who may do what -------------------------------------------------------------------------------------------------


@contextmanager
def watching(session: LiveSession) -> Iterator[list[dict[str, Any]]]:
    """Hold the door of a watching process open, in a thread; yield the acts that came through it."""
    came: list[dict[str, Any]] = []

    class Kept:
        def put(self, _feed: int, _kind: object, data: bytes) -> None:
            came.append(json.loads(data))

    loop = asyncio.new_event_loop()
    opened = threading.Event()
    over = asyncio.Event()

    async def hold() -> None:
        door = Door(Acts(Kept(), priorities(session.plan)), _live(session.folder))  # type: ignore[arg-type]
        await door.open()
        opened.set()
        await over.wait()
        await door.close()

    thread = threading.Thread(target=loop.run_until_complete, args=(hold(),))
    thread.start()
    try:
        assert opened.wait(20)
        yield came
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(20)
        loop.close()
        shutil.rmtree(_live(session.folder), ignore_errors=True)


def test_without_the_token_it_only_shows(session: LiveSession) -> None:
    """No token, a wrong one, or the token in the address: no act. The right one in the header: the act is done."""
    session.drive(0.1, **HEALTHY)
    with watching(session) as came, served(session.folder.parent) as (port, _):
        url = f"http://127.0.0.1:{port}"
        act = {"act": "acknowledge"}
        assert httpx.post(f"{url}/act", json=act).status_code == 403
        assert httpx.post(f"{url}/act", json=act, headers={"Authorization": "Bearer x"}).status_code == 403
        assert httpx.post(f"{url}/act?token={TOKEN}", json=act).status_code == 403
        assert httpx.get(f"{url}/forms").status_code == 403
        assert came == []
        done = httpx.post(f"{url}/act", json=act, headers=WITH)
        assert done.json() == {"ok": True, "said": "acknowledged all"}
        assert httpx.post(f"{url}/act", json={"act": "mark", "text": "x"}, headers=WITH).is_success
    assert [one["act"] for one in came] == ["acknowledge", "mark"]
    assert {one["who"] for one in came} == {"pit page"}


def test_a_page_cannot_hide_reset_or_change_rules(session: LiveSession) -> None:
    """What is for whoever stands at the machine is refused in words, as is everything that is no act."""
    session.drive(0.1, **HEALTHY)
    with watching(session) as came, served(session.folder.parent) as (port, _):
        url = f"http://127.0.0.1:{port}"
        for act in ("reset", "shelve", "out-of-service", "reload", None, 7):
            refused = httpx.post(f"{url}/act", json={"act": act}, headers=WITH)
            assert refused.status_code == 409
            assert "it may: acknowledge, mark" in refused.json()["why"]
        assert httpx.post(f"{url}/act", content=b"{", headers=WITH).status_code == 400
        assert httpx.post(f"{url}/act", content=b"[]", headers=WITH).status_code == 400
        assert httpx.post(f"{url}/act", content=b"[" * LARGEST_REQUEST, headers=WITH).status_code == 400
        assert httpx.post(f"{url}/act", content=b"x" * (LARGEST_REQUEST + 1), headers=WITH).status_code == 413
        assert httpx.post(f"{url}/nothing", json={}, headers=WITH).status_code == 404
        assert (
            httpx.post(f"{url}/act", json={"act": "acknowledge", "rule": "none such"}, headers=WITH).status_code == 409
        )
    assert came == []


def test_another_name_for_this_machine_is_refused(session: LiveSession) -> None:
    """A page of somebody else's whose name leads here (DNS rebinding) gets nothing."""
    with served(session.folder.parent) as (port, _):
        assert httpx.get(f"http://127.0.0.1:{port}/now", headers={"Host": "elsewhere.example"}).status_code == 400


def test_nobody_watching_is_said(session: LiveSession) -> None:
    """An act for a session that nobody records comes back with the reason."""
    with served(session.folder.parent) as (port, _):
        refused = httpx.post(f"http://127.0.0.1:{port}/act", json={"act": "acknowledge"}, headers=WITH)
    assert refused.status_code == 409
    assert "nobody watches here" in refused.json()["why"]


def test_too_many_pages_are_told(session: LiveSession) -> None:
    """More pages than there may be are turned away; one that goes makes room."""
    session.drive(0.1, **HEALTHY)
    with served(session.folder.parent) as (port, _):
        open_now = [socket.create_connection(("127.0.0.1", port)) for _ in range(VIEWERS)]
        for each in open_now:
            each.sendall(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            each.recv(4096)
        assert httpx.get(f"http://127.0.0.1:{port}/stream").status_code == 503
        for each in open_now:
            each.close()


def test_what_is_printed_says_where_and_warns() -> None:
    """On loopback alone a phone is told how; on the network it is said that nothing is encrypted."""
    alone = "\n".join(first_words([], 8321, TOKEN, network=False))
    assert f"http://127.0.0.1:8321/#{TOKEN}" in alone
    assert "--network" in alone
    both = "\n".join(first_words(["192.0.2.7"], 8321, TOKEN, network=True))
    assert address("192.0.2.7", 8321, TOKEN) in both
    assert "Not encrypted" in both
    assert "never the driver" in both


# ---- the logbook and the cards ---------------------------------------------------------------------------------------


def test_a_slip_and_a_change_go_into_the_logbook(tmp_path: Path) -> None:
    """Both are written down for the car looked at, with commas or points, in km/h or mph; the pick list learns."""
    file = tmp_path / "logbook.sqlite"
    deeds = Deeds(tmp_path, Book(file, lambda: "copper hatch").forms())
    said = deeds.do("slip", {"t60": "1,82", "t330": "5.1", "t660": "7.9", "v660": "88", "unit": "mph"})
    assert "logbook of copper hatch" in said
    deeds.do("change", {"item": "wastegate_duty", "value": "36"})
    with Logbook(file) as book:
        given = book.given("copper hatch")
    (slip,), (change,) = given.slips, given.changes
    assert slip.times == {"60 ft": 1.82, "330 ft": 5.1, "660 ft": 7.9}
    assert slip.speeds["660 ft"] == pytest.approx(88 * 1.609344)
    assert (change.item, change.now) == ("wastegate_duty", "36")
    choices = deeds.forms()["change"]["fields"][0]["choices"]
    assert choices[0] == {"value": "wastegate_duty", "says": "wastegate duty: 36 %; a step: 35 or 37"}


def test_what_cannot_be_on_a_slip_is_refused_in_words(tmp_path: Path) -> None:
    """Times in the wrong order, a word for a number, and no car to write it down for."""
    file = tmp_path / "logbook.sqlite"
    deeds = Deeds(tmp_path, Book(file, lambda: "copper hatch").forms())
    with pytest.raises(LogbookError, match="wrong places"):
        deeds.do("slip", {"t60": "5.1", "t330": "1.8"})
    with pytest.raises(LogbookError, match="no number"):
        deeds.do("slip", {"t60": "fast", "t330": "5"})
    with pytest.raises(LogbookError, match="pick list"):
        deeds.do("change", {"item": "nitrous", "value": "1"})
    with pytest.raises(LogbookError, match="car is not known"):
        Deeds(tmp_path, Book(file, lambda: "").forms()).do("slip", {"t60": "1.8", "t330": "5"})


def test_the_card_of_a_run_is_on_the_page_some_seconds_after_the_lift(tmp_path: Path) -> None:
    """Made from the session while it is recorded, once each, the newest first."""
    live = LiveSession(tmp_path / "s", SETUP.replace('{ channel = "coolant_temperature", key = "t" },',
        '{ channel = "coolant_temperature", key = "t" }, { channel = "throttle", key = "th" },'
        '{ channel = "barometric_pressure", key = "b" },'))  # fmt: skip
    cards = Cards(lambda: live.folder)
    assert Cards(lambda: None)() == []
    live.drive(2.0, n=1500, map=40, t=90, th=5, b=100, **{"lambda": 1.0})
    assert cards() == []
    for step in range(200):
        live.drive(0.02, n=2500 + 20 * step, map=180, t=90, th=100, b=100, **{"lambda": 0.82})
    live.drive(6.0, n=2000, map=30, t=90, th=0, b=100, **{"lambda": 1.0})
    (card,) = cards()
    assert "run 1" in card["title"]
    assert any("boost" in line for line in card["lines"])
    assert len(card["lines"]) < 14
    assert cards() == [card]
    live.close()


# ---- the page in a browser -------------------------------------------------------------------------------------------


@pytest.fixture
def browser() -> Iterator[Chrome]:
    """Debian's Chromium without a screen; skipped where it is not installed, unless everything must be there."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    if not FilePath("/usr/bin/chromedriver").exists():
        if "PULLWATCH_COMPLETE" in os.environ:
            pytest.fail("chromium and chromium-driver are not installed")
        pytest.skip("chromium and chromium-driver are not installed (apt install chromium chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in (
        "headless=new", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking",
        "disable-component-update", "disable-sync", "window-size=420,860",
    ):  # fmt: skip
        options.add_argument(f"--{flag}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


def until(driver: Chrome, what: Callable[[], bool]) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(driver, 20, poll_frequency=0.05).until(lambda _: what())


def text(driver: Chrome, where: str) -> str:
    found: str = driver.find_element("css selector", where).text
    return found


def test_the_page_shows_acts_and_knows_when_it_is_old(session: LiveSession, browser: Chrome) -> None:
    """In Chromium: the alarm's words, the acknowledgement by the large key, and no old value shown as a present one."""
    session.drive(0.5, **HEALTHY)
    session.drive(0.3, **{**HEALTHY, "lambda": 0.93})
    cards = [{"title": "Run 1", "lines": ["boost 79 kPa gauge"]}]
    wrote: list[Any] = []
    slip = Form(
        lambda: {
            "title": "Time slip",
            "button": "Write it",
            "fields": [{"name": "t60", "asks": "60 ft, s", "number": True}],
        },
        lambda asked: wrote.append(asked) or "written",  # type: ignore[func-returns-value]
    )
    with watching(session) as came:
        with served(session.folder.parent, cards=lambda: cards, book={"slip": slip}) as (port, _):
            browser.get(f"http://127.0.0.1:{port}/#{TOKEN}")
            until(browser, lambda: "Lean under boost. Lift." in text(browser, "#alarms"))
            assert "FIRST OUT" in text(browser, "#alarms")
            assert "BEYOND ITS LIMIT" in text(browser, "#first")
            until(browser, lambda: "boost 79 kPa gauge" in text(browser, "#cards"))
            until(browser, lambda: browser.find_element("id", "acknowledge").is_displayed())
            browser.find_element("id", "acknowledge").click()
            until(browser, lambda: text(browser, "#answer") == "acknowledged all")
            assert [one["act"] for one in came] == ["acknowledge"]
            browser.find_element("css selector", "#forms summary").click()
            browser.find_element("name", "t60").send_keys("1.82")
            browser.find_element("css selector", "#forms button").click()
            until(browser, lambda: text(browser, "#answer") == "written")
            assert wrote == [{"t60": "1.82"}]
            wide = browser.execute_script("return document.documentElement.scrollWidth > window.innerWidth")
            assert not wide
        until(browser, lambda: "NO CONNECTION" in text(browser, "#standing"))
    severe = [line for line in browser.get_log("browser") if "Content Security" in line["message"]]  # type: ignore[no-untyped-call]
    assert not severe


def test_gone_and_recording_cannot_be_overlooked(session: LiveSession, browser: Chrome) -> None:
    """A monitor that judges no more is GONE at the top; a session that is over is NOT LIVE."""
    session.drive(0.5, **HEALTHY)
    with served(session.folder.parent) as (port, _):
        browser.get(f"http://127.0.0.1:{port}/")
        until(browser, lambda: "MONITOR GONE" in text(browser, "#standing"))
        assert not browser.find_element("id", "deeds").is_displayed()
        session.close()
        until(browser, lambda: "NOT LIVE" in text(browser, "#standing"))


def test_names_cannot_become_markup(tmp_path: Path, browser: Chrome) -> None:
    """A rule whose name and sentence are markup is shown as the text it is."""
    setup = (
        SETUP.replace('"lean under boost"', f"'{NASTY}'")
        .replace("'Lean", "'")
        .replace('says = "Lean under boost. Lift."', "says = '<b>Lean</b>. Lift.'")
    )
    live = LiveSession(tmp_path / "sessions" / "2026-11-25_10-00-00_x", setup.replace('"copper hatch"', f"'{NASTY}'"))
    live.drive(0.3, **{**HEALTHY, "lambda": 0.93})
    with served(tmp_path / "sessions") as (port, _):
        browser.get(f"http://127.0.0.1:{port}/#{NASTY}")
        until(browser, lambda: "<b>Lean</b>. Lift." in text(browser, "#alarms"))
        assert NASTY in text(browser, "#first")
        assert NASTY in text(browser, "#car")
        assert browser.find_elements("css selector", "img, #alarms b b") == []
        assert browser.title == "pullwatch"
    live.close()
