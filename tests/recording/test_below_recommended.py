"""What a journal tells of a residual discharge, and what a person is asked to do, when."""

import pytest

from sequencer.recording.below_recommended import (
    KEY,
    BelowRecommended,
    mark_words,
    what_summary_asks,
    what_to_do,
)

DOWN = ("state", {"state": "discharging", "words": "CC discharge", "step": 5})
DOWN_ENDED = ("step ended", {"step": 5, "start_v": 3.4, "low_v": 3.0})
LOW = ("state", {"state": "discharging", "words": "residual discharge", "step": 6})
LOW_ENDED = ("step ended", {"step": 6, "start_v": 3.0, "low_v": 2.6})
RESTS = ("state", {"state": "resting", "words": "rest", "step": 7})
BACK = ("state", {"state": "charging", "words": "CC-CV charge", "step": 8})
BACK_ENDED = ("step ended", {"step": 8, "start_v": 2.8, "low_v": 2.8})
PAUSED = ("state", {"state": "paused", "words": "residual discharge", "step": 6})


def known(*entries, manifest=None) -> BelowRecommended:
    """After these entries."""
    low = BelowRecommended()
    low.goes_on(manifest or {})
    for kind, entry in entries:
        low.take(kind, entry)
    return low


@pytest.mark.parametrize(
    ("entries", "last_v", "asks"),
    [
        ((DOWN,), 3.1, ""),
        ((DOWN, DOWN_ENDED, BACK), 3.2, ""),
        ((DOWN, DOWN_ENDED, LOW), 2.8, "it was not recharged"),
        ((DOWN, DOWN_ENDED, LOW, PAUSED), 2.9, "it was not recharged"),
        # relaxed above where it began, and not recharged all the same
        ((DOWN, DOWN_ENDED, LOW, LOW_ENDED, RESTS), 3.05, "it was not recharged"),
        ((DOWN, DOWN_ENDED, LOW, LOW_ENDED, RESTS, BACK), 2.9, "its recharge was broken off"),
        ((DOWN, DOWN_ENDED, LOW, LOW_ENDED, RESTS, BACK), None, "its recharge was broken off"),
        ((DOWN, DOWN_ENDED, LOW, LOW_ENDED, RESTS, BACK), 3.0, ""),
        # and low once more
        ((LOW, LOW_ENDED, BACK, LOW), 3.1, "it was not recharged"),
    ],
)
def test_a_person_is_asked_until_the_cell_is_back_where_it_began(entries, last_v, asks):
    """First of all, with what was read last."""
    told = what_to_do(known(*entries).told(last_v))
    assert bool(told) is bool(asks)
    assert not asks or asks in told[0]
    assert not asks or (f"(it last read {last_v:.3f} V)" in told[0]) is True if last_v else True


@pytest.mark.parametrize(
    ("entries", "is_late"),
    [
        ((LOW, (*LOW_ENDED, 100), (*BACK, 1899)), False),
        ((LOW, (*LOW_ENDED, 100), (*BACK, 1901)), True),
        ((LOW, (*PAUSED, 100), (*LOW, 1000), (*LOW_ENDED, 5000), (*BACK, 5700)), False),
        ((LOW, (*PAUSED, 100), ("trip", {}, 1901)), True),
        ((LOW, (*PAUSED, 100), ("end", {}, 1899)), False),
        # what a person did after that is their own
        ((LOW, (*LOW_ENDED, 100), (*BACK, 700), ("end", {}, 9000)), False),
    ],
)
def test_a_recharge_that_did_not_begin_in_half_an_hour_is_told(entries, is_late):
    """By the times of the record: from the end of the residual discharge, or a pause within it."""
    timed = [(one[0], one[1] | {"at_ns": one[2] * 10**9} if one[2:] else one[1]) for one in entries]
    told = known(*timed).told(2.9)
    assert told is not None
    assert told["is_late"] is is_late
    for recharged in (told, told | {"is_recharged": True}):
        assert ("did not begin within 30 min" in " ".join(what_to_do(recharged))) is is_late
    assert ("recharged too late" in mark_words(told)) is is_late


def test_what_the_computer_slept_counts_as_low():
    """Bench time stood still meanwhile; also where it slept while the load went on."""
    slept = ("host", {"slept_ns": 1700 * 10**9})
    for low in ((*LOW_ENDED, 100), ("trip", {}, 100)):
        for is_late, at_s in ((False, 199), (True, 201)):
            entries = (LOW, low, (*slept, 150), ("end", {}, at_s))
            timed = [(one[0], one[1] | {"at_ns": (one[2:] or (9,))[0] * 10**9}) for one in entries]
            told = known(*timed).told(2.9)
            assert told is not None
            assert (told["is_late"], told["low_s"]) == (is_late, 1600.0 + at_s)


@pytest.mark.parametrize(("gap_s", "is_late"), [(600.0, False), (1500.0, True), (-5.0, True)])
def test_a_run_that_resumes_it_counts_on(gap_s, is_late):
    """400 s low in the run before, the gap between both, and 300 s until the recharge; where the
    clock went back nobody knows, and it counts as late."""
    ends = ("end", {"at_ns": 500 * 10**9})
    before = known((LOW[0], LOW[1]), (LOW_ENDED[0], LOW_ENDED[1] | {"at_ns": 100 * 10**9}), ends)
    manifest = {"resumes": {"gap_s": gap_s, KEY: before.told(2.7)}}
    rests = ("state", RESTS[1] | {"at_ns": 9 * 10**9})
    back = ("state", BACK[1] | {"at_ns": 309 * 10**9})
    told = known(rests, back, manifest=manifest).told(2.9)
    assert told is not None
    assert told["is_late"] is is_late
    begun = before.told(2.7) or {}
    manifest = {"resumes": {"gap_s": gap_s, KEY: begun | {"is_recharging": True}}}
    assert (known(rests, back, manifest=manifest).told(2.9) or {})["is_late"] is False


def test_the_mark_is_the_lowest_voltage():
    """Of the step, or what was read last where it did not end."""
    down = "residual discharge down to"
    assert mark_words(known(LOW, LOW_ENDED, RESTS).told(2.9)) == f"{down} 2.600 V"
    assert mark_words(known(LOW).told(2.7)) == f"{down} 2.700 V"
    assert known(LOW).told(float("nan")) == known(LOW).told(None)
    assert mark_words({}) == "residual discharge"
    assert known(DOWN).told(3.0) is None


def test_a_resumed_run_knows_how_the_one_before_left_the_cell():
    """Until its own recharge has brought it back."""
    before = known(LOW, LOW_ENDED, RESTS).told(2.9)
    manifest = {"resumes": {KEY: before}}
    assert what_to_do(known(RESTS, manifest=manifest).told(2.9))
    assert what_to_do(known(RESTS, BACK, manifest=manifest).told(2.95))
    assert not what_to_do(known(RESTS, BACK, manifest=manifest).told(3.4))
    broken = {"resumes": {KEY: known(LOW).told(2.9)}}
    assert what_to_do(known(RESTS, BACK, manifest=broken).told(3.4))
    assert not what_to_do(known(RESTS, BACK, BACK_ENDED, manifest=broken).told(3.4))
    whole = known(LOW, LOW_ENDED, BACK).told(3.4)
    assert known(RESTS, manifest={"resumes": {KEY: whole}}).told(3.4) is None


@pytest.mark.parametrize("text", ["", "{", "{}", None])
def test_a_summary_that_is_not_there_asks_nothing(tmp_path, text):
    """Of a run whose program was killed before it was made."""
    if text is not None:
        (tmp_path / "summary.json").write_text(text, encoding="utf-8")
    assert what_summary_asks(tmp_path) == what_summary_asks(None) == ()
