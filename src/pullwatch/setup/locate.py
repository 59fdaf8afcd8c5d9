"""Where a key stands: from the text of a TOML file to the line of every key in it.

TOML libraries give the values and forget the lines; a person who is told what is wrong wants to be told where. This is
no second TOML reader: it walks text that `tomllib` has already accepted (TOML 1.0.0) and looks at keys only, never at
what a value means. On any other text it still ends, with whatever it could find.
"""

from __future__ import annotations

import bisect
import re
import tomllib
from typing import Final, TypeAlias

KeyPath: TypeAlias = "tuple[str | int, ...]"
"""Keys from the top of the file down; a number counts the elements of an array, or of an array of tables, from 0."""

_BLANK: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE: Final = re.compile(r"[ \t]*")
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_BASIC: Final = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL: Final = re.compile(r"'[^'\n]*'")
# The first three quotes end the string, unless one or two more quotes follow, which belong to it.
_MULTI_BASIC: Final = re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*?"{3,5}', re.DOTALL)
_MULTI_LITERAL: Final = re.compile(r"'''(?:[^']|'{1,2}(?!'))*?'{3,5}", re.DOTALL)
_PLAIN: Final = re.compile(r"[^,\]}#\n]*")


class _Walk:
    """One pass over a text. `lines` is what is being gathered."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}
        """How many elements each `[[array of tables]]` has so far."""
        self.breaks = [found.start() for found in re.finditer("\n", text)]

    def line(self) -> int:
        return bisect.bisect_left(self.breaks, self.at) + 1

    def skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            return ""
        self.at = found.end()
        return found.group()

    def next_is(self, mark: str) -> bool:
        return self.text.startswith(mark, self.at)

    def take(self, mark: str) -> bool:
        if not self.next_is(mark):
            return False
        self.at += len(mark)
        return True

    def to_next_line(self) -> None:
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end + 1

    def document(self) -> None:
        table: KeyPath = ()
        self.skip(_BLANK)
        while self.at < len(self.text):
            line = self.line()
            if self.next_is("["):
                double = self.take("[[") or not self.take("[")
                table = self.header(self.key(), line, double=double)
                self.to_next_line()
            else:
                self.pair(table)
                self.skip(_SPACE)
                self.to_next_line()
            self.skip(_BLANK)

    def header(self, parts: list[str], line: int, *, double: bool) -> KeyPath:
        path: KeyPath = ()
        for part in parts[:-1]:
            path = (*path, part)
            self.lines.setdefault(path, line)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        if not parts:
            return path
        path = (*path, parts[-1])
        if not double:
            self.lines[path] = line
            return path
        self.lines.setdefault(path, line)
        index = self.counts.get(path, 0)
        self.counts[path] = index + 1
        path = (*path, index)
        self.lines[path] = line
        return path

    def key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self.skip(_SPACE)
            if self.next_is("'"):
                parts.append(self.skip(_LITERAL)[1:-1])
            elif self.next_is('"'):
                parts.append(_unquoted(self.skip(_BASIC)))
            else:
                bare = self.skip(_BARE)
                if not bare:
                    return parts
                parts.append(bare)
            self.skip(_SPACE)
            if not self.take("."):
                return parts

    def pair(self, table: KeyPath) -> bool:
        """Take one `key = value`; False if there is none here."""
        line = self.line()
        parts = self.key()
        self.skip(_SPACE)
        if not parts or not self.take("="):
            return False
        path = table
        for part in parts:
            path = (*path, part)
            self.lines.setdefault(path, line)
        self.skip(_SPACE)
        self.value(path)
        return True

    def value(self, path: KeyPath) -> None:
        if self.next_is('"""'):
            self.skip(_MULTI_BASIC)
        elif self.next_is("'''"):
            self.skip(_MULTI_LITERAL)
        elif self.next_is('"'):
            self.skip(_BASIC)
        elif self.next_is("'"):
            self.skip(_LITERAL)
        elif self.take("["):
            self.array(path)
        elif self.take("{"):
            self.inline_table(path)
        else:
            self.skip(_PLAIN)

    def array(self, path: KeyPath) -> None:
        index = 0
        self.skip(_BLANK)
        while self.at < len(self.text) and not self.take("]"):
            before = self.at
            element = (*path, index)
            self.lines[element] = self.line()
            self.value(element)
            index += 1
            self.skip(_BLANK)
            self.take(",")
            self.skip(_BLANK)
            if self.at == before:
                return

    def inline_table(self, path: KeyPath) -> None:
        self.skip(_BLANK)
        while self.at < len(self.text) and not self.take("}"):
            if not self.pair(path):
                return
            self.skip(_BLANK)
            self.take(",")
            self.skip(_BLANK)


def _unquoted(quoted: str) -> str:
    """Read a basic string with its escapes, by the library that knows them."""
    try:
        return str(tomllib.loads(f"key = {quoted}")["key"])
    except tomllib.TOMLDecodeError:
        return quoted.strip('"')


def locate(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) of every key and every array element of a TOML text.

    A table's line is that of its own header where it has one, else of the first key that brings it about.
    """
    walk = _Walk(text)
    walk.document()
    return walk.lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Return the line of `path`, or of the nearest table around it that stands in the text; 0 if there is none."""
    while path:
        line = lines.get(path)
        if line is not None:
            return line
        path = path[:-1]
    return 0
