"""A row holds exactly the sample that was judged."""

import string

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.ports import StepMark
from sequencer.recording.columns import HEADER, INDEX, LABELS
from sequencer.recording.reading import Inputs, SampleReader
from sequencer.recording.rows import RowFormat
from sequencer.vocabulary.sample import Sample
from tests.recording.invented import START, same

MARK = StepMark(1, 1, "first", "rest", START.bench_ns, 0.0, 0.0, 0.0, 0.0)
_volts = st.floats(-99, 99).map(lambda value: round(value, 6))
_degrees = st.floats(-60, 200).map(lambda value: round(value, 3))
_unread = st.just(float("nan"))
_states = st.sampled_from((-1, 0, 1))
_texts = st.text(
    alphabet=st.sampled_from(string.ascii_letters + " ,\"%dsfnan.'Ω½"), max_size=12
).filter(lambda text: text == text.strip())


@st.composite
def _traces(draw):
    """Samples in order; each channel comes new, at the tick or earlier, or stays as it was."""
    at_us, before, trace = 0, Sample(START.bench_ns), []
    for _ in range(draw(st.integers(1, 12))):
        at_us += draw(st.integers(1, 10**9))
        at_ns = START.bench_ns + at_us * 1000
        changes = {"at_ns": at_ns, "late_ns": draw(st.integers(0, 10**9))}
        for values, time in (
            (("voltage_v",), "voltage_at_ns"),
            (("current_a",), "current_at_ns"),
            (("supply_v", "supply_a"), "supply_at_ns"),
            (("load_v", "load_a"), "load_at_ns"),
            (("surface_c",), "surface_at_ns"),
            (("tab_c",), "tab_at_ns"),
            (("room_c",), "room_at_ns"),
            ((), "contactor_at_ns"),
        ):
            if not draw(st.booleans()):
                continue
            age_us = draw(st.sampled_from((0, 0, 1, 250_000)))
            read_ns = at_ns - age_us * 1000
            if read_ns > getattr(before, time):
                changes[time] = read_ns
                kind = _degrees if time[:4] in ("surf", "tab_", "room") else _volts
                changes |= {name: draw(st.one_of(kind, _unread)) for name in values}
        changes |= {name: draw(_states) for name in ("supply_on", "load_on", "contactor_closed")}
        before = before._replace(**changes)
        count = len(trace) // 3 + 1
        mark = StepMark(
            count, 1, draw(_texts), draw(_texts), at_ns - draw(st.integers(0, 9)) * 1000,
            *(draw(st.sampled_from((0.0, 0.25, 1.000000001))) for _ in range(4)),
        )  # fmt: skip
        trace.append((before, mark))
    return trace


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(_traces())
def test_what_is_read_back_is_what_was_judged(trace):
    """Write samples, read back: equal field by field, never-read channels and their times too."""
    rows = RowFormat(START.bench_ns, START.unix_ns)
    raw = HEADER + b"".join(rows.line(n, *tick) for n, tick in enumerate(trace, 1))
    reader = SampleReader(START.bench_ns, Inputs())
    found = reader.feed(raw)
    assert reader.troubles == []
    assert [row.mark for row in found] == [mark for _, mark in trace]
    assert all(same(row.sample, sample) for row, (sample, _) in zip(found, trace, strict=True))


def test_an_old_reading_is_an_empty_field():
    """A slow thermometer is not repeated into the record: value and time are empty."""
    rows = RowFormat(0, 0)
    sample = Sample(2_000_000, surface_c=23.5, surface_at_ns=1_000_000)
    first = rows.line(1, sample, MARK).decode().rstrip("\n").split(",")
    again = rows.line(2, sample._replace(at_ns=3_000_000), MARK).decode().rstrip("\n").split(",")
    places = INDEX["Surface Temperature / degC"], INDEX["Surface Time / s"]
    assert [first[place] for place in places] == ["23.500", "0.001000"]
    assert [again[place] for place in places] == ["", ""]


def test_a_row_in_full():
    """One row, read by a person: labels beside values."""
    rows = RowFormat(1_000_000_000, 1_760_000_000_000_000_000)
    sample = Sample(
        3_500_000_000, 1_500_000, 4.2, 3_500_000_000, 0.5, 3_499_999_000, 4.21, 0.5,
        3_500_000_000, supply_on=1, contactor_closed=1, contactor_at_ns=3_500_000_000,
    )  # fmt: skip
    mark = StepMark(2, 1, "fill", "CC-CV charge", 3_000_000_000, 0.125, 0.0, 0.5, 0.0)
    fields = rows.line(7, sample, mark).decode().rstrip("\n").split(",")
    assert {label: text for label, text in zip(LABELS, fields, strict=True) if text} == {
        "Test Time / s": "2.500000",
        "Voltage / V": "4.200000",
        "Current / A": "0.500000",
        "Unix Time / s": "1760000002.500000",
        "Cycle Count / 1": "1",
        "Step Count / 1": "2",
        "Step Type": "CC-CV charge",
        "Step ID": "fill",
        "Step Time / s": "0.500000",
        "Record Index / 1": "7",
        "Step Charging Capacity / Ah": "0.125000000",
        "Step Discharging Capacity / Ah": "0.0",
        "Step Charging Energy / Wh": "0.500000000",
        "Step Discharging Energy / Wh": "0.0",
        "Supply Voltage / V": "4.210000",
        "Supply Current / A": "0.500000",
        "Supply Output / 1": "1",
        "Contactor / 1": "1",
        "Commanded Current / A": "0.000000",
        "Voltage Time / s": "2.500000",
        "Current Time / s": "2.499999",
        "Supply Time / s": "2.500000",
        "Contactor Time / s": "2.500000",
        "Lateness / s": "0.001500000",
    }


def test_unix_time_keeps_microseconds():
    """Unix time is the start plus monotonic time, to the microsecond, fifty days in."""
    rows = RowFormat(0, 1_760_000_000_123_456_000)
    at_ns = 50 * 86_400 * 1_000_000_000 + 1_000
    fields = rows.line(1, Sample(at_ns), MARK._replace(began_ns=0)).decode().split(",")
    assert fields[INDEX["Unix Time / s"]] == "1764320000.123457"
    assert fields[INDEX["Test Time / s"]] == "4320000.000001"


def test_counts_of_steps_and_cycles_never_go_back():
    """The standard's step count never resets, so what follows the last step keeps its number."""
    rows = RowFormat(0, 0)
    counts = []
    for number, mark in enumerate(
        (MARK, MARK._replace(count=7, cycle=3), MARK._replace(count=0)), 1
    ):
        fields = rows.line(number, Sample(number * 1_000_000), mark).decode().split(",")
        counts.append((fields[INDEX["Step Count / 1"]], fields[INDEX["Cycle Count / 1"]]))
    assert counts == [("1", "1"), ("7", "3"), ("7", "3")]
