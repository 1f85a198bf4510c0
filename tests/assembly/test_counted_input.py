"""What a report takes from the journal of a state of charge that was counted."""

import pytest

from sequencer.assembly import analysis_input
from sequencer.plan.counted_charge import ChargeAccount, Measuring, Reference, plain_account

ACCOUNT = ChargeAccount(1.8, Measuring(1.0, 3.0, 3), Reference.FULL, -1.26, since=5)
ENTRY = {"words": "CC discharge", "counted": {"to": 0.3, "account": plain_account(ACCOUNT)}}


def test_a_count_is_read_as_it_was_written():
    """From full, in shares of what step 3 measured."""
    told = analysis_input._counted(ENTRY)
    assert told is not None
    assert (told.to, told.capacity_ah, told.measured_at_a) == (0.3, 1.8, 1.0)
    assert (told.measured_in, told.from_share, told.since) == (3, 1.0, 5)


@pytest.mark.parametrize(("words", "is_told"), [("CC discharge", False), ("CC charge", True)])
def test_of_two_that_were_skipped_the_charge_tells(words, is_told):
    """The discharge comes first, and the charge behind it leaves the cell where it is."""
    skipped = {**ENTRY, "words": words, "skipped": True}
    assert (analysis_input._counted(skipped) is not None) is is_told


@pytest.mark.parametrize("account", [{}, {"measuring": {}}, [1], {"measuring": None}, "full"])
def test_an_account_of_another_form_tells_nothing(account):
    """No report ends for it."""
    assert analysis_input._counted({**ENTRY, "counted": {"to": 0.3, "account": account}}) in (
        None, analysis_input._counted({**ENTRY, "counted": {"to": 0.3}}),
    )  # fmt: skip
