"""A table whose entries are made when first asked for: a start does not wait for kinds a car does not have."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class Lazily(Mapping[str, T]):
    """`makers` by name, in order. Each is called once, with its name, when that entry is first asked for."""

    def __init__(self, makers: Mapping[str, Callable[[str], T]]) -> None:
        self._makers = dict(makers)
        self._made: dict[str, T] = {}

    def __getitem__(self, name: str) -> T:
        if name not in self._made:
            self._made[name] = self._makers[name](name)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)
