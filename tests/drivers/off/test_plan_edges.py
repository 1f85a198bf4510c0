"""The smaller numbers of the safing plan: frames, gaps, errors, counts, units, turns at a port."""

import pytest

from drivers.off.plan import link_of, plan_safing
from drivers.transports.address import wires
from sequencer.documents.bench import SERVED
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.link import Link
from tests.drivers.instruments.scripted import DEFINITIONS
from tests.drivers.off.test_plan import IN_SERIES, alone, bench, meter, ranged

RTU = {"kinds": ["serial", "socket"], "unit": 7}


@pytest.mark.parametrize(
    ("address", "frames", "is_rtu"),
    [
        ("serial:/dev/ttyS7", "by link", True),
        ("tcp:192.0.2.9:502", "by link", False),
        ("tcp:192.0.2.9:502", "RTU", True),
    ],
)
def test_modbus_goes_in_frames_of_its_link_or_as_it_is_said(address, frames, is_rtu):
    """RTU on two wires and where the definition says so; the unit goes with it."""
    link = Link.model_validate(RTU | {"frames": frames})
    found = link_of(address, DEFINITIONS["breaker"].model_copy(update={"link": link}))
    assert (found.unit, found.is_rtu) == (7, is_rtu)
    plain = link_of(address, DEFINITIONS["breaker"])
    assert (plain.unit, plain.is_rtu) == (0, False)


def worded(query="ID?", safe=("OPEN",), on_open=(), **operations):
    """The plan of a contactor on a serial line whose texts are these."""
    known = DEFINITIONS["breaker"]
    asked = {
        name: known.operations["state"].model_copy(update={"query": text})
        for name, text in operations.items()
    }
    wire = {"gap": 0.03, "baud_rate": 9600, "kinds": ("serial",)}
    definition = known.model_copy(
        update={
            "identity": known.identity.model_copy(update={"query": query}),
            "session": known.session.model_copy(update={"safe": safe, "on_open": on_open}),
            "link": known.link.model_copy(update=wire),
            "operations": asked,
        }
    )
    wiring = {"charge": "psu", "voltage": {"by": "dmm"}, "contactor": "breaker"}
    one = bench(
        wiring | {"contactor lead": "both"},
        psu="tcp:192.0.2.8:5026",
        dmm="tcp:192.0.2.8:5027",
        breaker="serial:/dev/ttyS2",
    )
    planned = plan_safing(one, DEFINITIONS | {"breaker": definition})
    return next(each for each in planned.instruments if each.name == "breaker")


@pytest.mark.parametrize(
    "texts",
    [
        {"query": "x" * 20},
        {"safe": ("OPEN", "x" * 20)},
        {"on_open": ("x" * 20, "y")},
        {"state": "x" * 20, "other": "y"},
        {"query": None, "safe": ("x" * 20,)},
    ],
)
def test_the_gap_has_room_for_the_longest_line_of_the_plan(texts):
    """Of a serial line that has a gap: 20 characters and the longest line end, at 12 bits each
    (8E2) and 9600 baud, whichever of its texts is the longest. What settles is nobody's here."""
    one = worded(**texts)
    assert one.gap_s == pytest.approx(0.03 + 22 * 12 / 9600, rel=1e-12)
    assert one.settles_s == 0.0


def test_the_voltage_errs_as_in_the_range_that_holds_a_cell():
    """4 V, or the first range where none does: gain, offset and a count."""
    low, high = (-1, 1, 0.0001, 0.0001, 0.1), (-5, 5, 0.001, 0.002, 0.2)
    for ranges, gain, offset in (
        ((low, high), 0.002, 0.003),
        ((low, (-6, 3, 0.01, 0.02, 0.3), (5, 9, 0.1, 0.2, 0.4)), 0.001, 0.0002),
    ):
        able = {"measure voltage": ranged("V", *ranges)}
        one = alone(InstrumentDefinition.model_validate(IN_SERIES | {"capabilities": able}))
        assert (one.gain_v, one.offset_v) == (pytest.approx(gain), pytest.approx(offset))


def test_the_count_of_a_display_is_that_nearest_to_zero():
    """Of two ranges that lie away from it; a display of nothing has none."""
    one = alone(meter(ranged("A", (1, 20, 0.001, 0.002, 0), (-3, -0.5, 0.01, 0.02, 0))))
    assert (one.count_a, one.is_signed) == (0.01, True)
    one = alone(meter(None))
    assert (one.count_a, one.is_signed) == (0.0, False)


def test_a_number_is_as_many_of_its_unit_as_the_definition_says():
    """Tenths of milliamperes."""
    changed = {"units": {"current": {"unit": "mA", "times": 0.1}}}
    (part,) = alone(meter(**changed)).parts("current")
    assert part.scale == pytest.approx(1e-4, rel=1e-12)


def test_instruments_of_one_address_take_turns_at_it():
    """By the name of the wire; one that is served by nobody yet has none, nor has one alone."""
    wiring = {"charge": "psu", "voltage": {"by": "dmm"}}
    one = bench(wiring, psu="tcp:192.0.2.8:5026", dmm="tcp:192.0.2.8:5027")
    shared = one.instruments["psu"].model_copy(update={"channel": "2"})
    one = one.model_copy(update={"instruments": one.instruments | {"psu": shared}})
    psu, dmm = plan_safing(one, DEFINITIONS).instruments
    assert psu.link.turns == wires("tcp:192.0.2.8:5026")[0]
    assert dmm.link.turns == ""
    served = plan_safing(one, DEFINITIONS, {"psu": SERVED, "dmm": SERVED}).instruments
    assert [each.link.turns for each in served] == ["", ""]
