"""Instruments that say what they are and not which one, or nothing at all."""

import pytest
from pydantic import ValidationError

from sequencer.feasibility.appraisal import appraise
from sequencer.run_documents.cross_document_rules import faults_of_bench
from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.feasibility import benches
from tests.instruments.language import described, speaking
from tests.plan.documents import CELL, profile
from tests.source.test_sets import shipped

FIXED = {"query": "*IDN?", "pattern": "POWER SUPPLY", "tells": "its kind"}
SHOW = {
    "query": "show",
    "pattern": r"(?P<maker>Tavrin) (?P<model>1506), no\. (?P<serial>[0-9]+),"
    " fw (?P<firmware>[0-9.]+), set .*",
}
DRIVER = """\
bench: two wires
instruments:
  supply:
    definition: ./mute.yaml
    address: "{address}"
    serial number: "12"
wiring: {{charge: supply, voltage: {{by: supply, sense: two-wire}}}}
"""


def test_a_fixed_text_is_an_identity_that_tells_its_kind():
    """Asked and compared before every session, as any identity."""
    supply = described("supply", identity=FIXED)
    with speaking("quarnel-20", supply) as instrument:
        identity = instrument.identify()
    assert identity.matches
    assert identity.raw == "POWER SUPPLY"
    assert (identity.maker, identity.serial) == ("", "")


def test_another_text_does_not_fit():
    """Nothing is set on what answers otherwise."""
    supply = described("supply", identity=FIXED | {"pattern": "ELECTRONIC LOAD"})
    with speaking("quarnel-20", supply) as instrument:
        with pytest.raises(InstrumentError) as raised:
            instrument.perform("output on")
        assert not instrument.is_ready
    assert raised.value.kind is FaultKind.POISONED


def test_what_stands_beside_an_identity_may_change():
    """An identity that is part of another reply is compared by what it says of who is there."""
    from drivers.dialects.choice import dialect_for

    dialect = dialect_for(described("supply", identity=SHOW), "supply")
    said = "Tavrin 1506, no. {}, fw 3.1, set {}V 1.500A, limit 4.300V, out {}"
    first, second, other = (
        dialect.identity(said.format(*words).encode())
        for words in (("20417", "4.200", "off"), ("20417", "4.100", "on"), ("20418", "4.1", "on"))
    )
    assert first.matches
    assert first.who == second.who != other.who


@pytest.mark.parametrize(
    ("tells", "pattern", "rule"),
    [
        ("which one", "POWER SUPPLY", "has no group firmware, maker, model, serial"),
        ("its kind", "P(?P<serial>.*)", "with the group serial tells more than its kind"),
        ("nothing", "(?P<model>.*)", "with the group model tells more than nothing"),
        ("nobody", "x", "'which one', 'its kind' or 'nothing'"),
    ],
)
def test_a_pattern_tells_what_the_definition_says_that_it_tells(tells, pattern, rule):
    """Neither less nor more."""
    with pytest.raises(ValidationError, match=rule):
        described("supply", identity={"query": "?", "pattern": pattern, "tells": tells})


@pytest.mark.parametrize("role", ["supply", "load", "contactor"])
def test_who_switches_current_without_saying_which_one_needs_a_person(role):
    """With the reason, for each instrument; a meter that does not say needs none."""
    nameless = {"tells": "its kind"}
    one = benches.shipped(benches.KINDS[role])
    one = one.model_copy(update={"identity": one.identity.model_copy(update=nameless)})
    reasons = appraise(
        profile("- {step: rest, for: 1 min}"),
        CELL,
        benches.bench(),
        benches.definitions(**{role: one}),
    ).attended_because
    assert [reason for reason in reasons if reason.startswith(f"{role} does not say which one")]
    meter = benches.shipped(benches.KINDS["meter"])
    meter = meter.model_copy(update={"identity": meter.identity.model_copy(update=nameless)})
    reasons = appraise(
        profile("- {step: rest, for: 1 min}"),
        CELL,
        benches.bench(),
        benches.definitions(meter=meter),
    ).attended_because
    assert not [reason for reason in reasons if "does not say" in reason]


@pytest.mark.parametrize(
    ("address", "port"),
    [
        ("serial:/dev/ttyUSB0", "/dev/ttyUSB0"),
        ("serial:/dev/ttyACM12", "/dev/ttyACM12"),
        ("serial:/dev/pts/3", "/dev/pts/3"),
        ("ASRL3::INSTR", "ASRL3"),
        ("ASRL/dev/ttyS1::INSTR", "/dev/ttyS1"),
        ("serial:/dev/serial/by-id/usb-supply-if00", ""),
        ("tcp:192.0.2.10:5025", ""),
    ],
)
def test_who_switches_current_without_saying_which_one_has_a_path_that_stays(
    tmp_path, address, port
):
    """A port that is named by counting may be another one tomorrow; and nobody can be asked for a
    serial number that is not told."""
    import yaml

    from tests.drivers.definitions import raw

    mute = raw("generic-scpi-supply")
    mute["identity"] = FIXED
    (tmp_path / "mute.yaml").write_text(yaml.safe_dump(mute), encoding="utf-8")
    bench = tmp_path / "bench.yaml"
    bench.write_text(DRIVER.format(address=address), encoding="utf-8")
    found = look_at_bench(bench, shipped, Intake())
    told = [str(fault).split(": ", 1)[1] for fault in faults_of_bench(found)]
    serial = "serial number '12': supply does not say which one it is"
    assert [one for one in told if one.startswith(serial)]
    stays = [one for one in told if "may be another port tomorrow" in one]
    assert [f"and {port} may be" in one for one in stays] == ([True] if port else [])
