"""A cell for 4.40 V, where others take 4.20: what has to be written, wired and attended."""

import pytest

from sequencer.documents.cell import CellDocument
from sequencer.feasibility.against_bench import find_bench_breaches
from sequencer.feasibility.appraisal import appraise
from sequencer.feasibility.finding import Ability
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.draft_tree import all_drafts
from sequencer.plan.step import StopKind
from sequencer.run_documents.recommended_values import recommended_values
from sequencer.source.loading import load_text
from sequencer.vocabulary.commands import Held
from sequencer.vocabulary.faults import DocumentError
from tests.feasibility.benches import WHOLE, bench, definitions, shipped
from tests.plan.documents import CELL_TEXT, loaded, profile, told

BOLD = CELL_TEXT.replace("charge voltage: 4.20 V", "charge voltage: 4.40 V").replace(
    "charge voltage: 4.25 V", "charge voltage: 4.42 V"
)
SHEET = "limits from: {document: data sheet, page: 3}\n"
RISE = "- {{step: charge, current: 0.2 C, voltage: {:.2f} V, termination current: 0.05 C}}\n"
FIRST = "- {step: charge, current: 0.5 C, voltage: 4.20 V, termination current: 0.05 C}\n"
SLOWLY = FIRST + "".join(RISE.format(4.2 + 0.02 * n) for n in range(1, 11))


def cell(text: str = BOLD + SHEET) -> CellDocument:
    """The bold cell: 2 Ah, 4.40 V recommended, 4.42 V absolute."""
    return load_text(text, "cell.yaml", CellDocument).document


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (BOLD, "4.40 V is above 4.35 V: write which page of the maker's own sheet says so"),
        (BOLD.replace("4.42 V", "4.45 V") + SHEET, "is more than 20 mV above the recommended one"),
        (BOLD + SHEET.replace("data sheet", "shop listing"), "document 'shop listing'"),
        (BOLD + SHEET.replace(", page: 3", ""), "page"),
    ],
)
def test_only_the_maker_s_own_sheet_counts(text, rule):
    """A listing is none; and the ceiling lies near above."""
    with pytest.raises(DocumentError) as refused:
        cell(text)
    assert any(rule in str(fault) for fault in refused.value.faults), refused.value.faults


def test_an_ordinary_cell_needs_none_of_it():
    """4.35 V and less is as before, fast and at once."""
    ordinary = cell(BOLD.replace("4.40 V", "4.35 V"))
    charge = "- {step: charge, current: 1 C, voltage: recommended, termination current: 0.05 C}"
    assert told(charge, of=ordinary) == []


def test_above_the_ordinary_voltage_it_rises_slowly_and_little_by_little():
    """At most 0.2 C and 20 mV more each, and only on from 4.20 V."""
    assert told(SLOWLY, of=cell()) == []
    at_once = "- {step: charge, current: 1 C, voltage: 4.40 V, termination current: 0.05 C}"
    fast, far = told(at_once, of=cell())
    assert "a charge has at most 0.400 A (0.2 C), and not 2.00 A" in fast
    assert "a charge rises by at most 20 mV: charge to 4.20 V first" in far
    (leap,) = told(FIRST + RISE.format(4.24), of=cell())
    assert "rises by at most 20 mV" in leap
    discharged = SLOWLY + "- {step: discharge, current: 1 C, for: 1 min}\n" + RISE.format(4.40)
    (again,) = told(discharged, of=cell())
    assert "charge to 4.20 V first" in again


@pytest.mark.parametrize(
    "first",
    [
        FIRST.replace("termination current: 0.05 C", "for: 1 min"),
        FIRST.replace("0.05 C}", "0.05 C, for: 1 min}"),
        "- {step: charge, current: 0.5 C, until voltage: 3.90 V}\n",
        "- {step: charge, current: 0.5 C, until charge: 10 %}\n",
        "- {step: pulse, direction: charge, current: 0.5 C, for: 10 s}\n",
    ],
)
def test_a_charge_that_may_end_before_its_voltage_is_no_rise_on_the_way(first):
    """The next one would rise from wherever the cell was left, all at once."""
    (leap,) = told(first + RISE.format(4.22), of=cell())
    assert "all of them ended by their voltage or termination current alone" in leap
    brief = "".join(RISE.format(4.2 + 0.02 * n) for n in range(1, 11))
    brief = brief.replace("termination current: 0.05 C", "for: 1 min")
    assert len(told(FIRST + brief, of=cell())) == 9


BRIEF = """
- {step: charge, current: 0.5 C, until voltage: 4.10 V}
- {step: pulse, direction: charge, current: 0.5 C, for: 10 s}
- {step: charge, current: 0.5 C, until charge: 10 %}
"""


def test_what_is_not_told_to_go_above_the_ordinary_voltage_holds_the_supply_there():
    """A part of a charge and a pulse hold no voltage of their own: 4.20 V is where they end, and
    they need none of what a charge above needs."""
    assert told(BRIEF, of=cell()) == []
    driven = [draft.step.drive.voltage_v for draft in all_drafts(profile(BRIEF), cell())]
    assert driven == [4.20, 4.20, 4.20]
    above = FIRST + "- {step: charge, current: 0.2 C, until voltage: 4.22 V}\n"
    assert told(above, of=cell()) == []
    assert [one.step.drive.voltage_v for one in all_drafts(profile(above), cell())] == [4.20, 4.22]
    usual = cell(BOLD.replace("4.40 V", "4.35 V"))
    driven = [draft.step.drive.voltage_v for draft in all_drafts(profile(BRIEF), usual)]
    assert driven == [4.35, 4.35, 4.35]


WORD = "- {step: charge, current: 1 C, voltage: recommended, termination current: 0.05 C}\n"


def test_the_word_recommended_rises_by_itself():
    """To 4.20 V as fast as is written, on without a gap at 0.1 C by 20 mV each, the last one held
    (of 2 Ah, worked here): what any other cell's profile says goes for this one."""
    assert told(WORD, of=cell()) == []
    made = all_drafts(profile(WORD), cell())
    driven = [(draft.step.drive.voltage_v, draft.step.drive.current_a) for draft in made]
    rises = [(round(4.2 + 0.02 * n, 2), 0.2) for n in range(1, 11)]
    assert driven == [(4.20, 2.0), *rises]
    ends = [[stop.kind for stop in draft.step.stops] for draft in made]
    assert ends[:-1] == [[StopKind.VOLTAGE_ABOVE, StopKind.CURRENT_BELOW]] * 10
    assert ends[-1] == [StopKind.CURRENT_BELOW]
    less = [
        d.step.drive for d in all_drafts(profile(WORD.replace("ed,", "ed less 50 mV,")), cell())
    ]
    assert [drive.voltage_v for drive in less][-2:] == [4.34, 4.35]


UNTIL = "- {step: charge, current: 0.05 C, until voltage: recommended}\n"


def test_a_charge_until_the_recommended_voltage_rises_by_itself_too():
    """At the current that was written where that is slow enough, and nothing is held at the end."""
    assert told(UNTIL, of=cell()) == []
    made = all_drafts(profile(UNTIL), cell())
    driven = [(draft.step.drive.voltage_v, draft.step.drive.current_a) for draft in made]
    assert driven == [(round(4.2 + 0.02 * n, 2), 0.1) for n in range(11)]
    ends = [[stop.kind for stop in draft.step.stops] for draft in made]
    assert ends == [[StopKind.VOLTAGE_ABOVE, StopKind.CURRENT_BELOW]] * 11
    assert {draft.step.drive.held for draft in made} == {Held.CURRENT}
    fast = all_drafts(profile(UNTIL.replace("0.05 C", "1 C")), cell())
    assert [draft.step.drive.current_a for draft in fast] == [2.0, *[0.2] * 10]
    less = all_drafts(profile(UNTIL.replace("ed}", "ed less 50 mV}")), cell())
    assert [draft.step.drive.voltage_v for draft in less][-2:] == [4.34, 4.35]


def test_a_charge_until_the_recommended_voltage_that_something_else_may_end_is_not_split():
    """As of one that holds it. A usual cell is charged at once."""
    (far,) = told(UNTIL.replace("}", ", for: 1 h}"), of=cell())
    assert "a charge rises by at most 20 mV" in far
    usual = cell(BOLD.replace("4.40 V", "4.35 V"))
    assert [d.step.drive.voltage_v for d in all_drafts(profile(UNTIL), usual)] == [4.35]


def test_what_recommended_comes_to_is_told_once_for_all_rises():
    """What the cell document says, and none of the voltages and currents on the way."""
    written = loaded(WORD.replace("current: 1 C", "current: 50 % of recommended"))
    values = recommended_values(written, load_text(BOLD + SHEET, "cell.yaml", CellDocument))
    assert [(one.said, one.value) for one in values] == [
        ("current '50 % of recommended'", "1.00 A"),
        ("voltage 'recommended'", "4.400 V"),
    ]


def test_a_rise_that_ends_by_crossing_over_needs_no_advice():
    """Its supply is set to the voltage that it ends at: that it crosses over there is meant."""
    found = appraise(profile(WORD), cell(), bench(), definitions()).findings
    assert not [one for one in found if "may cross over" in one.words]
    usual = cell(BOLD.replace("4.40 V", "4.35 V"))
    told_of = appraise(profile(BRIEF.replace("4.10 V", "4.35 V")), usual, bench(), definitions())
    assert [one for one in told_of.findings if "may cross over" in one.words]


def test_what_ends_a_charge_otherwise_is_not_split():
    """A time or a charge of the whole is none of each rise: that is refused as before."""
    (far,) = told(
        WORD.replace("1 C", "0.2 C").replace("termination current: 0.05 C", "for: 1 h"), of=cell()
    )
    assert "a charge rises by at most 20 mV" in far


def test_a_cell_is_known_to_be_full_behind_it():
    """So that a charge may be counted out of it."""
    counted = "- {step: adjust state of charge, to: 30 %, current: 0.2 C}\n"
    out = "- {step: discharge, current: 0.2 C, cut-off voltage: recommended}\n"
    assert told(WORD + out + counted, of=cell()) == []


def test_each_pass_of_a_loop_rises_slowly_too():
    """What stood before the loop does not stand before its second pass."""
    loop = "- step: repeat\n  times: 2\n  steps:\n    " + RISE.format(4.40)
    loop += "    - {step: discharge, current: 1 C, for: 1 min}\n"
    (again,) = told(SLOWLY.removesuffix(RISE.format(4.40)) + loop, of=cell())
    assert "charge to 4.20 V first" in again


@pytest.mark.parametrize(
    ("wiring", "lacks", "rule"),
    [
        (WHOLE.replace("place: surface", "place: tab"), "", "a sensor on the cell's surface"),
        (
            WHOLE.replace("by: meter", "by: supply"),
            "",
            "a meter at the cell's tabs beside the supply's own",
        ),
        (WHOLE, "set over-voltage", "an over-voltage protection of supply that is set and read"),
        (WHOLE, "measure voltage", "a voltage of supply's own to compare with the meter's"),
    ],
)
def test_the_bench_needs_what_stands_in_for_telling_the_cell(wiring, lacks, rule):
    """Without it nothing is planned; a profile that stays below needs none of it."""
    known = definitions()
    if lacks:
        whole = shipped("generic-scpi-supply")
        kept = {
            part: {key: one for key, one in getattr(whole, part).items() if key != lacks}
            for part in ("operations", "capabilities")
        }
        known["supply"] = whole.model_copy(update=kept)
    found = find_bench_breaches(profile(SLOWLY), cell(), bench(wiring), known)
    assert any(rule in one.message for one in found), found
    below = find_bench_breaches(profile(FIRST), cell(), bench(wiring), known)
    assert not any(rule in one.message for one in below)


def test_a_person_must_stay_and_is_told_why():
    """The bench that could be left alone with an ordinary cell."""
    assert find_breaches(profile(SLOWLY), cell()) == []
    assert find_bench_breaches(profile(SLOWLY), cell(), bench(), definitions()) == []
    bold = appraise(profile(SLOWLY), cell(), bench(), definitions())
    assert any("nothing here can tell one that is made for it" in w for w in bold.attended_because)
    plain = appraise(profile(FIRST), cell(), bench(), definitions())
    assert not any("nothing here can tell" in w for w in plain.attended_because)


def over_voltage(steps, wiring=WHOLE):
    """What is found about the supply's own protection: its grade and its words."""
    found = appraise(profile(steps), cell(), bench(wiring), definitions()).findings
    return [(one.ability, one.words) for one in found if "over-voltage protection" in one.subject]


def test_leads_that_take_the_room_to_the_protection_are_told():
    """It stands at the ceiling, 20 mV above 4.40 V, and sees the supply's terminals: 0.4 A through
    40 mOhm are 16 mV (worked here); half of the current leaves 12 mV for what the supply errs."""
    ((ability, text),) = over_voltage(SLOWLY)
    assert ability is Ability.CANNOT
    assert "at 4.420 V" in text
    assert "16 mV" in text
    slower = SLOWLY.removesuffix(RISE.format(4.40)) + RISE.format(4.40).replace("0.2 C", "0.1 C")
    ((ability, _),) = over_voltage(slower)
    assert ability is Ability.CAN
    assert over_voltage(FIRST) == []
