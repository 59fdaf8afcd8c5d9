"""The report: one file, nothing from outside runs in it, readable in light, dark, print and on a phone."""

from __future__ import annotations

import io
import json
import os
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from tests.review.evenings import table_of
from tests.review.tables import channel, pull, sampled, table
from tests.review.test_card import NEVER_SAID
from typer.testing import CliRunner

from pullwatch.cli import app
from pullwatch.review.given import Changed, Given, Noted
from pullwatch.review.table import Mark, Series, Span
from pullwatch.reviewing import draw_patches, draw_scatter, draw_traces
from pullwatch.reviewing.drawing import number, ticks
from pullwatch.reviewing.facts import facts
from pullwatch.reviewing.html import escaped, tag
from pullwatch.reviewing.pictures import withheld
from pullwatch.reviewing.progress import Progress
from pullwatch.reviewing.reading import reviewed
from pullwatch.reviewing.report import page, write
from pullwatch.reviewing.sheet import DARK, LIGHT, LINES_ON, TEXT_ON
from pullwatch.reviewing.telling import as_json
from pullwatch_sim.scenarios import load
from pullwatch_sim.truth import simulate

if TYPE_CHECKING:
    from collections.abc import Iterator

    from selenium.webdriver import Chrome

    from pullwatch.review.answer import Reviewed
    from pullwatch.review.table import Table

WALL = 1_750_000_000_000_000_000
NASTY = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "' onmouseover='alert(1)", "</title></style><b>",
    "javascript:alert(1)", "&lt;script&gt;", "\u202egnp.exe", "]]>--><svg onload=alert(1)>", "a\x00b\x1b[31m",
)  # fmt: skip


@pytest.fixture(scope="module")
def dyno() -> Reviewed:
    """Return the dyno evening, with things written down between and after its runs."""
    made = replace(table_of(simulate(load("dyno-evening"))), wall=WALL, session="2026-11-25_20-00-00_copper-hatch")
    ends = [run.end for run in reviewed(made).runs.runs]
    changes = (
        Changed("a", WALL + ends[2] + 1, "wastegate_duty", "36", "35", "%"),
        Changed("b", WALL + ends[2] + 2, "tyres", "new"),
        Changed("c", WALL + ends[-1] + 3, "fuel", "2", "0", "%"),
    )
    return reviewed(made, Given(changes=changes, notes=(Noted("n", WALL, "dry"),)))


class Reading(HTMLParser):
    """What a browser makes of a page: its elements with their attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.said = ""
        self._open: list[str] = []
        self.feed(text)
        assert not self._open, f"not closed: {self._open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.elements.append((tag, dict(attrs)))
        if tag != "meta":
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element that holds nothing."""
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """Close it; what is not well nested fails."""
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Keep what is read."""
        if self._open and self._open[-1] not in ("style", "script"):
            self.said += data


# ---- contrast --------------------------------------------------------------------------------------------------------


def contrast(one: str, two: str) -> float:
    """Return the contrast ratio of two colours (W3C WCAG 2.x, relative luminance; from memory)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_published_ratios() -> None:
    """Source: W3C WCAG 2.x, relative luminance and contrast ratio (from memory): 21, 4.478, 5.252."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0, abs=0.01)
    assert contrast("#777777", "#FFFFFF") == pytest.approx(4.478, abs=0.01)
    assert contrast("#FF0000", "#000000") == pytest.approx(5.252, abs=0.01)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_text_has_a_contrast_of_4_5_and_lines_of_3(colours: dict[str, str]) -> None:
    """In light and in dark (W3C WCAG 2.x: 4.5:1 for text, 3:1 for graphics)."""
    for one, two in TEXT_ON:
        assert contrast(colours[one], colours[two]) >= 4.5, (one, two)
    for one, two in LINES_ON:
        assert contrast(colours[one], colours[two]) >= 3.0, (one, two)


def test_only_what_is_beyond_a_limit_has_a_colour() -> None:
    """Every other colour is a grey: its three parts lie within a tenth of each other."""
    for colours in (LIGHT, DARK):
        for name, colour in colours.items():
            parts = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
            assert (max(parts) - min(parts) <= 12) == (name != "beyond"), name


# ---- what it says ----------------------------------------------------------------------------------------------------


def test_the_report_says_what_the_json_says_in_its_order(dyno: Reviewed) -> None:
    """The card, three sentences, every answer with its lines, the cautions, what it rests on; and no verdict."""
    found = facts(dyno)
    said = Reading(page([found])).said
    whole = json.loads(as_json([found]))["sessions"][0]
    order = [
        whole["cards"][-1]["lines"][1]["value"], *whole["sentences"].values(),
        *(answer["question"] for answer in whole["answers"].values()), whole["cautions"][1],
        f"session {whole['session']}:",
    ]  # fmt: skip
    places = [said.index(text) for text in order]
    assert places == sorted(places)
    for answer in whole["answers"].values():
        for line in answer["lines"]:
            assert line.strip() in said
        assert answer["refused"] in said
    for card in whole["cards"]:
        for line in card["lines"]:
            assert line["value"] in said
    for text in (*whole["cautions"], *whole["rests_on"]["starting_values"]):
        assert text in said
    assert not re.search(r"\b(safe|all clear|healthy|no problem)\b|✓", said, re.IGNORECASE)
    for sentence in whole["sentences"].values():
        assert not NEVER_SAID.search(sentence)


def test_three_sentences_tell_what_changed_what_it_did_and_what_is_open(dyno: Reviewed) -> None:
    """Two changes at once are not separable; what waits for its first run is told as such."""
    said = facts(dyno, ["card"])["sentences"]
    assert said["changed"] == (
        "Since run 3 was changed: wastegate duty: 35 to 36 %; tyres: new (2 things at once: not separable); "
        "changed after it, and not driven yet: fuel: 0 to 2 %."
    )
    assert said["did"].startswith("Against run 3: peak boost ")
    assert said["did"].endswith("two runs cannot tell that from chance.")
    assert said["open"].startswith("Open: alarms that stand: ")
    alone = facts(reviewed(table(12.0, pull(), session="x", wall=WALL)), ["card"])["sentences"]
    assert alone["changed"] == "There is one run, and none before it to tell a change by."
    assert alone["open"].startswith("Nothing open was found in what was recorded")


def test_what_is_missing_is_told_with_what_it_rests_on() -> None:
    """Gaps, notes, marks, and corrections of the owner."""
    made = table(12.0, pull(), session="x", wall=None, gaps=(Span(3 * 10**9, 4 * 10**9),), notes=("damaged",),
                 marks=(Mark(2 * 10**9, "smoke", "driver"),))  # fmt: skip
    said = Reading(page([facts(reviewed(made), ["card"])])).said
    for words in ("missing in it: 3.0 to 4.0 s", "damaged", "mark at 2.0 s: smoke (driver)", "time of day not known"):
        assert words in said


def test_an_unknown_picture_is_left_out_with_a_note(dyno: Reviewed) -> None:
    """The words of its answer stay."""
    found = facts(dyno, ["runs"])
    found["answers"]["runs"]["data"]["picture"] = {"kind": "hologram"}
    assert "A picture of the kind hologram cannot be drawn here and is left out." in Reading(page([found])).said


# ---- nothing from outside --------------------------------------------------------------------------------------------


def nasty_facts(text: str) -> dict[str, Any]:
    """Return a session's facts in which everything that can be named is named so."""
    plain = table(12.0, pull(), session=text, wall=WALL, notes=(text,), marks=(Mark(1, text, text),))
    made = replace(plain, car=replace(plain.car, name=text))
    given = Given(changes=(Changed("a", WALL, text, text, text, text, note=text),), notes=(Noted("n", WALL, text),))
    found = facts(reviewed(made, given), ["card", "runs", "open"])
    trace = {"name": text, "unit": text, "says": text, "t": [0, 1, 2], "v": [1, None, 3], "limit": 2.0}
    onset = {"name": text, "kind": text, "from": 0.1, "to": 0.2, "channel": text}
    group = {"name": text, "points": [[1, 2, text], [2, 3, text]]}
    patch = {"x": [1, 2], "y": [1, 2], "label": text, "side": text, "outline": text}
    pictures = {
        "runs": {"kind": "traces", "stories": [{"run": text, "traces": [trace], "onsets": [onset]}]},
        "open": {"kind": "scatter", "x": text, "y": text, "label": text, "groups": [group]},
        text: {"kind": "patches", "x": {"name": text, "unit": text}, "y": text, "patches": [patch]},
        "other": {"kind": text},
    }
    for name, picture in pictures.items():
        answer = {"question": text, "refused": text, "lines": [text], "data": {"picture": picture}}
        found["answers"][name] = answer
    return found


@pytest.mark.parametrize("text", NASTY)
def test_no_name_note_or_mark_becomes_an_element_or_an_attribute(text: str) -> None:
    """The page has the same elements and attributes whatever things are called; and it shows every letter."""
    plain, nasty = Reading(page([nasty_facts("plain")])), Reading(page([nasty_facts(text)]))

    def shape(read: Reading) -> list[tuple[str, list[str]]]:
        # How a text breaks into lines depends on the text; what stands in a drawing's labels is compared apart.
        return [(tag, sorted(attrs)) for tag, attrs in read.elements if tag not in ("text", "li", "tspan")]

    assert [one for one in shape(nasty) if one[0] != "ol"] == [one for one in shape(plain) if one[0] != "ol"]
    for tag_, attrs in nasty.elements:
        assert tag_ in ALLOWED, tag_
        assert not any(name.startswith("on") or name in ("style", "href", "src") for name in attrs)
    visible = re.sub("[\x00-\x1f\u202a-\u202e]", "\N{REPLACEMENT CHARACTER}", text)
    assert visible in nasty.said


ALLOWED = {
    "html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "div", "i", "b", "details", "summary",
    "span", "ul", "ol", "li", "footer", "script", "svg", "defs", "pattern", "path", "rect", "line", "circle",
    "text",
}  # fmt: skip


def test_the_page_asks_for_nothing_and_may_run_nothing_but_its_own_script(dyno: Reviewed) -> None:
    """No address of any kind in it; the policy names the hashes of its one style sheet and its one script."""
    text = page([facts(dyno)])
    assert not re.search(
        r"https?://|//[a-z]|url\((?!#)|@import|<link|<img|<iframe", text.replace("<!DOCTYPE html>", "")
    )
    policy = next(attrs["content"] for tag, attrs in Reading(text).elements if "http-equiv" in attrs)
    assert policy is not None
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert text.count("<script>") == text.count("<style>") == 1


def test_an_element_cannot_have_a_handler_and_hidden_letters_are_shown() -> None:
    """The builder refuses what would run, and replaces what nobody could see."""
    with pytest.raises(ValueError, match="onclick is no attribute"):
        tag("p", "x", onclick="alert(1)")
    with pytest.raises(ValueError, match="is no element"):
        tag("p><b", "x")
    assert escaped("a\u202eb<\x07>") == "a\N{REPLACEMENT CHARACTER}b&lt;\N{REPLACEMENT CHARACTER}&gt;"


# ---- what is not handed on -------------------------------------------------------------------------------------------


def street() -> Table:
    """Return a pull on the street with position."""
    made = table(12.0, pull(), session="street", wall=WALL, profile="street")
    more = {}
    for place, (name, value) in enumerate((("latitude", 52.123456), ("longitude", 13.654321)), 90):
        one = channel(place, name)
        more[name] = Series(one, sampled([(0, value)], 12.0, place))
    return replace(made, series={**made.series, **more})


def test_position_and_street_speeds_are_left_out_unless_asked_for() -> None:
    """In the report and in the JSON alike; on the dyno and the strip speeds are no secret."""
    one = reviewed(street())
    assert withheld(one.table) == {"latitude", "longitude", "vehicle_speed"}
    assert withheld(replace(one.table, profile="strip")) == {"latitude", "longitude"}
    found = facts(one)
    for text in (page([found]), as_json([found])):
        assert not re.search(r"52\.12|13\.65|km/h", text)
    asked = facts(one, private=True)
    for text in (Reading(page([asked])).said, as_json([asked])):
        assert re.search(r"52\.12", text)
    assert "road speed 53 km/h to 172 km/h" in Reading(page([asked])).said


# ---- pictures --------------------------------------------------------------------------------------------------------


def test_decimation_keeps_every_peak_and_every_gap() -> None:
    """A single sample of 60,000 that stands out is drawn, and a single one that is not known is a gap."""
    random = np.random.default_rng(3)
    t = np.arange(60_000) / 1_000.0
    v = random.normal(0.0, 1.0, len(t))
    for place in (0, 17, 30_001, 59_999):
        spiked = v.copy()
        spiked[place] = 50.0
        spiked[(place + 5_000) % len(t)] = -50.0
        spiked[(place + 9_000) % len(t)] = np.nan
        thin_t, thin = draw_traces.decimated(t, spiked)
        assert len(thin) < len(t) / 8
        assert np.nanmax(thin) == 50.0
        assert np.nanmin(thin) == -50.0
        assert np.isnan(thin).sum() == 1
        assert np.all(np.diff(thin_t) > 0)
        assert np.isin(thin_t, t).all()


def test_traces_hatch_what_is_forbidden_and_blind_and_say_beyond_in_words() -> None:
    """Upward and downward limits; what is blind is never called beyond."""
    t = [i / 10 for i in range(100)]
    picture = {
        "kind": "traces",
        "traces": [
            {"name": "lambda", "unit": "lambda", "t": t, "v": [0.8 + i / 500 for i in range(100)], "limit": 0.9},
            {"name": "oil_pressure", "unit": "kPa", "t": t, "v": [400.0 - i for i in range(100)],
             "limit": [350.0 if i < 80 else None for i in range(100)], "beyond": "below", "blind": [[0, 20]]},
        ],
    }  # fmt: skip
    text = str(draw_traces.draw("x", picture))
    assert text.count("BEYOND its limit") == 1
    assert "BEYOND its limit: 0.998" in text
    assert 'fill="url(#x-0-beyond)"' in text
    assert 'fill="url(#x-0-blind)"' in text
    assert text.count('class="beyond"') == 1


def test_a_dyno_evening_shows_limits_and_blind_stretches_where_they_were(dyno: Reviewed) -> None:
    """The limit of the rule that was armed comes into the traces; lean under boost is drawn beyond it."""
    found = facts(dyno, ["order", "margins"])
    story = found["answers"]["order"]["data"]["picture"]["stories"][-1]
    lam = next(trace for trace in story["traces"] if trace["name"] == "lambda")
    assert lam["rule"] == "lean under boost"
    assert None in lam["limit"]
    assert lam["blind"]
    beyond = [v for v, limit in zip(lam["v"], lam["limit"], strict=True) if None not in (v, limit) and v > limit]
    assert beyond
    names = [trace["name"] for trace in found["answers"]["margins"]["data"]["picture"]["stories"][0]["traces"]]
    assert names[0] == "engine_speed"
    assert "lambda" in names
    assert "BEYOND its limit" in Reading(page([found])).said


def test_scatter_draws_groups_series_bars_bands_and_curves_apart_by_shape() -> None:
    """All the shapes in which answers give their points; null and infinite bounds are left out."""
    rows = [[float(i), 100.0, 95.0, 105.0] for i in range(12)]
    picture = {
        "kind": "scatter", "x": "duty, %", "y": {"name": "boost", "unit": "kPa"}, "label": "run",
        "groups": [
            {"name": "gear 3", "points": [[35, 80, 1], [36, 82, 2], [37, None, 3]],
             "curve": [[35, 80, 81, 78, 83], [38, 85, 86, 80, 92]]},
            {"name": "gear 4", "points": [[35, 90]], "bars": [[35, 90, 85, 95], [36, 91, None, None]]},
        ],
    }  # fmt: skip
    text = str(draw_scatter.draw("x", picture))
    assert text.count("<circle") == 2
    assert text.count('class="band"') == 1
    assert text.count('class="bar"') == 1
    assert "circle: gear 3" in text
    assert "square: gear 4, dashed lines" in text
    assert "Numbers beside points: run." in text
    series = {"kind": "scatter", "x": "rpm", "y": "%", "series": [{"run": 1, "session": "s", "points": rows}]}
    assert "run 1" in str(draw_scatter.draw("x", series))
    assert 'class="band"' in str(draw_scatter.draw("x", series))
    assert "nothing to draw" in str(draw_scatter.draw("x", {"series": [{"points": []}]}))


def test_patches_hold_their_label_or_a_number_that_leads_to_it() -> None:
    """A small patch has its label below; nothing is filled with a colour."""
    picture = {
        "kind": "patches", "x": {"name": "engine speed", "unit": "rpm"},
        "y": {"name": "manifold pressure", "unit": "kPa"},
        "patches": [
            {"x": [2000, 5000], "y": [100, 180], "label": "+4.2 % (2.6 to 5.8), 3 runs", "side": "lean",
             "outline": "solid"},
            {"x": [5000, 5200], "y": [180, 190], "label": "-3.0 % (-4 to -2), 3 runs", "side": "rich",
             "outline": "dashed"},
        ],
    }  # fmt: skip
    text = str(draw_patches.draw("x", picture))
    assert "<li>5,000 to 5,200, 180 to 190: -3.0 % (-4 to -2), 3 runs</li>" in text
    assert "Outlines: dashed: rich; solid: lean." in text
    assert text.count('class="patch solid"') == text.count('class="patch dashed"') == 1
    assert ">1</text>" in text


def test_ticks_are_round_and_lie_within() -> None:
    """Steps of 1, 2 and 5; whole where fractions have no sense."""
    assert ticks(0.0, 10.0) == [0, 2, 4, 6, 8, 10]
    assert ticks(1_950, 6_510, 6) == [2000, 3000, 4000, 5000, 6000]
    assert ticks(-0.05, 1.05, 6, whole=True) == [0, 1]
    assert ticks(1.0, 1.0) == []
    assert [number(value) for value in (-2.0, 0.5, 6_000.0, -0.0)] == ["\N{MINUS SIGN}2", "0.5", "6,000", "0"]


# ---- the file, progress, the command ---------------------------------------------------------------------------------


def test_the_file_is_written_whole_or_not_at_all(tmp_path: Path, evening_recorded: Path) -> None:
    """By the command, on a recorded evening; a folder that is not there is refused in words."""
    env = {"PULLWATCH_LOGBOOK": str(tmp_path / "none.sqlite")}
    file = tmp_path / "report.html"
    words = ["review", str(evening_recorded), "--answer", "runs"]
    done = CliRunner().invoke(app, [*words, "--html", str(file)], env=env)
    assert done.exit_code == 0, done.output
    assert done.stdout == f"{file}\n"
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    read = Reading(file.read_text(encoding="utf-8"))
    assert "run 4: pull, gear 4" in read.said
    assert "What is open." in read.said
    assert len(file.read_bytes()) < 1_000_000
    away = CliRunner().invoke(app, [*words, "--html", str(tmp_path / "no" / "report.html")], env=env)
    assert away.exit_code == 2
    assert "cannot be written" in away.output
    assert CliRunner().invoke(app, [*words, "--html", str(tmp_path)], env=env).exit_code == 2


def test_a_report_replaces_the_one_before(tmp_path: Path, dyno: Reviewed) -> None:
    """Nothing else is left beside it."""
    file = tmp_path / "report.html"
    file.write_text("old")
    write([facts(dyno, ["runs"])], file)
    assert file.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert list(tmp_path.iterdir()) == [file]


def test_progress_is_quiet_for_a_second_and_then_says_how_far_it_is() -> None:
    """Line by line where there is no terminal, on one line that is cleared where there is."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    for out in (io.StringIO(), Terminal()):
        at = [0.0]
        progress = Progress(out, lambda at=at: at[0])  # type: ignore[misc]
        progress.session = "evening"
        for now in (0.1, 0.9):
            at[0] = now
            progress.read(int(now * 1e9))
        assert out.getvalue() == ""
        for now in (1.1, 1.2, 7.0):
            at[0] = now
            progress.read(int(now * 1e9))
        progress.close()
        assert out.getvalue().count("reading evening: +0:0") == 2
        machine = io.StringIO()
        quiet = Progress(machine, lambda at=at: at[0], lines=False)  # type: ignore[misc]
        at[0] = 20.0
        quiet.stage("answering")
        assert machine.getvalue() == ""
        assert out.getvalue().endswith("\r" if out.isatty() else "+0:07.000\n")


# ---- in a browser ----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Chrome]:
    """Debian's Chromium without a screen; skipped where it is not installed, unless everything must be there."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    if not Path("/usr/bin/chromedriver").exists():
        if "PULLWATCH_COMPLETE" in os.environ:
            pytest.fail("chromium and chromium-driver are not installed")
        pytest.skip("chromium and chromium-driver are not installed (apt install chromium chromium-driver)")
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in (
        "headless=new", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking",
        "disable-component-update", "disable-sync", "window-size=800,900",
    ):  # fmt: skip
        options.add_argument(f"--{flag}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


def test_on_a_phone_nothing_lies_beside_the_screen_and_small_text_can_be_read(
    dyno: Reviewed, browser: Chrome, tmp_path: Path
) -> None:
    """At 420 px, all unfolded, with names that have no place to break; no error and nothing that ran."""
    file = tmp_path / "report.html"
    write([nasty_facts("W" * 120), nasty_facts(NASTY[1]), facts(dyno)], file)
    phone = {"width": 420, "height": 860, "deviceScaleFactor": 2, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    browser.get(file.as_uri())
    assert browser.execute_script("return document.querySelectorAll('details[open]').length") == 0
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 420
    smallest = browser.execute_script(
        "return Math.min(...[...document.querySelectorAll('svg text')].map("
        "t => parseFloat(getComputedStyle(t).fontSize) * t.ownerSVGElement.getBoundingClientRect().width / 420))"
    )
    assert smallest >= 8.0
    assert browser.get_log("browser") == []  # type: ignore[no-untyped-call]  # as selenium has it
    ground = "return getComputedStyle(document.body).backgroundColor"
    light = browser.execute_script(ground)
    dark = [{"name": "prefers-color-scheme", "value": "dark"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": dark})
    assert browser.execute_script(ground) != light
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": dark})
    assert browser.execute_script(ground) == light  # paper is white whatever the screen was


def test_everything_folded_is_printed(dyno: Reviewed, browser: Chrome, tmp_path: Path) -> None:
    """For the printer every answer has its height, without a hand that unfolds it."""
    file = tmp_path / "report.html"
    write([facts(dyno, ["runs", "margins"])], file)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    browser.get(file.as_uri())
    browser.execute_script("addEventListener('beforeprint', () => { window.seen = true })")
    browser.execute_cdp_cmd("Page.printToPDF", {})
    folded = "return [...document.querySelectorAll('details')].filter(d => d.dataset.shut || d.open).length"
    assert browser.execute_script("return window.seen") is True
    assert browser.execute_script(folded) == 0  # folded again afterwards
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    heights = browser.execute_script(
        "return [...document.querySelectorAll('details')].map(d => d.getBoundingClientRect().height"
        " - d.querySelector('summary').getBoundingClientRect().height)"
    )
    assert heights
    assert min(heights) > 20
