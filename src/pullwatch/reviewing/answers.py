"""The answers there are, in the order in which they are told. Each is one pure module of `pullwatch.review`.

To add one: write `answer(reviewed: Reviewed) -> Answer` in a module of `review`, and one line here.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

from pullwatch.lazily import Lazily

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pullwatch.review.answer import Answer, Reviewed

_MODULES: Final[Mapping[str, str]] = {
    # what `--answer` calls it: module of pullwatch.review
    "runs": "runs_answer",
    "order": "order_answer",
    "lean": "lean_answer",
    "boost": "boost_answer",
    "launch": "launch_answer",
    "knock": "knock_answer",
    "power": "power_answer",
    "oil": "oil_answer",
    "margins": "margins_answer",
    "air": "air_answer",
    "open": "open_answer",  # the last: it is given what the others answered
}


def _made(name: str) -> Callable[[Reviewed], Answer]:
    answer: Callable[[Reviewed], Answer] = import_module(f"pullwatch.review.{_MODULES[name]}").answer
    return answer


ANSWERS: Final[Mapping[str, Callable[[Reviewed], Answer]]] = Lazily(dict.fromkeys(_MODULES, _made))
"""By name, in order."""
