"""Off is known by a proof that was taken for an ending, wherever the record breaks off."""

import pytest

from sequencer.recording.summary import Off

PROOF = ("proof", {"level": "A", "evidence": ["0.000 A"], "honest_a": 0.01, "lying_a": None})
CHECKED = [("identity", {}), PROOF]
CHARGING = ("state", {"state": "charging", "step": 1})
ON = ("command", {"direction": "charge"})
REST = ("command", {"direction": "rest"})
FINISHING = ("state", {"state": "finishing"})
TRIP = ("trip", {"interlock": "voltage high"})
RESCUE = ("rescue", {"why": "killed", "proof": PROOF[1]})
NIGHT = [*CHECKED, ("state", {"state": "resting", "step": 1}), REST, CHARGING, ON]


def known(entries) -> Off:
    """What those entries tell."""
    off = Off()
    for kind, entry in entries:
        off.take(kind, entry)
    return off


@pytest.mark.parametrize("length", range(len(NIGHT) + 1))
def test_a_record_that_breaks_off_on_the_way_knows_nothing(length):
    """Wherever it breaks off: its last second is lost, and an output may have come on in it."""
    off = known(NIGHT[:length])
    assert (off.is_proven, off.level, off.evidence) == (False, "none", [])


@pytest.mark.parametrize(
    "entries",
    [
        [*CHECKED, ("end", {"ending": "refused"})],
        [*NIGHT, TRIP, PROOF],
        [*NIGHT, FINISHING, PROOF],
        [*NIGHT, FINISHING, PROOF, ("end", {"ending": "done"})],
        [*NIGHT, RESCUE],
        [*CHECKED, RESCUE],
    ],
)
def test_a_proof_for_an_ending_counts(entries):
    """Whoever took it, and whether or not the record goes on to its own end."""
    off = known(entries)
    assert (off.is_proven, off.level, off.honest_a, off.lying_a) == (True, "A", 0.01, None)


@pytest.mark.parametrize("last", [FINISHING, TRIP])
def test_an_ending_whose_proof_is_missing_is_not_proven(last):
    """What was proven before the night is none for its end."""
    assert not known([*NIGHT, last]).is_proven


def test_a_contradicted_proof_is_none():
    """Evidence that current flows."""
    off = known([*NIGHT, TRIP, ("proof", {"level": "A", "contradicted": True})])
    assert off.is_contradicted
    assert not off.is_proven
