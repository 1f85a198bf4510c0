"""Who answers again after a pause: the same instruments, others, or nobody."""

from sequencer.interlocks.changed_instruments import changed_instruments
from sequencer.ports import Identity
from sequencer.vocabulary.faults import FaultKind, RefusedError

KNOWN = [Identity("supply", "maker", "model", "1", "0", True, "maker,model,1,0")]


def test_the_same_instruments_have_not_changed():
    """What they say of themselves is what they said before."""
    assert changed_instruments(KNOWN, lambda: KNOWN) == []


def test_another_serial_number_is_a_changed_instrument():
    """Named, with the kind of fault that ends a run."""
    (fault,) = changed_instruments(
        KNOWN, lambda: [KNOWN[0]._replace(serial="2", raw="maker,model,2,0")]
    )
    assert (fault.kind, fault.culprit) == (FaultKind.IDENTITY_CHANGED, "supply")


def test_who_does_not_answer_is_told():
    """Every reason of the refusal, as a fault of the sample."""

    def refuses():
        raise RefusedError(["supply: no reply", "load: no reply"])

    told = changed_instruments(KNOWN, refuses)
    assert [one.detail for one in told] == ["supply: no reply", "load: no reply"]


def test_a_reading_in_the_answer_is_nobody_else():
    """A meter that only talks is known by a line of it, and the next line says another value: a
    pause could not be continued."""
    meter = Identity("meter", "", "", "", "", True, "DC +03.7000 V")
    assert changed_instruments([meter], lambda: [meter._replace(raw="DC +03.7001 V")]) == []
    (fault,) = changed_instruments([meter], lambda: [meter._replace(matches=False, raw="?")])
    assert fault.culprit == "meter"
