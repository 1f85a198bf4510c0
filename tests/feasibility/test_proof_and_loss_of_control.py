"""Which proof of off a bench can reach, what a dead computer leaves behind, who must stay."""

import pytest

from drivers.off.plan import plan_safing
from sequencer.feasibility.appraisal import Appraisal, lines, verdict
from sequencer.feasibility.finding import Ability, Finding
from sequencer.vocabulary.verdict import Level
from tests.feasibility.benches import (
    WHOLE,
    appraisal,
    bench,
    definitions,
    shipped,
    with_capability,
    with_traits,
)
from tests.plan.documents import CELL

STEPS = """
- {step: rest, for: 1 min}
- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.2 A}
- {step: discharge, current: 1 A, cut-off voltage: recommended}
"""
CONTACTOR = "  contactor: contactor\n  contactor lead: positive\n"
NO_CONTACTOR = WHOLE.replace(CONTACTOR, "")
ALONE = """
  charge: supply
  voltage: {by: supply}
"""


def reach(wiring, **changed):
    """Levels and smallest currents, best first."""
    ways = appraisal(STEPS, wiring, **changed).proof
    return [(way.level.value, way.bound_a) for way in ways]


def test_a_contactor_with_feedback_reaches_a():
    """And what is beneath it, should the contactor fail."""
    # supply 10 mA + a step of 10 mA + 0.5 mA that leaks through it
    own = pytest.approx(0.0205)
    assert reach(WHOLE) == [("A", 0.0), ("B", own), ("C", own)]
    assert appraisal(STEPS).level is Level.A


def test_an_ammeter_reaches_a_down_to_what_it_sees():
    """Its offset and one count."""
    fine = "[{low: -3 A, high: 3 A, resolution: 0.1 mA, accuracy: {of reading: 1 %, offset: 2 mA}}]"
    meter = with_capability("meter", "measure current", fine)
    ways = reach(NO_CONTACTOR + "  current: {by: meter, lead: positive}\n", meter=meter)
    assert ways[0] == ("A", pytest.approx(0.0021))


def test_a_contact_that_no_terminal_can_be_seen_behind_reaches_no_a():
    """A supply with a diode of its own, and no load beside it: nothing shows that it parts."""
    wiring = "\n  charge: supply\n  voltage: {by: meter}\n" + CONTACTOR
    blind = with_traits("supply", blocks_reverse_current=True)
    assert [level for level, _ in reach(wiring)] == ["A", "B", "C"]
    assert [level for level, _ in reach(wiring, supply=blind)] == ["B", "C"]


def test_level_b_says_what_it_leaves_possible_and_for_which_cells_it_is_enough():
    """20.5 mA for 8 h are 3 % of 5 Ah, not worth a word, and 0.05 C of 0.41 Ah (worked here)."""
    cell = CELL.model_copy(update={"rated_capacity": 5.0})
    (way, *_) = appraisal("- {step: rest, for: 1 min}", NO_CONTACTOR, cell).proof
    assert str(way) == (
        "level B: every output says off and reads zero: at most 21 mA may flow if the instruments"
        " are honest; enough for cells from 0.410 Ah on; if the one that drove last lies, only the"
        " step of the voltage at switching off shows it"
    )


def test_a_cell_too_small_for_this_bench_reaches_only_c_and_needs_a_person():
    """0.05 C of a 0.4 Ah cell are 20 mA, and this bench leaves 20.5 mA possible."""
    small = CELL.model_copy(update={"rated_capacity": 0.4})
    made = appraisal("- {step: rest, for: 1 min}", NO_CONTACTOR, small)
    assert [way.level for way in made.proof] == [Level.C]
    assert "enough for cells from 0.410 Ah on only" in str(made.proof[0])
    assert made.attended_because[0].startswith("this bench can only reach level C")
    large = CELL.model_copy(update={"rated_capacity": 0.41})
    assert appraisal("- {step: rest, for: 1 min}", NO_CONTACTOR, large).level is Level.B


def test_what_is_left_possible_is_told_as_charge_where_it_is_much():
    """20.5 mA are more than 0.01 C of 2 Ah: 8 % of its charge in 8 h."""
    cell = CELL.model_copy(update={"rated_capacity": 2.0})
    (way, *_) = appraisal("- {step: rest, for: 1 min}", NO_CONTACTOR, cell).proof
    assert "(8 % of this cell's charge in 8 h)" in str(way)


def test_leads_that_supply_and_load_share_show_what_the_other_denies():
    """The idle one reads the drop; its sense must be where the leads begin."""
    shared = NO_CONTACTOR.replace("supply sense: four-wire", "supply sense: two-wire")
    shared += "  shared leads: yes\n"
    (way, *_) = appraisal(STEPS, shared).proof
    assert str(way).endswith(
        "if the one that drove last lies, the lead drop at supply while load does and the lead drop"
        " at load while supply does and the step of the voltage at switching off show it"
    )
    far = shared.replace("supply sense: two-wire", "supply sense: four-wire")
    (way, *_) = appraisal(STEPS, far).proof
    assert "lead drop at supply" not in str(way)


def test_a_supply_and_a_load_see_the_cell_beside_each_other():
    """Without a meter of its own either is the other one's witness."""
    pair = "\n  charge: supply\n  discharge: load\n  voltage: {by: load}\n"
    assert [level for level, _ in reach(pair)] == ["B", "C"]


def test_a_supply_alone_is_for_attended_use():
    """Its own word and its own current: level B while it is honest, and nothing shows a lie."""
    steps = "- {step: charge, current: 1 A, voltage: 4.2 V, termination current: 0.2 A}"
    alone = appraisal(steps, ALONE)
    assert alone.level is Level.B
    assert str(alone.proof[0]).endswith("if the one that drove last lies, nothing shows it")
    assert alone.attended_because == (
        "there is a single voltage channel, which nothing cross-checks under current",
        "no sensor sits on the cell",
        (
            "if the computer dies during a charge: nothing ends it: only the supply's own "
            "limits stand "
            "between cell and overcharge"
        ),
    )


@pytest.mark.parametrize(
    "wiring",
    [
        WHOLE,
        NO_CONTACTOR,
        ALONE,
        "\n  charge: supply\n  discharge: load\n  voltage: {by: load}\n",
        "\n  discharge: load\n  voltage: {by: load}\n",
        "\n  discharge: load\n  voltage: {by: meter}\n",
    ],
)
def test_the_level_told_before_is_the_level_that_the_safing_plan_can_reach(wiring):
    """Two rooms work it out; they must not tell different things."""
    steps = "- {step: rest, for: 1 min}"
    assert (
        appraisal(steps, wiring).level
        is plan_safing(bench(wiring), definitions(), capacity_ah=CELL.rated_capacity).reach
    )


def test_if_the_computer_dies_now_on_the_generic_bench():
    """Its contactor's watchdog ends everything, once it is set; without it nothing ends a charge,
    and the load latches its undervoltage cut-out."""
    assert appraisal(STEPS).may_be_left
    assert appraisal(STEPS).losses_of_control[1].keeps_safe == (
        "contactor opens by its communication watchdog after 5 s of silence"
    )
    deaf = with_traits("contactor", communication_watchdog=False)
    assert [
        str(loss_of_control)
        for loss_of_control in appraisal(STEPS, contactor=deaf).losses_of_control
    ] == [
        "rest: outputs stay off; nothing drives the cell; may be left alone",
        (
            "charge: supply goes on, and holds the cell at 4.200 V at most, without end; "
            "nothing ends "
            "it: only the supply's own limits stand between cell and overcharge; attended only "
            "(it might be left alone with a communication watchdog for contactor)"
        ),
        (
            "discharge: load goes on past the cut-off, down to an empty cell; load ends it by its "
            "latching undervoltage cut-out; may be left alone"
        ),
    ]


def test_what_must_be_set_first_counts_where_it_is_set_by_us():
    """A watchdog with an operation to set it, which the bench does; a cut-out without one."""
    one = with_traits("supply", communication_watchdog=True)
    setting = {"set watchdog": one.operations["set voltage"]}
    supply = one.model_copy(update={"operations": one.operations | setting})
    deaf = with_traits("contactor", communication_watchdog=False)
    load = shipped("generic-scpi-load")
    kept = {name: op for name, op in load.operations.items() if name != "set under-voltage"}
    load = load.model_copy(update={"operations": kept})
    made = appraisal(STEPS, supply=supply, load=load, contactor=deaf)
    assert [loss_of_control.may_be_left for loss_of_control in made.losses_of_control] == [
        True,
        True,
        False,
    ]
    assert made.losses_of_control[2].keeps_safe == (
        "load ends it only if its undervoltage cut-out was set by hand"
    )


def test_a_discharge_that_nothing_ends():
    """A cut-out that does not latch is no layer of safety, so it is not even asked for."""
    load = with_traits("load", latching_undervoltage_cut_out=False)
    (*_, loss_of_control) = appraisal(STEPS, NO_CONTACTOR, load=load).losses_of_control
    assert (loss_of_control.keeps_safe, loss_of_control.may_be_left) == (
        "nothing ends it: the cell is ruined",
        False,
    )
    assert loss_of_control.add.startswith(
        "a load with a latching undervoltage cut-out, or a contactor"
    )


@pytest.mark.parametrize(
    ("changed", "keeps"),
    [
        ({"supply": True}, "supply ends it by its communication watchdog"),
        ({"contactor": True}, "contactor opens by its communication watchdog after 5 s of silence"),
    ],
)
def test_a_watchdog_of_the_supply_or_of_the_contactor_ends_a_charge(changed, keeps):
    """Then the bench may be left alone: level A, two voltages, a sensor, every step ended."""
    able = {name: with_traits(name, communication_watchdog=True) for name in changed}
    made = appraisal(STEPS, **able)
    assert made.losses_of_control[1].keeps_safe == keeps
    assert made.may_be_left
    assert made.attended_because == ()


def test_a_rest_with_an_instrument_that_powers_up_on():
    """A mains dip would drive the cell with nobody there."""
    made = appraisal(STEPS, load=with_traits("load", power_up_state="on"))
    assert not made.losses_of_control[0].may_be_left
    assert "load would come back with its output on" in made.losses_of_control[0].keeps_safe


def test_everything_is_said_in_lines():
    """Gravest first: what cannot be done, what barely, why a person must stay; then the rest."""
    steps = "- {step: charge, current: 1 A, for: 1 min}"
    made = appraisal(steps, NO_CONTACTOR)
    graver, grave, well = (
        [str(one) for one in made.findings if one.ability is ability]
        for ability in (Ability.CANNOT, Ability.BARELY, Ability.CAN)
    )
    assert lines(made) == [
        *graver,
        *grave,
        (
            "for attended use: if the computer dies during a charge: nothing ends it: only the "
            "supply's own limits stand between cell and overcharge"
        ),
        *well,
        *(f"proof of off, {way}" for way in made.proof),
        f"if the computer dies now, {made.losses_of_control[0]}",
    ]


@pytest.mark.parametrize(
    ("abilities", "told"),
    [
        ((Ability.CAN, Ability.CAN), "this bench can do it"),
        ((Ability.BARELY, Ability.CAN), "this bench can do it, 1 thing barely"),
        (
            (Ability.BARELY, Ability.CANNOT, Ability.CANNOT, Ability.BARELY),
            "NOT all can be done or seen on this bench: 2 things not, 2 things barely",
        ),
        ((Ability.CANNOT,), "NOT all can be done or seen on this bench: 1 thing not"),
    ],
)
def test_the_verdict_is_as_bad_as_the_worst_finding(abilities, told):
    """One line: a cannot is never hidden behind what can be done."""
    findings = tuple(Finding(one, "it", "so.") for one in abilities)
    assert verdict(Appraisal(findings, (), (), ())) == told


def test_only_kinds_of_step_that_the_plan_has_are_in_the_table():
    """And what leaks through outputs that are off, when nothing parts them from the cell."""
    made = appraisal("- {step: rest, for: 1 min}", NO_CONTACTOR)
    assert [str(loss_of_control) for loss_of_control in made.losses_of_control] == [
        (
            "rest: outputs stay off, with up to 0.6 mA leaking; nothing drives the cell; "
            "may be left "
            "alone"
        )
    ]
