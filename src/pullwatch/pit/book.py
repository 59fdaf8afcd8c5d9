"""The forms of the page, a time slip and a change, as the logbook takes them; and the cards of the session."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import LogbookError, SessionError
from pullwatch.logbook import Logbook
from pullwatch.pit.deeds import Form
from pullwatch.review.strip import MPH
from pullwatch.reviewing.follow import Following

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from pullwatch.logbook.items import Pick

SECONDS: Final = (("t60", "60 ft"), ("t330", "330 ft"), ("t660", "660 ft"), ("t1000", "1000 ft"), ("t1320", "1320 ft"))
SPEEDS: Final = (("v660", "660 ft"), ("v1320", "1320 ft"))
SHOWN: Final = 6
"""Cards that a page is sent, the newest first."""


def number(asked: Mapping[str, Any], name: str, path: Path | None) -> float | None:
    """Return a number that was typed, with a point or a comma; None if nothing was. Raises LogbookError."""
    text = str(asked.get(name, "")).strip().replace(",", ".")
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise LogbookError(path or "the logbook", f'{name}: "{text[:20]}" is no number.') from None


class Book:
    """The logbook as the page's forms have it, for the car that is looked at."""

    def __init__(self, path: Path | None, car: Callable[[], str]) -> None:
        self._path = path
        self._car = car

    def forms(self) -> dict[str, Form]:
        """Return the forms by the name under which what was filled in is sent."""
        return {"slip": Form(self._slip_fields, self.slip), "change": Form(self._change_fields, self.change)}

    def _open(self) -> tuple[Logbook, str]:
        """Open the logbook; a car it does not hold yet is added: in the pit there are other things to do."""
        book = Logbook(self._path)
        car = self._car()
        if not car:
            book.close()
            raise LogbookError(book.path, "no session is looked at, so the car is not known.")
        if all(each.name != car for each in book.cars()):
            book.add_car(car)
        return book, car

    def _slip_fields(self) -> dict[str, Any]:
        fields = [{"name": "reaction", "asks": "reaction, s", "number": True}]
        fields += [{"name": name, "asks": f"{point}, s", "number": True} for name, point in SECONDS]
        fields += [{"name": name, "asks": f"speed at {point}", "number": True} for name, point in SPEEDS]
        units = [{"value": "km/h", "says": "km/h"}, {"value": "mph", "says": "mph"}]
        unit: dict[str, Any] = {"name": "unit", "asks": "speeds are in", "choices": units}
        return {"title": "Time slip", "button": "Write the slip down", "fields": [*fields, unit]}

    def slip(self, asked: Mapping[str, Any]) -> str:
        """Write a time slip down; return what was done. Raises LogbookError for what cannot be on one."""
        book, car = self._open()
        with book:
            times = {point: value for name, point in SECONDS if (value := number(asked, name, book.path)) is not None}
            factor = MPH if asked.get("unit") == "mph" else 1.0
            speeds = {
                point: value * factor for name, point in SPEEDS if (value := number(asked, name, book.path)) is not None
            }
            book.add_slip(car, times, speeds, reaction=number(asked, "reaction", book.path), note="from the pit page")
        return f"the slip is in the logbook of {car}"

    def _change_fields(self) -> dict[str, Any]:
        try:
            book, car = self._open()
        except LogbookError:
            return {"title": "A change", "button": "Write the change down", "fields": []}
        with book:
            picks = book.pick_list(car)
        items = [{"value": pick.item.name, "says": says(pick)} for pick in picks]
        return {
            "title": "A change",
            "button": "Write the change down",
            "fields": [
                {"name": "item", "asks": "what was changed", "choices": items},
                {"name": "value", "asks": "what it is now", "number": True},
                {"name": "note", "asks": "note"},
            ],
        }

    def change(self, asked: Mapping[str, Any]) -> str:
        """Write a change down; return what was done. Raises LogbookError for what is not on the pick list."""
        book, car = self._open()
        with book:
            item = str(asked.get("item", ""))
            value = str(asked.get("value", "")).strip().replace(",", ".")
            book.add_change(car, item, value, note=str(asked.get("note", "")) or "from the pit page")
        return f"{item} is {value} now, in the logbook of {car}"


def says(pick: Pick) -> str:
    """Return a line of the pick list: the item, its last value, a step to either side."""
    unit = f" {pick.item.unit}" if pick.item.unit else ""
    if not pick.last:
        return f"{pick.item.says}{f' ({pick.item.unit})' if pick.item.unit else ''}"
    steps = f"; a step: {pick.less} or {pick.more}" if pick.less else ""
    return f"{pick.item.says}: {pick.last}{unit}{steps}"


class Cards:
    """The cards of the session looked at, made once each, newest first."""

    def __init__(self, folder: Callable[[], Path | None]) -> None:
        self._folder = folder
        self._following: Following | None = None
        self._lock = threading.Lock()

    def __call__(self) -> list[dict[str, Any]]:
        """Return the newest cards as the page takes them: a title and lines."""
        with self._lock:
            folder = self._folder()
            if folder is None:
                return []
            if self._following is None or self._following.folder != folder:
                self._following = Following(folder)
            try:
                self._following.poll()
            except (SessionError, OSError) as error:
                return [{"title": "No cards", "lines": [str(error)]}]
            if self._following.why_not:
                return [{"title": "No cards", "lines": [self._following.why_not]}]
            shown = reversed(self._following.cards[-SHOWN:])
            return [{"title": lines[0], "lines": lines[1:]} for lines in (card.lines() for card in shown) if lines]
