"""Rules over documents of which a part is wrong: what is unknown is passed over, nothing else."""

import operator

import pytest

from sequencer.documents.rules import UNKNOWN, UnknownError, each, gathered, judged, known

LOOKS = [
    bool,
    len,
    list,
    str,
    float,
    int,
    abs,
    hash,
    lambda one: one.name,
    lambda one: one[0],
    lambda one: 1 in one,
    lambda one: one == 1,
    lambda one: one != 1,
    lambda one: one < 1,
    lambda one: not one >= 1.0,
    lambda one: max(one, 1),
    lambda one: one + 1,
    lambda one: 1 - one,
    lambda one: 2 * one,
    lambda one: 1 / one,
    lambda one: -one,
    lambda one: f"{one:g}",
    lambda one: round(one, 3),
    operator.methodcaller("items"),
]


@pytest.mark.parametrize("look", LOOKS)
def test_nothing_can_be_learned_of_what_is_unknown(look):
    """Whoever looks is stopped there, so that no rule decides on it."""
    with pytest.raises(UnknownError):
        look(UNKNOWN)


def test_that_something_was_written_can_be_asked():
    """A claim with a wrong capacity is still a claim that gives one."""
    assert UNKNOWN is not None


def test_one_rule_that_cannot_be_judged_hides_no_other():
    """What it found before stays found."""

    def stopped():
        yield "first", ()
        if UNKNOWN > 1:
            yield "never", ()

    def sound():
        yield "second", ("key",)

    assert judged([stopped(), sound()]) == [("first", ()), ("second", ("key",))]
    assert list(known(iter([1, 2]))) == [1, 2]


def test_each_entry_is_judged_by_itself():
    """An unknown entry, and an unknown collection, are passed over."""

    def small(key, one):
        if one < 3:
            yield "small", (key,)

    assert list(each(small, [1, UNKNOWN, 2, 5])) == [("small", (0,)), ("small", (2,))]
    assert list(each(small, {"a": 1, "b": UNKNOWN})) == [("small", ("a",))]
    assert list(known(each(small, UNKNOWN))) == []


def test_what_is_known_is_gathered():
    """With its key or index; what is unknown, or within an unknown entry, is left out."""
    assert gathered(lambda one: one, [1, UNKNOWN, 3]) == [(0, 1), (2, 3)]
    assert gathered(lambda one: one.real, {"a": 1, "b": UNKNOWN}) == [("a", 1)]
    assert gathered(lambda one: one, UNKNOWN) == []
