"""Faults: what their documents demand, when they begin and end, and what they do to a wire."""

import pytest
from pydantic import ValidationError

from drivers.simulated.faults import FaultSchedule
from sequencer.documents.faults import NEEDS, ON_WIRES, FaultDocument
from sequencer.documents.fields import key_of
from sequencer.source.loading import load
from tests.drivers.served.conftest import ROOT
from tests.drivers.served.faulty import Physics, fault

SHIPPED = sorted((ROOT / "sim_configs" / "faults").glob("*.yaml"))


def test_every_kind_is_shipped_as_a_document_with_a_line_for_editors():
    """Line 1 names the schema; nothing that can go wrong lacks an example."""
    kinds = {load(path, FaultDocument).document.kind for path in SHIPPED}
    assert kinds == set(NEEDS)
    line = "# yaml-language-server: $schema=../../sequencer/source/schemas/faults.schema.json"
    assert {path.read_text(encoding="utf-8").splitlines()[0] for path in SHIPPED} == {line}


def test_the_list_of_kinds_is_the_truth():
    """Every kind stands in the README with the form of the twin, and with the keys, that the code
    wants."""
    rows = {}
    for line in (
        (ROOT / "sim_configs" / "faults" / "README.md").read_text(encoding="utf-8").splitlines()
    ):
        if line.startswith("| `"):
            kind, where, must, may, _ = [cell.strip() for cell in line.strip("|").split("|")]
            rows[kind.strip("`")] = where, _keys(must), _keys(may)
    assert rows == {
        kind: (
            "served" if kind in ON_WIRES else "both",
            {key_of(name) for name in needs.required},
            {key_of(name) for name in needs.optional},
        )
        for kind, needs in NEEDS.items()
    }


def _keys(cell: str) -> set[str]:
    return set(cell.split("`")[1::2])


@pytest.mark.parametrize(
    ("keys", "rule"),
    [
        ({"kind": "late reply", "instrument": "charge"}, "late reply needs: delay"),
        ({"kind": "open lead", "text": "x"}, "open lead takes no: text"),
        ({"kind": "reboot", "instrument": "charge", "for_": "3 s"}, "takes no: for"),
        ({"kind": "drift", "reading": "surface"}, "per hour"),
        ({"kind": "melt"}, "Input should be"),
        ({"kind": "silent", "instrument": "charge", "at": "5"}, "no unit"),
    ],
)
def test_a_fault_document_says_what_it_lacks(keys, rule):
    """A parameter that is missing, that means nothing here, or that has no unit."""
    with pytest.raises(ValidationError, match=rule):
        fault(**keys)


class Diary:
    """A physics and a fault site that write down what happens to them and when."""

    def __init__(self, *faults: FaultDocument) -> None:
        self.at_ns, self.current_a = 0, 0.0
        self.lines: list[str] = []
        self.schedule = FaultSchedule(self._move, lambda: self.current_a, self, faults)

    def _move(self, to_ns: int) -> None:
        self.at_ns = to_ns

    def begin(self, one: FaultDocument) -> None:
        """Write it down."""
        self.lines.append(f"{self.at_ns / 1e9:g} {one.kind} begins")

    def end(self, one: FaultDocument) -> None:
        """Write it down."""
        self.lines.append(f"{self.at_ns / 1e9:g} {one.kind} ends")

    def reach(self, seconds: float) -> list[str]:
        """Move to a time; what happened until then."""
        self.schedule.advance_to(round(seconds * 1e9))
        return self.lines


def test_faults_begin_and_end_at_their_own_moments_inside_one_long_step():
    """Whatever the step of whoever asks."""
    diary = Diary(
        fault(kind="open lead", at="10 s", for_="5 s"),
        fault(kind="probe off", reading="surface", at="12 s"),
    )
    assert diary.reach(9.9) == []
    assert diary.reach(3600.0) == [
        "10 open lead begins",
        "12 probe off begins",
        "15 open lead ends",
    ]
    assert diary.at_ns == 3_600_000_000_000


def test_a_fault_counted_from_a_current_waits_for_that_current():
    """Charging and discharging are told apart by sign, and each counts once."""
    diary = Diary(
        fault(kind="open lead", counted_from="charging", at="3 s"),
        fault(kind="contactor welded", counted_from="discharging"),
    )
    assert diary.reach(100.0) == []
    diary.current_a = -1.0
    assert diary.reach(101.0) == ["101 contactor welded begins"]
    diary.current_a = 1.0
    assert diary.reach(102.0)[1:] == []
    assert diary.reach(200.0)[1:] == ["105 open lead begins"]
    diary.current_a = -1.0
    assert len(diary.reach(300.0)) == 2


def test_mending_ends_what_holds_and_forgets_what_was_to_come():
    """Nothing begins afterwards."""
    diary = Diary(fault(kind="open lead"), fault(kind="contactor open", at="50 s"))
    diary.reach(1.0)
    diary.schedule.mend()
    assert diary.reach(100.0) == ["0 open lead begins", "1 open lead ends"]


def test_an_open_lead_stops_the_current_and_closing_it_brings_it_back():
    """The supply then shows its set voltage, and the cell its own."""
    physics = Physics()
    assert physics.after(10).cell_amps() == pytest.approx(1.0, abs=0.01)
    one = physics.begin(kind="open lead")
    assert physics.after(1).cell_amps() == 0.0
    assert physics.supply.measure_voltage() == pytest.approx(4.2, abs=0.01)
    physics.disturbance.end(one)
    assert physics.after(1).cell_amps() == pytest.approx(1.0, abs=0.01)


def test_a_cell_that_opens_takes_its_voltage_away_and_an_open_lead_does_not():
    """The meter on the tabs tells the two apart: it sees what drives the leads, or nothing."""
    physics = Physics()
    lead = physics.begin(kind="open lead")
    assert 3.0 < physics.after(1).meter_volts() < 3.9
    physics.disturbance.end(lead)
    physics.begin(kind="cell opens")
    assert physics.after(1).cell_amps() == 0.0
    assert physics.bench.meter_volts() == pytest.approx(4.2, abs=0.01)
    physics.supply.output(False)
    assert physics.bench.meter_volts() == 0.0
    physics.contactor.open()
    assert physics.bench.meter_volts() == 0.0


def test_a_lifted_sense_drives_the_supply_up():
    """Beyond its set value, up to its range, while its own reading says nothing is there."""
    physics = Physics()
    physics.begin(kind="lifted sense", instrument="charge")
    physics.after(3600 * 6)
    assert physics.bench.cell.voltage_v > 4.25
    assert physics.supply.measure_voltage() == pytest.approx(0.0, abs=0.011)


def test_lead_resistance_drops_voltage_at_a_two_wire_load():
    """2 A through half an ohm more: 0.94 V lower than through 31 mOhm (Ohm's law)."""
    physics = Physics()
    physics.supply.output(False)
    physics.load.set_current(2.0)
    physics.load.output(True)
    before = physics.after(1).load_volts()
    one = physics.begin(kind="lead resistance", resistance="501 mOhm")
    assert before - physics.bench.load_volts() == pytest.approx(2.0 * 0.470, abs=0.005)
    physics.disturbance.end(one)
    assert physics.bench.load_volts() == pytest.approx(before, abs=1e-3)


def test_readings_stick_stop_overload_and_drift_one_after_another():
    """Each on the meter, each undone; a drift of 10 % an hour is 5 % after half an hour."""
    physics = Physics()
    stuck = physics.begin(kind="stuck reading", reading="cell voltage")
    first = physics.meter.measure_voltage()
    physics.after(1800)
    assert physics.meter.measure_voltage() == first
    physics.disturbance.end(stuck)
    assert physics.meter.measure_voltage() > first
    over = physics.begin(kind="over-range", reading="cell voltage")
    assert physics.meter.measure_voltage() == float("inf")
    physics.disturbance.end(over)
    dead = physics.begin(kind="dead reading", reading="cell voltage")
    assert str(physics.meter.measure_voltage()) == "nan"
    physics.disturbance.end(dead)
    drift = physics.begin(kind="drift", reading="cell voltage", per_hour="10 %")
    physics.after(1800)
    true = physics.bench.cell.voltage_v
    assert physics.meter.measure_voltage() == pytest.approx(1.05 * true, rel=5e-4)
    physics.disturbance.end(drift)
    assert physics.meter.measure_voltage() == pytest.approx(true, rel=5e-4)


def test_a_sensor_drifts_by_kelvins_and_a_probe_that_fell_off_finds_the_room():
    """2 K an hour; a probe in the air takes the room's temperature with its own lag."""
    physics = Physics()
    logger = physics.bench.thermometer
    assert logger is not None
    physics.supply.set_current(3.0)
    physics.after(1800)
    warm = logger.measure(1)
    assert warm > 22.5
    drift = physics.begin(kind="drift", reading="surface", value_per_hour="2 K")
    physics.supply.output(False)
    physics.after(3600 * 3)
    assert logger.measure(1) == pytest.approx(22.0 + 6.0, abs=0.6)
    physics.disturbance.end(drift)
    physics.supply.output(True)
    physics.begin(kind="probe off", reading="surface")
    physics.after(1800)
    assert abs(logger.measure(1) - logger.measure(2)) < 0.6


def test_a_meter_that_lost_its_lead_shows_a_plausible_value():
    """Where it was, or where the document says."""
    physics = Physics()
    one = physics.begin(kind="meter lead off", value="3.71 V")
    assert physics.meter.measure_voltage() == pytest.approx(3.71, abs=0.002)
    physics.disturbance.end(one)
    before = physics.meter.measure_voltage()
    physics.begin(kind="meter lead off")
    physics.after(1800)
    assert physics.meter.measure_voltage() == pytest.approx(before, abs=0.001)


def test_a_contact_that_does_not_follow_tells_by_its_feedback():
    """Welded it stays closed, dropped out it stays open, whatever it is told."""
    physics = Physics()
    closed = []
    welded = physics.begin(kind="contactor welded")
    physics.contactor.open()
    closed.append(physics.contactor.is_closed)
    physics.disturbance.end(welded)
    closed.append(physics.contactor.is_closed)
    physics.contactor.close()
    closed.append(physics.contactor.is_closed)
    physics.begin(kind="contactor open")
    closed.append(physics.contactor.is_closed)
    assert closed == [True, False, True, False]
    assert physics.after(1).cell_amps() == 0.0


@pytest.mark.parametrize(("admits", "shown"), [("yes", True), ("no", False)])
def test_an_output_that_ignores_off_stays_on_whatever_it_says(admits, shown):
    """The current tells, the state only if it admits; afterwards *off* works again."""
    physics = Physics()
    one = physics.begin(kind="ignored off", instrument="supply", admits=admits)
    physics.supply.output(False)
    assert physics.supply.shown_on is shown
    assert physics.after(1).cell_amps() == pytest.approx(1.0, abs=0.01)
    physics.disturbance.end(one)
    physics.supply.output(False)
    assert abs(physics.bench.cell_amps()) < 1e-3


def test_settings_are_ignored_or_clipped_and_the_read_back_may_lie():
    """What flows is the truth; the read-back is the truth only when it admits."""
    physics = Physics()
    one = physics.begin(kind="ignored setting", instrument="charge", setting="current")
    physics.supply.set_current(2.0)
    assert physics.supply.current_setting == 1.0
    physics.disturbance.end(one)
    physics.begin(kind="clipped setting", instrument="charge", limit="500 mA", admits="no")
    physics.supply.set_current(2.0)
    assert physics.supply.current_setting == 2.0
    assert physics.after(1).cell_amps() == pytest.approx(0.5, abs=0.01)


def test_a_person_at_the_panel_changes_settings_and_outputs():
    """As if somebody had turned the knob."""
    physics = Physics()
    physics.begin(kind="panel", instrument="charge", value="2 A")
    assert physics.after(1).cell_amps() == pytest.approx(2.0, abs=0.02)
    physics.begin(kind="panel", instrument="charge", output_on="no")
    assert abs(physics.after(1).cell_amps()) < 1e-3
    physics.begin(kind="panel", instrument="contactor", output_on="no")
    assert not physics.contactor.is_closed


@pytest.mark.parametrize(
    "keys",
    [
        {"kind": "lifted sense", "instrument": "load"},
        {"kind": "stuck reading", "reading": "tab"},
        {"kind": "probe off", "reading": "supply voltage"},
        {"kind": "ignored off", "instrument": "meter"},
        {"kind": "clipped setting", "instrument": "load", "limit": "3 V"},
        {"kind": "panel", "instrument": "logger"},
        {"kind": "stuck reading", "reading": "current"},
        {"kind": "silent", "instrument": "supply"},
    ],
)
def test_a_fault_without_a_place_on_the_bench_is_refused(keys):
    """Before it is scheduled, with the reason."""
    with pytest.raises(ValueError, match=r"this|concerns|has no|nothing"):
        Physics().disturbance.check(fault(**keys))
