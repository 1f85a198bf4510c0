"""An exported run keeps the rules of the open Battery Data Format 1.3.0.

The rules are written out here from the standard (Battery Data Alliance, LF Energy; ontology and
table schema, Apache-2.0, version 1.3.0): required, recommended and optional labels with their
machine names, forms of labels, file name, monotonic test time as the primary key, signs. There is
no published validator, so this is ours; it knows nothing of how the files are made.
"""

import csv
import io
import json
import re

import pytest

from sequencer.recording.step_words import step_type
from tests.recording.invented import exported, write_run

REQUIRED = ("Test Time / s", "Voltage / V", "Current / A")
RECOMMENDED = (
    "Unix Time / s",
    "Cycle Count / 1",
    "Step Count / 1",
    "Ambient Temperature / degC",
)
OPTIONAL = (
    "Record Index / 1",
    "Step ID",
    "Step Type",
    "Step Time / s",
    "Step Record Index / 1",
    "Power / W",
    "Surface Temperature / degC",
    *(f"Temperature T{n} / degC" for n in range(1, 6)),
    "Internal Resistance / ohm",
    "DC Internal Resistance / ohm",
    "AC Internal Resistance / ohm",
)
ACCUMULATOR = re.compile(
    r"(?:(?:Step|Cycle) )?(Charging|Discharging|Net|Cumulative) (?:Capacity / Ah|Energy / Wh)"
)
OWN_FORM = re.compile(r"[A-Z][A-Za-z0-9 ]* / [A-Za-z0-9]+")
DEPRECATED = re.compile(r"step_index|step_capacity_ah|step_energy_wh|.*_millisecond|.* / ms")
FILE_NAME = re.compile(
    r"[A-Za-z0-9.-]+__[A-Za-z0-9.-]+__[0-9]{4}(0[1-9]|1[0-2])([0-2][0-9]|3[01])_[0-9]{3}\.bdf\.csv"
)
NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?")
TEXTS = ("Step ID", "Step Type")
COMMON_STEP_TYPES = {"CC_CHG", "CC_DCH", "CV_CHG", "CCCV_CHG", "REST", "OCV", "EIS"}


OWN_COLUMNS = (
    *(f"{whose} {what}" for whose in ("Supply", "Load") for what in ("Voltage / V", "Current / A")),
    *("Supply Output / 1", "Load Input / 1", "Contactor / 1", "Lateness / s"),
    "Commanded Current / A",
    *(f"{whose} Time / s" for whose in ("Voltage", "Current", "Supply", "Load")),
    *(f"{whose} Time / s" for whose in ("Ambient", "Surface", "T1", "Contactor")),
)
"""What a run of ours holds beside the standard's columns: each instrument's own reading, each
output's state, the time of every reading, lateness. Written down here, from the run folders of
version 0.1.0: a column that is added or renamed is a change for every reader of a run."""


def faults_of(name, raw, declared=()):
    """Every rule that a file breaks, in words; ``declared`` are columns that need no standard."""
    told = [] if FILE_NAME.fullmatch(name) else [f"file name {name}"]
    if b"\r" in raw or not raw.endswith(b"\n") or raw.startswith(b"\xef\xbb\xbf"):
        told.append("not plain UTF-8 with LF")
    header, *rows = list(csv.reader(io.StringIO(raw.decode("utf-8"), newline=""), strict=True))
    told += [f"lacks {label}" for label in REQUIRED if label not in header]
    told += [f"{label} twice" for label in set(header) if header.count(label) > 1]
    for label in header:
        known = label in (*REQUIRED, *RECOMMENDED, *OPTIONAL) or ACCUMULATOR.fullmatch(label)
        if not known and not (OWN_FORM.fullmatch(label) and label in declared):
            told.append(f"unknown column {label}")
        if DEPRECATED.fullmatch(label):
            told.append(f"deprecated {label}")
    return told + _faults_of_rows(header, rows)


def _faults_of_rows(header, rows):
    told = []
    before = {"Test Time / s": float("-inf"), "Unix Time / s": float("-inf")}
    count = 0
    for number, fields in enumerate(rows, 1):
        if len(fields) != len(header):
            told.append(f"row {number}: {len(fields)} fields")
            continue
        row = dict(zip(header, fields, strict=True))
        for label, text in row.items():
            if text and label not in TEXTS and not NUMBER.fullmatch(text):
                told.append(f"row {number}: {label} is {text!r}")
            match = ACCUMULATOR.fullmatch(label)
            if match and match[1] != "Net" and text.startswith("-"):
                told.append(f"row {number}: {label} is negative")
        for label in before:
            if label in row:
                if not row[label] or float(row[label]) <= before[label]:
                    told.append(f"row {number}: {label} does not increase")
                before[label] = float(row[label] or "nan")
        if row.get("Step Count / 1"):
            if int(row["Step Count / 1"]) < count:
                told.append(f"row {number}: the step count goes back")
            count = int(row["Step Count / 1"])
    return told


GOOD = (
    b"Test Time / s,Voltage / V,Current / A,Step Count / 1,Step Discharging Capacity / Ah\n"
    b"0.0,3.7,-1.0,1,0.0\n"
    b"1.0,,-1.0,1,0.0003\n"
)
NAME = "Hill-Lab__Cell-7__20250131_001.bdf.csv"


def test_the_validator_accepts_a_minimal_file():
    """Three required columns and a file name of the standard's form."""
    assert faults_of(NAME, GOOD) == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b"Voltage / V", b"Volts", "lacks Voltage / V"),
        (b"Voltage / V", b"Voltage/V", "unknown column"),
        (b"1.0,,-1.0", b"0.0,,-1.0", "does not increase"),
        (b"\n1.0,,", b"\n,,", "does not increase"),
        (b"0.0003", b"-0.0003", "negative"),
        (b"3.7", b"nan", "'nan'"),
        (b"3.7", b"3,7", "fields"),
        (b"\n", b"\r\n", "LF"),
        (b"-1.0,1,0.0003", b"-1.0,0,0.0003", "goes back"),
        (b"Step Count / 1", b"step_index", "deprecated"),
        (b"Step Count / 1", b"Current / A", "twice"),
    ],
)
def test_the_validator_refuses_what_the_standard_refuses(old, new, told):
    """The check can fail: each broken rule is told."""
    assert any(told in words for words in faults_of(NAME, GOOD.replace(old, new)))


@pytest.mark.parametrize(
    "name", ["run.csv", "A__B__20251301_001.bdf.csv", "A_B_20250101_001.bdf.csv"]
)
def test_the_validator_refuses_other_file_names(name):
    """Institution, cell name, date and number, in the standard's form."""
    assert f"file name {name}" in faults_of(name, GOOD)


def test_an_exported_run_keeps_every_rule(tmp_path):
    """A run of ours, exported: no fault, every column of our own declared, time base named."""
    run = write_run(tmp_path / "run")
    path, missing = exported(run, tmp_path / "out", "Hill Bench")
    side = json.loads(
        path.with_name(path.name[: -len(".csv")] + ".metadata.json").read_text(encoding="utf-8")
    )
    columns = side["csvw:tableSchema"]["csvw:columns"]
    declared = [column["csvw:titles"] for column in columns if "csvw:name" not in column]
    raw = path.read_bytes()
    assert missing == []
    assert faults_of(path.name, raw, OWN_COLUMNS) == []
    assert sorted(declared) == sorted(OWN_COLUMNS), "what is no term of the standard is declared"
    assert [column["csvw:titles"] for column in columns] == raw.decode().split("\n")[0].split(",")
    rows = list(csv.DictReader(io.StringIO(raw.decode())))
    assert len(rows) == 10
    assert all(label in rows[0] for label in (*REQUIRED, *RECOMMENDED))
    assert {row["Step Type"] for row in rows} - COMMON_STEP_TYPES == {"discharge"}
    assert {row["Step ID"] for row in rows} == {"CC discharge", 'rest, "so to say"'}
    assert all(float(row["Current / A"]) < 0 for row in rows), "a discharge is negative"
    assert float(rows[9]["Unix Time / s"]) == pytest.approx(1_760_000_010.123456, abs=1e-6)


def test_machine_names_are_the_standards(tmp_path):
    """Machine names as the standard's table lists them (version 1.3.0)."""
    path, _ = exported(write_run(tmp_path / "run"))
    side = json.loads(
        path.with_name(path.name[: -len(".csv")] + ".metadata.json").read_text(encoding="utf-8")
    )
    names = {
        column["csvw:titles"]: column["csvw:name"]
        for column in side["csvw:tableSchema"]["csvw:columns"]
        if "csvw:name" in column
    }
    expected = {
        "Test Time / s": "test_time_second",
        "Voltage / V": "voltage_volt",
        "Current / A": "current_ampere",
        "Unix Time / s": "unix_time_second",
        "Cycle Count / 1": "cycle_count",
        "Step Count / 1": "step_count",
        "Ambient Temperature / degC": "ambient_temperature_celsius",
        "Record Index / 1": "record_index",
        "Step ID": "step_id",
        "Step Type": "step_type",
        "Step Time / s": "step_time_second",
        "Surface Temperature / degC": "surface_temperature_celsius",
        "Temperature T1 / degC": "temperature_t1_celsius",
        "Step Discharging Capacity / Ah": "step_discharging_capacity_ah",
    }
    assert {label: names[label] for label in expected} == expected


def test_a_second_export_has_the_next_number(tmp_path):
    """Nothing exported is written over."""
    run = write_run(tmp_path / "run")
    names = [exported(run, tmp_path, "Hill Bench")[0].name for _ in range(2)]
    assert names[0].endswith("_001.bdf.csv")
    assert names[1].endswith("_002.bdf.csv")


@pytest.mark.parametrize(
    ("kind", "name", "word"),
    [
        ("charge", "CC-CV charge", "CCCV_CHG"),
        ("charge", "CC charge", "CC_CHG"),
        ("charge", "CV charge", "CV_CHG"),
        ("discharge", "CC discharge", "CC_DCH"),
        ("rest", "CC discharge", "REST"),
        ("rest", "rest", "REST"),
        ("discharge", "discharge pulse", "discharge pulse"),
        ("discharge", "constant power discharge", "constant power discharge"),
    ],
)
def test_step_types_are_the_common_words_where_they_fit(kind, name, word):
    """The standard names common values; what fits none of them is said in plain words."""
    assert step_type(kind, name) == word
