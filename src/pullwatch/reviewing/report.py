"""The report: one file that needs nothing else, drawn from the same facts that `--json` prints.

First the card of the last run, then three sentences, then the answers, folded, each with its picture; then what makes
the numbers doubtful and what they rest on. It opens from a disk without a network, prints, and reads on a phone.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, Final

from pullwatch.annunciators.console import session_time
from pullwatch.errors import SessionError
from pullwatch.reviewing import draw_patches, draw_scatter, draw_traces
from pullwatch.reviewing.facts import DECISION
from pullwatch.reviewing.html import Html, tag, verbatim
from pullwatch.reviewing.sheet import POLICY, SCRIPT, STYLE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

DRAWERS: Final[Mapping[str, Callable[[str, Mapping[str, Any]], Html]]] = {
    "traces": draw_traces.draw,
    "scatter": draw_scatter.draw,
    "patches": draw_patches.draw,
}
"""By the kind of picture. What is not here is left out, and the report says so."""
DEEPEST: Final = 4
BEYOND: Final = "BEYOND its limit"
"""As the margins write it."""


def page(sessions: Sequence[Mapping[str, Any]]) -> str:
    """Return the report of sessions as `facts.facts` gives them, the last one first."""
    newest_first = list(reversed(sessions))
    names = ", ".join(str(one["session"]) for one in newest_first)
    body = [part for place, one in enumerate(newest_first) for part in _session(f"s{place}", one)]
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        verbatim(f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'),
        tag("meta", name_="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name_="referrer", content="no-referrer"),
        tag("title", f"Review of {names}"),
        verbatim(f"<style>{STYLE}</style>"),
    )
    footer = tag("footer", tag("p", DECISION), class_="of")
    main = tag("body", *body, footer, verbatim(f"<script>{SCRIPT}</script>"))
    return f"<!DOCTYPE html>\n{tag('html', head, main, lang='en')}\n"


def write(sessions: Sequence[Mapping[str, Any]], file: Path) -> None:
    """Write the report: whole or not at all, and never over something that is no report. Raises SessionError."""
    text = page(sessions).encode("utf-8")
    beside = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        if file.exists() and not file.is_file():
            raise SessionError(file, "is no file.", "Name a file that the report can be written to.")
        try:
            beside.write_bytes(text)
            beside.replace(file)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        what = f"cannot be written: {error.strerror}."
        raise SessionError(file, what, "Name a file in a folder that you may write to.") from error


# ---- one session -----------------------------------------------------------------------------------------------------


def _session(name: str, one: Mapping[str, Any]) -> Iterator[Html]:
    yield tag("h1", f"{one['car'] or 'car without a name'}")
    live = ", still being recorded" if one["live"] else ""
    began = one["rests_on"]["sessions"][-1]["began"] or "time of day not known"
    lasted = session_time(round(one["seconds"] * 1e9)).lstrip("+")
    yield tag("p", f"{one['session']}, {began}, {lasted} long{live}", class_="when")
    *earlier, newest = one["cards"] or [None]
    if newest is None:
        yield tag("p", "No run was found.")
    else:
        yield _card(newest)
    said = one["sentences"]
    yield tag(
        "div",
        tag("p", tag("b", "What changed. "), said["changed"]),
        tag("p", tag("b", "What it did. "), said["did"]),
        tag("p", tag("b", "What is open. "), said["open"]),
        class_="said",
    )
    if earlier:
        inside = (_card(card) for card in reversed(earlier))
        runs = ", ".join(f"run {card['run']}" for card in reversed(earlier))
        yield tag("details", tag("summary", f"The cards before it: {runs}"), *inside)
    if one["answers"]:
        yield tag("h2", "The questions")
    for place, (answer, told) in enumerate(one["answers"].items()):
        yield _answer(f"{name}-{place}", answer, told)
    if "private" in one:
        yield tag("h2", "Where and how fast (asked for with --private)")
        yield tag("ul", *(tag("li", _where(run)) for run in one["private"]))
    yield tag("h2", "Cautions")
    yield tag("ul", *(tag("li", text) for text in one["cautions"]))
    yield tag("h2", "What it rests on")
    yield tag("ul", *(tag("li", text) for text in _rests(one)))


def _card(card: Mapping[str, Any]) -> Html:
    begin = session_time(card["about"]["begin"])
    lines = []
    for place, line in enumerate(card["lines"]):
        note = tag("i", f" ({line['note']})") if line["note"] else ""
        alarmed = (line["label"].startswith("tripped") and line["value"] != "nothing") or BEYOND in line["value"]
        at = f", {begin}" if not place else ""
        lines.append(tag("p", f"{line['label']}: {line['value']}{at}", note, class_="alarm" if alarmed else None))
    return tag("div", *lines, class_="run")


def _answer(name: str, answer: str, told: Mapping[str, Any]) -> Html:
    inside: list[Html] = []
    if told["refused"]:
        inside.append(tag("p", f"Cannot tell: {told['refused']}", class_="cannot"))
    inside += [_line(line) for line in told["lines"]]
    picture = told["data"].get("picture")
    if picture is not None:
        kind = str(picture.get("kind"))
        drawer = DRAWERS.get(kind)
        if drawer is None:
            inside.append(tag("p", f"A picture of the kind {kind} cannot be drawn here and is left out.", class_="of"))
        else:
            inside.append(drawer(name, picture))
    first = "cannot tell" if told["refused"] else next(iter(told["lines"]), "nothing to tell").strip()
    return tag("details", tag("summary", told["question"], tag("span", first)), *inside, id=f"{name}-{_plain(answer)}")


def _plain(text: str) -> str:
    return "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in text)


def _line(text: str) -> Html:
    deep = 1 + (len(text) - len(text.lstrip())) // 2
    beyond = BEYOND in text
    classes = ["line", *([f"in{min(deep, DEEPEST)}"] if deep > 1 else []), *(["alarm"] if beyond else [])]
    return tag("p", text.strip(), class_=" ".join(classes))


def _where(run: Mapping[str, Any]) -> str:
    places = []
    for word in ("from", "to"):
        latitude, longitude = run[word]
        known = latitude is not None and longitude is not None
        places.append(f"{word} {latitude:.5f}, {longitude:.5f}" if known else f"{word} a place not known")
    speeds = [f"{one:.0f} km/h" if one is not None else "not known" for one in run["speed_kmh"]]
    most = f", {run['highest_kmh']:.0f} km/h at most" if run["highest_kmh"] is not None else ""
    return f"run {run['run']}: {', '.join(places)}; road speed {speeds[0]} to {speeds[1]}{most}"


# ---- what it rests on ------------------------------------------------------------------------------------------------


def _rests(one: Mapping[str, Any]) -> Iterator[str]:
    rests = one["rests_on"]
    for session in rests["sessions"]:
        live = ", still being recorded" if session["live"] else ""
        began = session["began"] or "time of day not known"
        yield f"session {session['session']}: {began}, {session['seconds']:,.1f} s{live}"
        for begin, end in session["missing_s"]:
            yield f"missing in it: {begin:,.1f} to {end:,.1f} s"
        yield from session["notes"]
    yield f"profile {rests['profile']}, {len(rests['channels'])} channels, {rests['rules']} rules"
    if rests["lost"]:
        lost = rests["lost"]
        shown = ", ".join(f"{event['feed']} {event['what']} at {event['at_s']:,.1f} s" for event in lost[:12])
        yield f"feeds: {shown}" + (f" and {len(lost) - 12} more" if len(lost) > 12 else "")
    else:
        yield "feeds lost: none"
    for key, words in (
        ("starting_values", "limits that are starting values, of the rules"),
        ("not_armed", "rules that this profile leaves out"),
        ("lacking", "rules that could not be armed"),
    ):
        if rests[key]:
            yield f"{words}: {'; '.join(rests[key])}"
    if rests["left_out"]:
        yield f"left out by the owner: run {', '.join(map(str, rests['left_out']))}"
    if rests["corrected"]:
        yield f"corrected by the owner: run {', '.join(map(str, rests['corrected']))}"
    book = ", ".join(f"{count} {word}" for word, count in rests["logbook"].items())
    yield f"logbook: {book}"
    for mark in rests["marks"]:
        who = f" ({mark['who']})" if mark["who"] else ""
        yield f"mark at {mark['at_s']:,.1f} s: {mark['text']}{who}"
