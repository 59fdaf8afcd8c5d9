"""What a page may do once it has the token: acts for whoever watches, and lines for the logbook.

Every act goes the one way acts go (the local socket of the session), so it is on the record like a key pressed there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pullwatch.errors import ActError
from pullwatch.watching import send_act

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

WHO: Final = "pit page"
ALLOWED: Final[Mapping[str, tuple[str, ...]]] = {
    "acknowledge": ("rule",),
    "mark": ("text",),
    "note": ("text",),
}
"""Acts a page may ask for, and what may stand in them. Resetting a latch, hiding and changing rules are for whoever
stands at the machine."""


class Deeds:
    """Does what a page asks. `book` are the logbook's forms: what each may hold, and what writes a line of it."""

    def __init__(self, root: Path, book: Mapping[str, Form] | None = None) -> None:
        self._root = root
        self._book = dict(book or {})

    def forms(self) -> dict[str, Any]:
        """Return what the forms of the page hold, as plain JSON."""
        return {name: form.fields() for name, form in self._book.items()}

    def do(self, deed: str, asked: Mapping[str, Any]) -> str:
        """Do it; return what was done. Raises PullwatchError if it is refused, LookupError for no such deed."""
        if deed == "act":
            return self._act(asked)
        if deed in self._book:
            return self._book[deed].write(asked)
        raise LookupError("there is nothing of this name here.")

    def _act(self, asked: Mapping[str, Any]) -> str:
        act = asked.get("act")
        if not isinstance(act, str) or act not in ALLOWED:
            known = ", ".join(ALLOWED)
            raise ActError(f"a page may not do that; it may: {known}.")
        more = {key: asked[key] for key in ALLOWED[act] if isinstance(asked.get(key), str)}
        return send_act(self._root, {"act": act, **more, "who": WHO})


class Form:
    """One form of the page: `fields` says what it asks for, `write` takes what was filled in."""

    def __init__(self, fields: Callable[[], Any], write: Callable[[Mapping[str, Any]], str]) -> None:
        self.fields = fields
        self.write = write
