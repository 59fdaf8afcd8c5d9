"""Names in topics: no name can reach out of its level."""

from __future__ import annotations

import aiomqtt
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from pullwatch.publish.topics import LONGEST_LEVEL, base, level, taken_apart, topic, unlevel

names = st.text(min_size=1, max_size=60)


@example("\x00")
@given(names)
def test_a_name_is_one_level_and_comes_back(name: str) -> None:
    """Whatever a car or a rule is called: one level, no wildcard, nothing a broker treats apart, and readable again.

    The wildcards and the separator are those of OASIS MQTT 5.0, 4.7.1; a first `$` is special by 4.7.2.
    """
    made = level(name)
    assert made.isascii()
    assert not set(made) & set("+#/$ \0\n")
    assert 0 < len(made) <= LONGEST_LEVEL
    aiomqtt.Topic(made)
    if len(made) < LONGEST_LEVEL - 2:
        assert unlevel(made) == name
    else:
        assert name.encode("utf-8", "surrogatepass").startswith(unlevel(made).encode()) or len(name) < 60


@example("", "\x00")
@given(names, names)
def test_two_names_have_two_levels(one: str, other: str) -> None:
    """Short names that differ never share a topic."""
    if one != other and max(len(level(one)), len(level(other))) < LONGEST_LEVEL - 2:
        assert level(one) != level(other)


@example("0", "\x00")
@given(names, names)
def test_a_topic_is_taken_apart_as_it_was_put_together(car: str, rule: str) -> None:
    """The reader finds car and rule again, and the topic lies under the car's own filter and under no other's."""
    made = topic("pullwatch", car, "alarm", rule)
    assert made.count("/") == 4
    assert topic_matches_sub(f"{base('pullwatch', car)}/#", made)
    assert not topic_matches_sub(f"{base('pullwatch', car + 'x')}/#", made) or len(level(car)) > LONGEST_LEVEL - 13
    found = taken_apart(made, "pullwatch")
    assert found is not None
    if max(len(level(car)), len(level(rule))) < LONGEST_LEVEL - 2:
        assert found == (car, "alarm", rule)


@pytest.mark.parametrize(
    "other",
    ["", "pullwatch", "pullwatch/v1/car", "pullwatch/v2/car/birth", "x/v1/car/birth", "pullwatch/v1/car/birth/x",
     "pullwatch/v1/car/alarm", "pullwatch/v1/car/nothing", "$SYS/v1/car/birth", "pullwatch/v1/car/values/rule"],
)  # fmt: skip
def test_other_topics_are_none_of_ours(other: str) -> None:
    """Another schema, another root, another depth: not read."""
    assert taken_apart(other, "pullwatch") is None
