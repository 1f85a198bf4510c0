"""A fixed sample of the simulated sellers; the whole campaign is run by hand."""

import pytest

from sequencer.analysis.results import VerdictWord
from tests.analysis.claims.sellers import AT_MOST_WRONG, STANCES, campaign


@pytest.mark.parametrize(("world", "count"), [("nights", 9), ("conditions", 150)])
def test_wrong_words_are_rare_and_plain_cases_get_a_word(world, count):
    """At most 5 % wrong; a plainly true or false seller is never called the other, and on
    the claim's own conditions most get their word. One bench's claims share its errors, so that a
    small sample is judged as a whole."""
    found = {one.stance: one for one in campaign(count, worlds=(world,))}
    assert set(found) == set(STANCES)
    wrong = sum(one.wrong for one in found.values())
    assert wrong <= AT_MOST_WRONG * sum(one.count for one in found.values()), found
    assert (
        found["true"].words[VerdictWord.NOT_SUPPORTED]
        == found["false"].words[VerdictWord.SUPPORTED]
        == 0
    )
    if world == "nights":
        assert found["true"].words[VerdictWord.SUPPORTED] >= 0.8 * found["true"].count
        assert found["false"].words[VerdictWord.NOT_SUPPORTED] >= 0.8 * found["false"].count


def test_the_same_seeds_give_the_same_words():
    """One campaign, one result."""
    assert campaign(6, worlds=("conditions",)) == campaign(6, worlds=("conditions",))
