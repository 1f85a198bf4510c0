"""What joined grounds bypass and short, held against Kirchhoff's laws."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.documents.bench import BenchDocument
from sequencer.documents.poles import bypass, conductors, joined_to_cell, no_evidence, path, short

OHM, OPEN_OHM, LEAK_OHM = 1e-3, 1e12, 1e9
NEGATIVES = st.sampled_from(["isolated", "earth", "joined by link", None])
LEADS = st.sampled_from(["positive", "negative"])


def bench(negatives: dict[str, str | None], **wiring: Any) -> BenchDocument:
    """A bench of those instruments, each with what its negative is joined to."""
    names = [*negatives, *(name for name in ("contactor",) if name not in negatives)]
    instruments = {
        name: {"definition": name, "address": f"tcp:192.0.2.1:{1000 + number}"}
        | ({"negative": said} if (said := negatives.get(name)) else {})
        for number, name in enumerate(names)
    }
    entry = {key.replace("_", " "): value for key, value in wiring.items()}
    return BenchDocument.model_validate(
        {"bench": "drawn", "instruments": instruments, "wiring": entry}
    )


@st.composite
def benches(draw: st.DrawFn) -> BenchDocument:
    """Any wiring that a bench document can have, with at most one meter and one ammeter."""
    names = draw(st.sampled_from([["supply"], ["load"], ["supply", "load"]]))
    by = draw(st.sampled_from([*names, "meter"]))
    wiring: dict[str, Any] = {"voltage": {"by": by, "sense": draw(st.sampled_from(SENSES))}}
    wiring |= {"charge": "supply"} if "supply" in names else {}
    wiring |= {"discharge": "load"} if "load" in names else {}
    inside = list(dict.fromkeys([*names, by]))
    if draw(st.booleans()):
        wiring |= {"contactor": "contactor", "contactor lead": draw(LEADS | st.just("both"))}
    if draw(st.booleans()):
        wiring["current"] = {"by": "ammeter", "lead": draw(LEADS)}
        inside.append("ammeter")
    return bench({name: draw(NEGATIVES) for name in inside}, **wiring)


SENSES = ["two-wire", "four-wire"]


def netlist(one: BenchDocument, unsaid: str, open_part: str) -> list[tuple[str, str, float]]:
    """The bench as resistors between nodes, made from the document apart from the program: each
    lead is contactor, ammeter, or wire, in this order from the outputs; the one named is open."""
    wiring, found = one.wiring, []
    ammeter_lead = wiring.current and wiring.current.lead
    for pole, lead in (("+", "positive"), ("-", "negative")):
        has_contact = wiring.contactor is not None and wiring.contactor_lead in (lead, "both")
        is_open = {
            "contactor": has_contact and open_part == "contactor",
            "ammeter": ammeter_lead == lead and open_part == "ammeter",
        }
        found.append((f"out{pole}", f"mid{pole}", OPEN_OHM if is_open["contactor"] else OHM))
        found.append((f"mid{pole}", f"cell{pole}", OPEN_OHM if is_open["ammeter"] else OHM))
    ends = {"supply": "out-", "load": "out-"}
    ends["meter"] = "cell-" if wiring.voltage.sense == "four-wire" else "out-"
    ends["ammeter"] = "cell+" if ammeter_lead == "positive" else "mid-"
    for name, instrument in one.instruments.items():
        if name != "contactor" and (instrument.negative or unsaid) != "isolated":
            found.append((ends[name], "ground", OHM))
    return found


def is_joined(
    one: BenchDocument, start: str, end: str, open_part: str = "", unsaid: str = "isolated"
) -> bool:
    """Whether less than 1 Ohm lies between, by nodal analysis: Kirchhoff's current law at every
    node, which leaks to a common point through 1 GOhm, with 1 A in at one and out at the other."""
    resistors = netlist(one, unsaid, open_part)
    nodes = sorted({node for each in resistors for node in each[:2]})
    at = {node: number for number, node in enumerate(nodes)}
    siemens = np.eye(len(nodes)) / LEAK_OHM
    for first, second, ohm in resistors:
        a, b = at[first], at[second]
        siemens[[a, b], [a, b]] += 1.0 / ohm
        siemens[[a, b], [b, a]] -= 1.0 / ohm
    amps = np.zeros(len(nodes))
    amps[at[start]], amps[at[end]] = 1.0, -1.0
    volts = np.linalg.solve(siemens, amps)
    return bool(volts[at[start]] - volts[at[end]] < 1.0)


@given(benches(), st.sampled_from(["isolated", "earth"]))
def test_a_short_is_where_current_flows_from_pole_to_pole(one, unsaid):
    """By nodal analysis of a circuit that was made apart."""
    assert bool(short(one, unsaid)) is is_joined(one, "cell+", "cell-", unsaid=unsaid)


@given(benches(), st.sampled_from(["isolated", "earth"]))
def test_a_contactor_is_bypassed_where_a_loop_is_closed_without_it(one, unsaid):
    """Both poles of the outputs stay joined to those of the cell."""
    loop = [is_joined(one, f"out{pole}", f"cell{pole}", "contactor", unsaid) for pole in "+-"]
    is_past = one.wiring.contactor is not None and all(loop)
    assert bool(bypass(one, "contactor", unsaid)) is is_past


@given(benches(), st.sampled_from(["isolated", "earth"]))
def test_an_ammeter_is_bypassed_where_current_flows_beside_it(one, unsaid):
    """Its two ends stay joined without it."""
    is_past = False
    if one.wiring.current is not None:
        pole = "+" if one.wiring.current.lead == "positive" else "-"
        is_past = is_joined(one, f"mid{pole}", f"cell{pole}", "ammeter", unsaid)
    assert bool(bypass(one, "current", unsaid)) is is_past


@given(benches(), st.sampled_from(["contactor", "current"]))
def test_what_may_be_bypassed_never_counts(one, part):
    """Whatever is not said may be on earth. Where that shorts the cell, it is told as a short."""
    if bypass(one, part, "earth") and not short(one, "earth"):
        assert no_evidence(one, part)


@given(benches())
def test_a_way_is_made_of_conductors(one):
    """From end to end, each step a conductor of the bench."""
    joined = conductors(one, "earth")
    steps = {pair for each in joined for pair in (each[:2], each[1::-1])}
    way = path(joined, "leads -", "cell -")
    assert (way[0], way[-1]) == ("leads -", "cell -")
    assert set(pairwise(way)) <= steps


USUAL: dict[str, Any] = {
    "charge": "supply",
    "discharge": "load",
    "voltage": {"by": "meter"},
    "contactor": "contactor",
}
NOTED = {"resistance": "5 MOhm", "on": "2026-10-03", "by": "E. Example"}


def usual(supply="isolated", load="isolated", meter="isolated", **wiring: Any) -> BenchDocument:
    """Supply, load, meter and contactor; ``wiring`` on top."""
    return bench({"supply": supply, "load": load, "meter": meter}, **USUAL | wiring)


@pytest.mark.parametrize(
    ("given", "wiring", "why"),
    [
        ({}, {}, "nobody has said in which lead it sits"),
        ({"load": "earth"}, {"contactor_lead": "positive"}, ""),
        ({"load": "earth"}, {"contactor_lead": "both"}, ""),
        (
            {"load": "earth", "meter": "joined by link"},
            {"contactor_lead": "negative", "isolation": NOTED},
            "it sits in the negative lead, and load and meter may lead current past it",
        ),
        (
            {"meter": None},
            {"contactor_lead": "negative", "isolation": NOTED},
            "it sits in the negative lead, and nobody has said what meter - is joined to",
        ),
        (
            {},
            {"contactor_lead": "negative"},
            "it sits in the negative lead, and no measurement of the isolation is noted",
        ),
        (
            {},
            {"contactor_lead": "negative", "isolation": NOTED | {"resistance": "1 MOhm"}},
            "it sits in the negative lead, and the noted isolation is not above 1 MOhm",
        ),
        ({}, {"contactor_lead": "negative", "isolation": NOTED}, ""),
        (
            {},
            {"contactor_lead": "negative", "isolation": NOTED | {"resistance": "1001 kOhm"}},
            "",
        ),
    ],
)
def test_why_a_contactor_is_no_evidence(given, wiring, why):
    """In the negative lead only with everything isolated, and that measured."""
    assert no_evidence(usual(**given, **wiring), "contactor") == why


@pytest.mark.parametrize(
    ("lead", "why"),
    [
        (None, "nobody has said in which lead it sits"),
        ("positive", ""),
        ("negative", "it sits in the negative lead, and no measurement of the isolation is noted"),
    ],
)
def test_why_an_ammeter_is_no_evidence(lead, why):
    """As for a contactor; where there is none, nothing is said."""
    current = {"by": "ammeter"} | ({"lead": lead} if lead else {})
    one = bench({**dict.fromkeys(["supply", "ammeter"], "isolated")}, charge="supply",
                voltage={"by": "supply"}, current=current)  # fmt: skip
    assert no_evidence(one, "current") == why
    assert no_evidence(one, "contactor") == ""
    assert no_evidence(usual(contactor_lead="positive"), "current") == ""


def test_the_way_past_a_contactor_is_named():
    """Two earths lead past it; two links do through the computer; one earth leads nowhere."""
    negative = {"contactor_lead": "negative"}
    earths = usual(load="earth", meter="earth", **negative)
    assert bypass(earths, "contactor") == [
        "leads -", "load -", "earth", "meter -", "cell -"
    ]  # fmt: skip
    mixed = usual(supply="joined by link", meter="earth", **negative)
    assert bypass(mixed, "contactor") == [
        "leads -", "supply -", "the computer's ground", "earth", "meter -", "cell -"
    ]  # fmt: skip
    assert bypass(usual(load="earth", supply="earth", **negative), "contactor") == []
    assert bypass(usual(meter=None, load="earth", **negative), "contactor") == []
    assert bypass(usual(meter=None, load="earth", **negative), "contactor", "earth")


def test_an_ammeter_on_earth_in_the_positive_lead_shorts_the_cell():
    """Its own negative is the cell's positive pole then, and the load's the other one."""
    negatives = {"supply": "isolated", "load": "earth", "meter": "isolated", "ammeter": "earth"}
    series = {"current": {"by": "ammeter", "lead": "positive"}, "contactor lead": "positive"}
    one = bench(negatives, **USUAL | series)
    assert short(one) == ["cell +", "ammeter - (current)", "earth", "load -", "leads -", "cell -"]
    assert short(bench(negatives | {"load": "isolated"}, **USUAL | series)) == []


def test_every_instrument_in_the_circuit_is_told():
    """A contactor and a thermometer have no terminal in it."""
    one = usual(load="earth", meter=None)
    assert joined_to_cell(one) == {"supply": "isolated", "load": "earth", "meter": None}
