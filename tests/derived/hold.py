"""What every operator must do: the same whichever way it is asked, and however its samples are cut."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from hypothesis import strategies as st

from pullwatch.columns import to_columns, to_samples

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pullwatch.columns import Sample
    from pullwatch.derived import Deriving


def exactly(samples: Sequence[Sample]) -> list[tuple[int, int, str, int]]:
    """Return samples so that equal means the same to the last bit, a NaN being equal to itself."""
    return sorted((t, channel, float(v).hex(), int(why)) for t, channel, v, why in samples)


def cut(samples: Sequence[Sample], places: Sequence[int]) -> list[list[Sample]]:
    """Cut samples into batches at instants, as records do: no two samples of one instant are ever parted."""
    parts: list[list[Sample]] = [[]]
    borders = sorted(places)
    for sample in samples:
        while borders and sample[0] >= borders[0]:
            borders.pop(0)
            parts.append([])
        parts[-1].append(sample)
    return parts


def hold_together(make: Callable[[], Deriving], samples: Sequence[Sample], places: Sequence[int]) -> list[Sample]:
    """Show that few and many, whole, cut, taking turns, and through a checkpoint, give the same; return it."""
    whole = make().few(list(samples))
    assert [sample[0] for sample in whole] == sorted(sample[0] for sample in whole)
    wanted = exactly(whole)
    assert exactly(to_samples(make().many(to_columns(samples)))) == wanted
    for first in (0, 1, 2):
        deriving, out = make(), []
        for number, part in enumerate(cut(samples, places), first):
            if number % 3 == 2:
                carried = json.loads(json.dumps(deriving.carried()))
                deriving = make()
                deriving.carry(carried)
            if number % 2:
                out += deriving.few(part)
            else:
                out += to_samples(deriving.many(to_columns(part)))
        assert exactly(out) == wanted
    return whole


def traces(channels: int, values: st.SearchStrategy[float], longest_step: int = 40) -> st.SearchStrategy[list[Sample]]:
    """Return a strategy of samples of `channels` channels, some at one instant, some in doubt, with gaps.

    Times count from 0 in steps of up to `longest_step` ns: stale times are to be of that size.
    """
    one = st.tuples(
        st.sets(st.integers(0, channels - 1), min_size=1),
        st.integers(1, longest_step),
        st.lists(values, min_size=channels, max_size=channels),
        st.lists(st.sampled_from([0, 0, 0, 0, 1, 4]), min_size=channels, max_size=channels),
    )

    def lay(instants: list[tuple[set[int], int, list[float], list[int]]]) -> list[Sample]:
        t, out = 0, []
        for here, step, numbers, whys in instants:
            t += step
            out += [(t, channel, float(numbers[channel]), whys[channel]) for channel in sorted(here)]
        return out

    return st.lists(one, max_size=40).map(lay)


def places() -> st.SearchStrategy[list[int]]:
    """Return a strategy of instants to cut at."""
    return st.lists(st.integers(0, 1_000), max_size=8)
