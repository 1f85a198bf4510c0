"""What a stranger finds in a bundle is what the owner found in the run, by the command line."""

import csv
import json
from pathlib import Path

import polars as pl
import pytest

from sequencer.assembly.rehearsal import rehearse
from sequencer.cli import main
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.cli.places import BENCH, CELL, ROOT

SPECIMEN = ROOT / "profiles" / "specimens" / "lamp-pouch-07.yaml"
PLACES = {"folder", "page"}
"""Where it was read from and where the page went: of the reader's disk, not of the run."""
OF_THE_FILE = {"samples_sha256", "published_then"}
"""An exported file has a digest of its own, and only a bundle was published before."""


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> Path:
    """The demonstration night, rehearsed, of a weighed specimen: all sorts of figures."""
    folder = tmp_path_factory.mktemp("night") / "run"
    profile = ROOT / "profiles" / "overnight-rates.yaml"
    rehearse(read_run_documents(RunOptions(profile, CELL, BENCH, SPECIMEN, ())), folder)
    return folder


def told(capsys, *words: object) -> dict:
    """The JSON answer of one command line that must be done."""
    capsys.readouterr()
    code = main([*(str(word) for word in words), "--json"])
    seen = capsys.readouterr()
    assert code == 0, seen.err
    return json.loads(seen.out)


def exported(run: Path, to: Path) -> Path:
    """The bundle that ``nightbench export`` makes in a new place."""
    assert main(["export", str(run), "--to", str(to), "--institution", "Hill Bench"]) == 0
    (bundle,) = to.iterdir()
    return bundle


@pytest.fixture(scope="module")
def bundle(run, tmp_path_factory) -> Path:
    """A bundle of the night."""
    return exported(run, tmp_path_factory.mktemp("out"))


def test_run_and_bundle_give_the_same_report_to_the_last_digit(run, bundle, tmp_path, capsys):
    """The whole of ``--json``, not only the figures: every value, interval, budget, verdict, word
    and event; what differs is where it lies and that it was published, and nothing else."""
    ours = told(capsys, "report", run, "--page", tmp_path / "ours.html")
    theirs = told(capsys, "report", bundle, "--page", tmp_path / "theirs.html")
    assert len(ours["figures"]) > 100
    assert len(ours["verdicts"]) == 11
    assert ours.keys() == theirs.keys()
    differing = {key for key in ours if ours[key] != theirs[key]}
    assert differing <= PLACES | OF_THE_FILE
    assert differing >= PLACES
    assert theirs["published_then"][0].endswith("the same now, to the last digit")


def test_the_published_numbers_are_those_of_the_run(run, bundle, tmp_path, capsys):
    """``report.json`` in the bundle is what the owner's own command says, but for the digest."""
    ours = told(capsys, "report", run, "--page", tmp_path / "ours.html")
    published = json.loads((bundle / "report.json").read_text(encoding="utf-8"))
    assert {key for key in published if published[key] != ours[key]} == {"samples_sha256"}


def test_the_parquet_holds_what_the_csv_holds(bundle):
    """The same columns in the same order, as many rows, every value the same double, every empty
    field no value; the CSV read here by Python's own reader and float."""
    with next(bundle.glob("*.bdf.csv")).open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    frame = pl.read_parquet(next(bundle.glob("*.parquet")))
    assert frame.columns == header
    assert len(frame) == len(rows) > 40_000
    texts = {"Step Type", "Step ID"}
    for place, name in enumerate(header):
        fields = [row[place] for row in rows]
        wanted = fields if name in texts else [float(one) if one else None for one in fields]
        assert frame[name].to_list() == wanted, name


def test_the_same_run_exported_twice_is_the_same_bytes(run, bundle, tmp_path):
    """Every file of both bundles, Parquet and page too: nothing in them knows the time, the place
    or chance. (A second bundle in one place has another number in its name.)"""
    both = [bundle, exported(run, tmp_path / "again")]
    files = [
        {one.relative_to(folder).as_posix(): one.read_bytes() for one in folder.rglob("*.*")}
        for folder in both
    ]
    assert len(files[0]) > 10
    assert files[0] == files[1]
