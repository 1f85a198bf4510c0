"""A table holds what the file says, whoever wrote it; what is unsound is left out and told.

The rules of the open Battery Data Format 1.3.0 (labels, machine names, units in labels, positive
current charges) are those of the Battery Data Alliance, LF Energy.
"""

import numpy as np
import pytest

from sequencer.recording import csv_chunks
from sequencer.recording.columns import HEADER
from sequencer.recording.run import read_run
from sequencer.recording.tabulating import Channels, read_table
from sequencer.vocabulary.faults import UsageError
from sequencer.vocabulary.table import StepName
from tests.recording.invented import START, write_run

OTHERS = (
    "Test Time / s,Voltage / V,Current / A,Surface Temperature / degC,Remark\n"
    "0,3.70,0,,first\n"
    "1,3.69,-1.5,23.5,\n"
    "2,3.68,-1.5,,\n"
    "3,3.71,0.001,23.6,\n"
    "4,3.75,2.0,,last\n"
)
FIELDS = (
    "time_s", "voltage_v", "current_a", "voltage_time_s", "current_time_s", "step", "cycle",
    "surface_c", "tab_c", "room_c",
)  # fmt: skip


def columns(table):
    """Every column as a list, NaN as None; what two tables are compared by."""
    return {
        name: [None if value != value else value for value in getattr(table, name).tolist()]
        for name in FIELDS
    }


@pytest.fixture
def run(tmp_path):
    """A whole small run of ten rows."""
    return write_run(tmp_path / "run")


@pytest.fixture
def others(tmp_path):
    """Writes somebody's file; gives its path."""

    def write(content, name="Hill__Cell__20260101_001.bdf.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def test_a_run_reads_as_the_strict_reader_reads_it(run):
    """Value for value what the row-by-row reader of the recording room gives; no trouble."""
    table, rows = read_table(run / "samples.csv"), read_run(run).rows
    assert table.troubles == ()
    assert len(table) == len(rows) == 10
    for place, row in enumerate(rows):
        one = row.sample
        assert table.time_s[place] == (one.at_ns - START.bench_ns) / 1e9
        assert table.voltage_v[place] == one.voltage_v
        assert table.current_a[place] == one.current_a
        assert table.voltage_time_s[place] == (one.voltage_at_ns - START.bench_ns) / 1e9
        assert table.step[place] == row.mark.count
        assert table.channels["Load Current / A"][place] == one.load_a
    assert np.isnan(table.tab_c).all()


def test_an_empty_field_is_no_reading(run):
    """A slow thermometer was read at rows 5 and 10 and is NaN in between: never carried over."""
    surface_c = read_table(run / "samples.csv").surface_c
    assert np.flatnonzero(np.isfinite(surface_c)).tolist() == [4, 9]


def test_every_cut_of_the_samples(run):
    """Cut after any byte, exactly the rows complete there are in the table, and a loss is told."""
    path = write_run(run.with_name("short"), 4) / "samples.csv"
    raw = path.read_bytes()
    whole = columns(read_table(path))
    for cut in range(len(HEADER), len(raw) + 1):
        path.write_bytes(raw[:cut])
        found = read_table(path)
        complete = raw[:cut].count(b"\n") - 1
        assert columns(found) == {name: values[:complete] for name, values in whole.items()}
        assert any("cut short" in one for one in found.troubles) == (raw[cut - 1 : cut] != b"\n")


def _damaged(run, number, old, new):
    path = run / "samples.csv"
    lines = path.read_bytes().split(b"\n")
    assert old in lines[number - 1]
    lines[number - 1] = lines[number - 1].replace(old, new, 1)
    path.write_bytes(b"\n".join(lines))
    return read_table(path)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b",", b"", "line 5: 33 field(s) where 34 belong"),
        (b",", b",,", "line 5: 35 field(s) where 34 belong"),
        (b"3.696", b"3.?96", "line 5: voltage: '3.?96000' is not a number"),
        (b"4.000000,", b",", "line 5: time: '' where a number belongs"),
        (b"4.000000,", b"4.00\xff,", "line 5: time: '4.00\ufffd' is not a number"),
        (b"4.000000,", b"nan,", "line 5: time: 'nan' where a number belongs"),
        (b"4.000000,", b"3.000000,", "line 5: not later than the one before"),
        (b"4.000000,", b"9000.000000,", "line 5: later than the one after it"),
        (b"CC discharge", b'"CC discharge', "line 5: 0 field(s) where 34 belong"),
    ],
)
def test_a_damaged_row_is_left_out_and_told(run, old, new, told):
    """One row goes, with place, rule and value; the others stay; the gap is told."""
    found = _damaged(run, 5, old, new)
    assert found.time_s.tolist() == [1.0, 2.0, 3.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]
    assert found.troubles == (
        f"samples.csv: 1 damaged line(s) left out ({told})",
        "samples.csv: missing: row(s) 4",
    )


def test_a_channel_that_is_no_number_is_no_reading(run):
    """Damage in a column that no table is made of costs that one reading only."""
    found = _damaged(run, 5, b"3.686000", b"3.68x000")
    assert len(found) == 10
    load_v = found.channels["Load Voltage / V"]
    assert np.flatnonzero(np.isnan(load_v)).tolist() == [3]


def test_a_damaged_header_of_a_run_is_told(run):
    """The rows say by themselves that they are ours."""
    found = _damaged(run, 1, b"Voltage / V", b"Vol\x01age / V")
    assert len(found) == 10
    assert found.troubles == ("samples.csv:1: damaged: not the header",)


def test_a_value_that_is_infinite_is_no_reading(run):
    """An over-range word of a meter is not a voltage."""
    assert np.isnan(_damaged(run, 5, b"3.696000", b"inf").voltage_v[3])


@pytest.mark.parametrize("size", [1, 100, 1000, 5000])
def test_the_size_of_the_chunks_changes_nothing(run, monkeypatch, size):
    """The same table from many pieces as from one, damage at their edges included."""
    path = run / "samples.csv"
    lines = path.read_bytes().split(b"\n")
    lines[3] = lines[3].replace(b"3.000000,", b"800.000000,", 1)
    lines[7] = b"garbage"
    path.write_bytes(b"\n".join(lines))
    whole = read_table(path)
    monkeypatch.setattr(csv_chunks, "CHUNK_BYTES", size)
    found = read_table(path)
    assert columns(found) == columns(whole)
    assert found.troubles == whole.troubles
    assert len(found) == 8
    assert found.channels["Load Current / A"].tolist() == [-1.234] * 8
    labels, rows = ["Load Voltage / V", "Load Time / s"], [0, 3, 4, 7]
    assert isinstance(found.channels, Channels)
    taken = found.channels.at(rows, labels)
    assert {one: values.tolist() for one, values in taken.items()} == {
        one: found.channels[one][rows].tolist() for one in labels
    }


def test_a_run_without_a_row(run):
    """The header alone: an empty table, and said so."""
    (run / "samples.csv").write_bytes(HEADER)
    found = read_table(run / "samples.csv")
    assert len(found) == 0
    assert found.troubles == ("samples.csv: no row of samples",)


def test_somebody_elses_file(others):
    """Labels in any order, no step column: steps by the current's sign, and said."""
    found = read_table(others(OTHERS))
    assert found.time_s.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert found.current_a.tolist() == [0.0, -1.5, -1.5, 0.001, 2.0]
    assert found.step.tolist() == [1, 2, 2, 3, 4]
    assert {number: one.kind for number, one in found.steps.items()} == {
        1: "rest",
        2: "discharge",
        3: "rest",
        4: "charge",
    }
    assert found.cycle.tolist() == [1] * 5
    assert found.voltage_time_s.tolist() == found.time_s.tolist()
    words = "a step begins where the current changes between charging, discharging and rest"
    assert len(found.troubles) == 1
    assert found.troubles[0].startswith(f"no step column: {words} (below 0.5% of the largest")


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: "\ufeff" + text,
        lambda text: text.removesuffix("\n"),
        lambda text: text.replace("first", '"first, and more"'),
        lambda text: (
            text.replace("Test Time / s", "test_time_second")
            .replace("Voltage / V", "voltage_volt")
            .replace("Current / A", "current_ampere")
            .replace("Surface Temperature / degC", "surface_temperature_celsius")
        ),
        lambda text: text.replace(",,", ",NA,"),
        lambda text: text.replace("-1.5", "-1.5e0").replace("3.68", "+3.68"),
    ],
    ids=["CRLF", "byte-order mark", "no last line end", "quotes", "machine names", "NA", "forms"],
)
def test_the_same_file_written_in_other_ways(others, change):
    """Line ends, marks, quotes, names and forms of numbers change nothing."""
    plain = read_table(others(OTHERS))
    found = read_table(others(change(OTHERS), "Hill__Cell__20260101_002.bdf.csv"))
    assert columns(found) == columns(plain)
    assert found.troubles == plain.troubles


def test_units_are_those_that_the_labels_say(others):
    """Milliampere, millivolt, hours, kelvin and fahrenheit (exact factors of the SI brochure)."""
    found = read_table(
        others(
            "Current / mA,Test Time / h,Voltage / mV,Surface Temperature / K,"
            "Ambient Temperature / degF\n-500,0.5,3700,298.15,212\n"
        )
    )
    assert found.current_a.tolist() == [-0.5]
    assert found.time_s.tolist() == [1800.0]
    assert found.voltage_v.tolist() == pytest.approx([3.7], abs=1e-12)
    assert found.surface_c.tolist() == pytest.approx([25.0], abs=1e-9)
    assert found.room_c.tolist() == pytest.approx([100.0], abs=1e-9)


def test_step_types_of_the_standard(others):
    """The common words of the standard, and plain ones, say which way charge flows."""
    found = read_table(
        others(
            "test_time_second,voltage_volt,current_ampere,step_count,step_type,cycle_count\n"
            "0,3.7,0,1,OCV,1\n1,3.7,1,2,CCCV_CHG,1\n2,3.7,-1,3,CC_DCH,2\n"
            "3,3.7,-1,4,constant power discharge,2\n4,3.7,-1,5,formation,2\n"
        )
    )
    assert found.steps == {
        1: StepName("rest", "OCV"),
        2: StepName("charge", "CCCV_CHG"),
        3: StepName("discharge", "CC_DCH"),
        4: StepName("discharge", "constant power discharge"),
        5: StepName("discharge", "formation"),
    }
    assert found.cycle.tolist() == [1, 1, 2, 2, 2]
    assert found.troubles == ()


def test_one_point(others):
    """One row is a table of one row."""
    assert read_table(others("\n".join(OTHERS.split("\n")[:2]))).voltage_v.tolist() == [3.7]


def test_columns_without_a_number(others):
    """A voltage that was never a number is a column of NaN, not a refusal."""
    found = read_table(others("Test Time / s,Voltage / V,Current / A\n0,nan,0\n1,,0\n2,NaN,\n"))
    assert np.isnan(found.voltage_v).all()
    assert found.time_s.tolist() == [0.0, 1.0, 2.0]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", ": is empty"),
        (b"\x7fELF\x00\x01", ":1: a NUL byte: this is not a text file"),
        (b"Test Time / s\xff\n", ":1: the byte 0xFF is not UTF-8 text"),
        ("a,b\n1,2\n", ":1: no column 'Test Time / s'; no column 'Voltage / V'; "),
        (OTHERS.replace("Voltage / V", "Voltage/V"), "no column 'Voltage / V', but 'Voltage/V'"),
        (OTHERS.replace("Current / A", "Current / furlong"), "but 'Current / furlong'"),
        (OTHERS.replace(",", ";"), "fields are parted by commas, not by ';'"),
        (b"x" * 2_000_000, ":1: longer than 1000000 bytes: not a table of samples"),
    ],
    ids=["empty", "binary", "not UTF-8", "foreign", "misspelt", "unit", "semicolons", "long"],
)
def test_what_is_no_table_is_said_plainly(others, content, told):
    """Place, rule and what was found."""
    path = others(content)
    with pytest.raises(UsageError) as caught:
        read_table(path)
    assert str(caught.value).startswith(str(path))
    assert told in str(caught.value)


def test_a_line_without_an_end_is_no_row(others, monkeypatch):
    """A gigabyte without a line end is not read into memory."""
    monkeypatch.setattr(csv_chunks, "CHUNK_BYTES", 1000)
    path = others(OTHERS.encode() + b"9" * 3_000_000)
    with pytest.raises(UsageError, match=r":7: longer than 1000000 bytes: no table"):
        read_table(path)


def test_a_file_that_is_not_there(tmp_path):
    """The system's own reason."""
    with pytest.raises(UsageError, match=r"none\.csv: cannot be read: no such file or directory"):
        read_table(tmp_path / "none.csv")


def test_whether_a_column_is_there_is_known_without_the_file(run):
    """Nobody reads ten million rows for a yes or no."""
    table = read_table(run / "samples.csv")
    (run / "samples.csv").unlink()
    assert "Load Current / A" in table.channels
    assert "Voltage / V" not in table.channels
    with pytest.raises(UsageError, match="cannot be read again"):
        table.channels["Load Current / A"]


def test_single_rows_are_read_alone_and_only_where_their_lines_still_stand(run):
    """What follows them may be gone; a line before them that grew has moved them."""
    path = run / "samples.csv"
    table = read_table(path)
    whole = path.read_bytes()
    wanted = table.channels["Load Voltage / V"][[2, 3]].tolist()
    lines = whole.split(b"\n")
    path.write_bytes(b"\n".join(lines[:6]) + b"\n")
    assert isinstance(table.channels, Channels)
    found = table.channels.at([2, 3], ["Load Voltage / V"])
    assert found["Load Voltage / V"].tolist() == wanted
    lines[2] += b"0"
    path.write_bytes(b"\n".join(lines))
    with pytest.raises(UsageError, match="has changed since it was read"):
        table.channels.at([3], ["Load Voltage / V"])


def test_what_is_wrong_is_told_in_the_order_of_the_file(others, monkeypatch):
    """A line without an end further on is told after a time that began anew before it."""
    rows = [f"{t},3.7,0.1,," for t in (*range(100, 160), *range(60))]
    head = OTHERS.split("\n")[0]
    text = "\n".join([head, *rows]) + "\n" + "9" * 3_000_000
    monkeypatch.setattr(csv_chunks, "CHUNK_BYTES", 100)
    with pytest.raises(UsageError, match="falls back from 159 to 0"):
        read_table(others(text.encode()))


def test_a_channel_of_a_file_that_changed_meanwhile(run):
    """Looked up later, a channel never belongs to other rows than the table."""
    table = read_table(run / "samples.csv")
    assert isinstance(table.channels, Channels)
    (run / "samples.csv").write_bytes(HEADER)
    with pytest.raises(UsageError, match="has changed since it was read"):
        table.channels["Load Current / A"]
    with pytest.raises(UsageError, match="has changed since it was read"):
        table.channels.at([3], ["Load Current / A"])
