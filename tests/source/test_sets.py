"""A bench and what it names: definitions by name or file, the simulated cell, all faults."""

from pathlib import Path

import pytest

from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from sequencer.vocabulary.faults import DocumentError, UsageError
from tests.source.samples import BENCH, TRUTH

DEFINITIONS = Path(__file__).parents[2] / "drivers" / "definitions"


UNKNOWN = "no definition of that name ships"


def shipped(name: str) -> Path:
    """What the registry of drivers does: a name becomes a file, or it is not known."""
    path = DEFINITIONS / f"{name}.yaml"
    if not path.is_file():
        raise UsageError(UNKNOWN)
    return path


@pytest.fixture
def bench(tmp_path):
    """A bench document with its simulated cell beside it."""
    (tmp_path / "truth.yaml").write_text(TRUTH, encoding="utf-8")
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH, encoding="utf-8")
    return path


def faults(path):
    """Everything wrong with a bench, as shown, without its folder."""
    intake = Intake()
    look_at_bench(path, shipped, intake)
    with pytest.raises(DocumentError) as error:
        intake.settle()
    return [str(fault).replace(f"{path.parent}/", "") for fault in error.value.faults]


def test_a_bench_comes_with_everything_it_names(bench):
    """Definitions by instrument name, the simulated cell, no fault."""
    intake = Intake()
    found = look_at_bench(bench, shipped, intake)
    intake.settle()
    assert found is not None
    kinds = {name: one.document.kind for name, one in found.definitions.items()}
    assert kinds == {
        "supply": "supply",
        "load": "load",
        "meter": "meter",
        "thermometer": "thermometer",
        "contactor": "contactor",
    }
    assert found.simulated_cell is not None
    assert found.simulated_cell.document.capacity == 3.0


def test_a_real_bench_has_no_simulated_cell(bench):
    """Without simulation there is nothing simulated to load."""
    text = BENCH.partition("simulation:")[0]
    for port in range(5025, 5030):
        text = text.replace("served", f"TCPIP0::192.0.2.7::{port}::SOCKET", 1)
    bench.write_text(text, encoding="utf-8")
    found = look_at_bench(bench, shipped, Intake())
    assert found is not None
    assert found.simulated_cell is None


def test_a_definition_may_lie_beside_the_bench(bench):
    """A reference with a slash, or ending in .yaml, is a file relative to the bench's folder."""
    own = (DEFINITIONS / "generic-scpi-load.yaml").read_text(encoding="utf-8")
    (bench.parent / "own.yaml").write_text(own, encoding="utf-8")
    bench.write_text(BENCH.replace("generic-scpi-load,", "own.yaml,"), encoding="utf-8")
    found = look_at_bench(bench, shipped, Intake())
    assert found is not None
    assert found.definitions["load"].path == bench.parent / "own.yaml"


def test_a_name_is_looked_for_beside_the_bench_first(bench):
    """Beside the document, then in ``definitions`` beside it, then among those that ship."""
    own = (DEFINITIONS / "generic-scpi-load.yaml").read_text(encoding="utf-8")
    folder = bench.parent / "definitions"

    def found():
        loaded = look_at_bench(bench, shipped, Intake())
        assert loaded is not None
        return loaded.definitions["load"].path

    assert found() == DEFINITIONS / "generic-scpi-load.yaml"
    folder.mkdir()
    (folder / "generic-scpi-load.yaml").write_text(own, encoding="utf-8")
    assert found() == folder / "generic-scpi-load.yaml"
    (bench.parent / "generic-scpi-load.yaml").write_text(own, encoding="utf-8")
    assert found() == bench.parent / "generic-scpi-load.yaml"


def test_a_name_of_ones_own_needs_no_path(bench):
    """``definition: my-load`` is ``definitions/my-load.yaml``; the kind in it counts."""
    own = (DEFINITIONS / "generic-scpi-load.yaml").read_text(encoding="utf-8")
    (bench.parent / "definitions").mkdir()
    (bench.parent / "definitions" / "my-load.yaml").write_text(own, encoding="utf-8")
    bench.write_text(BENCH.replace("generic-scpi-load,", "my-load,"), encoding="utf-8")
    loaded = look_at_bench(bench, shipped, Intake())
    assert loaded is not None
    assert loaded.definitions["load"].document.kind == "load"


def test_what_is_named_and_not_there_is_told_where_it_is_named(bench):
    """A definition that no one ships, one whose file is missing, a missing cell: all at once."""
    text = BENCH.replace("generic-scpi-load,", "generic-scpi-lod,")
    text = text.replace("generic-scpi-supply,", "none/own.yaml,").replace("truth.yaml", "x.yaml")
    bench.write_text(text, encoding="utf-8")
    assert faults(bench) == [
        "bench.yaml:3:24: definition 'none/own.yaml': no such file beside bench.yaml",
        f"bench.yaml:4:22: definition 'generic-scpi-lod': {UNKNOWN}",
        "bench.yaml:18:9: cell 'x.yaml': no such file beside bench.yaml",
    ]


def test_a_definition_of_one_s_own_that_was_meant_is_named(bench):
    """Beside the bench document and in its folder of definitions, not among what ships alone."""
    (bench.parent / "definitions").mkdir()
    (bench.parent / "definitions" / "tolmen-el2.yaml").write_text("", encoding="utf-8")
    bench.write_text(BENCH.replace("generic-scpi-load,", "tolmen-el,"), encoding="utf-8")
    rule = "no such definition beside bench.yaml: did you mean 'tolmen-el2'?"
    assert faults(bench) == [f"bench.yaml:4:22: definition 'tolmen-el': {rule}"]


def test_faults_inside_what_is_named_are_told_there(bench):
    """A bad simulated cell is told at its own place."""
    (bench.parent / "truth.yaml").write_text(TRUTH.replace("3 Ah", "3"), encoding="utf-8")
    assert faults(bench) == [
        "truth.yaml:2:11: capacity '3': no unit: a charge needs one of Ah, mAh".replace(
            "Ah, mAh", "Ah or mAh"
        )
    ]


def test_a_role_is_filled_by_an_instrument_of_its_kind(bench):
    """A multimeter cannot discharge and a supply cannot sense temperature: both places are told."""
    text = BENCH.replace("discharge: load", "discharge: meter").replace(
        "by: thermometer, channel: 2", "by: supply, channel: 2"
    )
    bench.write_text(text, encoding="utf-8")
    first, second = faults(bench)
    assert first.startswith("bench.yaml:10:14: wiring discharge names meter, a meter (")
    assert "generic-scpi-multimeter.yaml:" in first
    assert first.endswith("): it takes a load")
    assert second.startswith("bench.yaml:16:25: wiring sensors[1] names supply, a supply (")


def test_a_bad_bench_is_told_alone(bench):
    """When the bench itself cannot be read, nothing it names is looked for."""
    bench.write_text(BENCH.replace("bench: test bench\n", ""), encoding="utf-8")
    assert faults(bench) == ["bench.yaml:1:1: the document: key 'bench' is missing"]


@pytest.mark.parametrize(
    "reference", ["./" + "x" * 300 + ".yaml", "a/b.yaml", "../", "/dev/zero", "./."]
)
def test_an_odd_reference_is_a_fault_and_not_a_crash(bench, reference):
    """Whatever stands where a file is named, one line comes out."""
    text = BENCH.replace("generic-scpi-load,", f"'{reference}',")
    bench.write_text(text, encoding="utf-8")
    (fault,) = faults(bench)
    assert fault.startswith("bench.yaml:4:22: definition ")


def test_a_folder_in_place_of_a_simulated_cell_is_told_where_it_is_named(bench):
    """Not as a folder somewhere, but at the reference."""
    bench.write_text(BENCH.replace("truth.yaml", "/"), encoding="utf-8")
    assert faults(bench) == ["bench.yaml:18:9: cell '/': no such file beside bench.yaml"]


ONE_READING = """\
definition: one-sensor
kind: thermometer
dialect: line
identity: {query: "ID?", pattern: "(?P<maker>.+),(?P<model>.+),(?P<serial>.+),(?P<firmware>.+)"}
link: {kinds: [serial]}
session: {}
operations:
  measure temperature: {query: "T?", pattern: "(?P<temperature>.+)"}
traits: {}
capabilities:
  measure temperature:
    source: invented for this test
    ranges: [{low: 0 degC, high: 90 degC, resolution: 0.1 K, accuracy: {offset: 1 K}}]
"""
SECOND = "{place: room, by: thermometer, channel: 2}"


def with_one_reading(bench, sensors):
    """The bench with a thermometer that knows no channel, and these sensors."""
    (bench.parent / "one.yaml").write_text(ONE_READING, encoding="utf-8")
    text = BENCH.replace("generic-line-thermometer,", "one.yaml,")
    head, tail = text.index("    - {place: surface"), text.index("simulation:")
    lines = "".join(f"    - {one}\n" for one in sensors)
    bench.write_text(text[:head] + lines + text[tail:], encoding="utf-8")


def test_a_channel_that_the_definition_does_not_ask_by_is_refused(bench):
    """Both sensors would show the same reading, and the room be a copy of the surface."""
    with_one_reading(bench, ["{place: surface, by: thermometer}", SECOND])
    (told,) = faults(bench)
    assert told == (
        "bench.yaml:16:47: channel '2': thermometer has a single reading: its question has no"
        " {channel} (one.yaml:8)"
    )
    with_one_reading(bench, ["{place: surface, by: thermometer}"])
    assert look_at_bench(bench, shipped, Intake()) is not None


def test_a_channel_that_the_definition_asks_by_must_be_written(bench):
    """Nobody knows where a sensor is plugged in but the person who did it."""
    bench.write_text(BENCH.replace(SECOND, "{place: room, by: thermometer}"), encoding="utf-8")
    (told,) = faults(bench)
    assert told.startswith("bench.yaml:16:7: thermometer is asked by channel (")
    assert told.endswith("generic-line-thermometer.yaml:23): write which one, as 'channel'")


@pytest.mark.parametrize(
    ("second", "told"),
    [
        ("{place: room, by: thermometer, channel: 1}", "bench.yaml:16:47: channel '1': "),
        ("{place: room, by: thermometer}", "bench.yaml:16:25: by 'thermometer': "),
    ],
)
def test_one_reading_has_one_sensor(bench, second, told):
    """The same channel twice, or the only reading twice."""
    if "channel" in second:
        bench.write_text(BENCH.replace(SECOND, second), encoding="utf-8")
    else:
        with_one_reading(bench, ["{place: surface, by: thermometer}", second])
    assert faults(bench) == [
        f"{told}is another sensor's reading already: one reading has one sensor"
    ]


def test_a_reply_that_names_its_channel_needs_one_too(bench):
    """The reply is compared with the channel that the bench document says."""
    own = ONE_READING.replace("(?P<temperature>.+)", "(?P<channel>[0-9]) (?P<temperature>.+)")
    with_one_reading(bench, ["{place: surface, by: thermometer}"])
    (bench.parent / "one.yaml").write_text(own, encoding="utf-8")
    (told,) = faults(bench)
    assert told.startswith("bench.yaml:15:7: thermometer is asked by channel (one.yaml:8)")


CHARGER = Path(__file__).parents[1] / "instruments" / "definitions" / "zumbrel-m10.yaml"


def charging(bench, channel):
    """The bench with a charger that speaks Modbus, as that unit."""
    own = CHARGER.read_text(encoding="utf-8").replace("  gap: 5 ms", "  read time-out: 0.5 s")
    (bench.parent / "charger.yaml").write_text(own, encoding="utf-8")
    text = BENCH.replace(
        "{definition: generic-scpi-supply,", f"{{definition: ./charger.yaml, channel: {channel},"
    )
    assert text != BENCH
    bench.write_text(text, encoding="utf-8")


def test_the_channel_of_what_speaks_modbus_is_its_unit(bench):
    """Two of a kind on one pair of wires."""
    charging(bench, 12)
    found = look_at_bench(bench, shipped, intake := Intake())
    intake.settle()
    assert found is not None
    assert found.definitions["supply"].document.link.unit == 12


@pytest.mark.parametrize("channel", [0, 248])
def test_there_is_no_such_unit(bench, channel):
    """To 0 all would listen, and nobody answer."""
    charging(bench, channel)
    (told,) = faults(bench)
    assert f"channel '{channel}': is its unit (charger.yaml:" in told
    assert told.endswith("units are 1 to 247")


BOX = CHARGER.with_name("dovrin-2x.yaml")
LISTED = ",".join(
    f"(?P<voltage_{one}>[^,]+),(?P<current_{one}>[^,]+),(?P<output_{one}>[01])" for one in (1, 2)
)


def test_a_channel_that_the_replies_do_not_list_is_none(bench):
    """Where one reply lists those that there are."""
    text, own = BENCH, BOX.read_text(encoding="utf-8")
    head, _, rest = own.partition('    query: "CHAN {channel};CHAN?;MEAS?"\n')
    own = f"{head}    query: MEAS:ALL?\n    pattern: '{LISTED}'\n{rest.partition(chr(10))[2]}"
    (bench.parent / "box.yaml").write_text(own, encoding="utf-8")
    text = BENCH.replace(
        "{definition: generic-scpi-supply,", "{definition: ./box.yaml, channel: 3,"
    )
    assert text != BENCH
    bench.write_text(text, encoding="utf-8")
    (told,) = faults(bench)
    assert "channel '3': its replies list 1, 2 (box.yaml:" in told
    bench.write_text(text.replace("channel: 3", "channel: 2"), encoding="utf-8")
    look_at_bench(bench, shipped, intake := Intake())
    intake.settle()
    (bench.parent / "box.yaml").write_text(own.replace("CHAN {channel};", ""), encoding="utf-8")
    assert any("lists channels, and nothing that is sent names one" in one for one in faults(bench))


OHMS = """\
definition: ohms
kind: thermometer
identity: {query: "ID?", pattern: "(?P<maker>.+),(?P<model>.+),(?P<serial>.+),(?P<firmware>.+)"}
link: {kinds: [serial]}
session: {}
operations:
  measure resistance: {query: "R{channel}?", pattern: "(?P<resistance>.+)"}
  measure thermocouple voltage: {query: "V?", pattern: "(?P<voltage>.+)"}
traits: {}
capabilities:
  measure resistance:
    source: test
    ranges: [{low: 0 Ohm, high: 1 kOhm, resolution: 10 mOhm, accuracy: {offset: 10 mOhm}}]
  measure thermocouple voltage:
    source: test
    ranges: [{low: -10 mV, high: 10 mV, resolution: 1 uV, accuracy: {offset: 5 uV}}]
"""
PT100 = "{type: Pt100, class: B, wires: 4}"
COUPLE = "{type: K, class: 1, cold junction: %s}"


def sensed(bench, *sensors):
    """The bench with a thermometer that reads ohms and volts, and these sensors."""
    (bench.parent / "ohms.yaml").write_text(OHMS, encoding="utf-8")
    with_one_reading(bench, sensors)
    text = bench.read_text(encoding="utf-8").replace("one.yaml,", "ohms,")
    bench.write_text(text, encoding="utf-8")
    intake = Intake()
    look_at_bench(bench, shipped, intake)
    return [str(fault).replace(f"{bench.parent}/", "") for fault in intake.faults]


@pytest.mark.parametrize(
    ("sensors", "told"),
    [
        ([f"{{place: surface, by: thermometer, channel: 1, element: {PT100}}}"], []),
        (
            [f"{{place: surface, by: thermometer, element: {PT100}}}"],
            ["thermometer is asked by channel (ohms.yaml:7): write which one, as 'channel'"],
        ),
        (
            [f"{{place: surface, by: thermometer, element: {COUPLE % 'room'}}}"],
            ["no other sensor reads the room: add one at the terminals"],
        ),
        (
            [f"{{place: surface, by: thermometer, element: {COUPLE % 'instrument'}}}"],
            ["thermometer does not measure cold junction (ohms.yaml:6)"],
        ),
        (
            [f"{{place: room, by: thermometer, element: {COUPLE % 'room'}}}"],
            ["no other sensor reads the room: add one at the terminals"],
        ),
        (
            [
                f"{{place: surface, by: thermometer, element: {COUPLE % 'room'}}}",
                f"{{place: room, by: thermometer, channel: 2, element: {PT100}}}",
            ],
            [],
        ),
    ],
)
def test_an_element_is_one_that_its_instrument_reads(bench, sensors, told):
    """By its operation, with a channel where one is asked for, and a cold junction that is told."""
    found = sensed(bench, *sensors)
    assert len(found) == len(told)
    assert all(one.endswith(end) for one, end in zip(found, told, strict=True)), found


def test_an_element_that_is_read_in_degrees_is_refused(bench):
    """The instrument would turn it into degrees, and we once more."""
    before, _, rest = BENCH.partition("by: thermometer, channel: 1")
    text = f"{before}by: thermometer, channel: 1, element: {PT100}{rest}"
    bench.write_text(text, encoding="utf-8")
    (told,) = faults(bench)
    assert "element" in told
    assert "thermometer does not measure resistance, as it is read by (" in told


def test_a_channel_of_a_sensor_that_the_replies_do_not_list_is_none(bench):
    """It was found only when the run began, as a surface of no temperature."""
    with_one_reading(bench, [SECOND.replace("channel: 2", "channel: 3")])
    both = "(?P<temperature_1>[^,]+),(?P<temperature_2>[^,]+)"
    text = ONE_READING.replace("(?P<temperature>.+)", both)
    (bench.parent / "one.yaml").write_text(text, encoding="utf-8")
    (told,) = faults(bench)
    assert "channel '3': its replies list 1, 2 (one.yaml:" in told
