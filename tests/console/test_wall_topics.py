"""Which topics are a car's: names, patterns that find cars, and what can be neither."""

from __future__ import annotations

import pytest

from console.wall_topics import LONGEST, MOST_NAMED, WallTopics, read_topics


def test_one_name_given_twice_is_one_car() -> None:
    assert read_topics(["pit/car", "pit/car"]).one == "pit/car"
    assert read_topics(["pit/car", "pit/other"]).one is None
    assert read_topics(["pit/+"]).one is None


def test_names_and_patterns_are_kept_apart_in_their_order() -> None:
    topics = read_topics(["pit/b", "+/a", "pit/a", "pit/+"])
    assert (topics.names, topics.patterns) == (("pit/b", "pit/a"), ("+/a", "pit/+"))


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ("pit/#", "# stands for any number of levels"),
        ("#", "use \\+ for each level"),
        ("pit/car+", "\\+ stands for a whole level"),
        ("pit//car", "two in a row"),
        ("/pit", "slash"),
        ("$SYS/+", "broker's own"),
        ("", "letters long"),
        ("pit/\x1b[2J", "printable"),
        ("+/" * LONGEST + "+", "letters long"),
    ],
)
def test_what_can_be_no_prefix_is_refused_with_the_reason(given: str, reason: str) -> None:
    with pytest.raises(ValueError, match=reason) as caught:
        read_topics(["pit/car", given])
    assert str(caught.value).isprintable()


def test_names_are_bounded() -> None:
    many = [f"pit/{n}" for n in range(MOST_NAMED + 1)]
    assert len(read_topics(many[1:]).names) == MOST_NAMED
    with pytest.raises(ValueError, match="201 are given"):
        read_topics(many)


@pytest.mark.parametrize(
    ("topic", "found"),
    [
        ("pit/7/state", ("pit/7", "state")),
        ("pit/7/online", ("pit/7", "online")),
        ("pit/8/heartbeat", ("pit/8", "heartbeat")),
        ("pit/7/answers/kim", ("pit/7", "answers/kim")),
        ("pit/7/answers/lee", None),
        ("pit/7/commands/kim", None),
        ("pit/7/transitions", None),
        ("pit/a/b/state", None),
        ("pit/state", None),
        ("state", None),
        ("other/7/state", None),
        ("pit//state", None),
        ("pit/\x1b[2J/state", None),
        (f"pit/{'x' * LONGEST}/state", None),
        ("deep/a/b/c/state", ("deep/a/b/c", "state")),
    ],
)
def test_a_topic_is_split_only_where_it_was_asked_for(topic: str, found: tuple[str, str] | None) -> None:
    assert WallTopics(("pit/7", "deep/a/b/c"), ("pit/+",)).split(topic, "kim") == found


def test_without_a_level_no_answers_are_heard() -> None:
    assert WallTopics(("pit/7",)).split("pit/7/answers/kim", None) is None
