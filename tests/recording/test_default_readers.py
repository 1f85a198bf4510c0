"""A full night's samples read the same with the defaults of three common readers of CSV.

The readers are the outside source: nobody is told a type, and none of them may guess one from the
first rows that later rows do not keep.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas
import polars
import pytest

from sequencer.assembly.rehearsal import rehearse
from sequencer.recording.columns import LABELS, TEXT_LABELS, is_count
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.recording.invented import exported

ROOT = Path(__file__).parents[2]
UNREAD = ("Temperature T1 / degC", "T1 Time / s")
"""The demonstration bench has no sensor at the tab: nothing says what these columns hold."""


def _polars(path: Path) -> polars.DataFrame:
    return polars.read_csv(path)


def _pandas(path: Path) -> polars.DataFrame:
    read = pandas.read_csv(path)
    return polars.DataFrame({label: read[label].tolist() for label in read.columns})


def _duckdb(path: Path) -> polars.DataFrame:
    with duckdb.connect() as connection:
        found = connection.execute("select * from read_csv(?)", [str(path)])
        labels = [one[0] for one in found.description or ()]
        return polars.DataFrame(found.fetchall(), schema=labels, orient="row")


READERS: dict[str, Callable[[Path], polars.DataFrame]] = {
    "polars": _polars,
    "pandas": _pandas,
    "duckdb": _duckdb,
}


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of the whole night on the demonstration bench, some 47,000 rows."""
    folder = tmp_path_factory.mktemp("night") / "run"
    run_documents = read_run_documents(
        RunOptions(
            ROOT / "profiles/overnight-rates.yaml",
            ROOT / "profiles/cells/lamp-pouch.yaml",
            ROOT / "sim_configs/benches/demonstration.yaml",
            None,
            (),
        )
    )
    rehearse(run_documents, folder)
    return folder


def _told(path: Path) -> polars.DataFrame:
    """The same file by a reader that is told every type."""
    whole = {label: polars.Int64 for label in LABELS if is_count(label)}
    texts = dict.fromkeys(TEXT_LABELS, polars.String)
    fractions = {label: polars.Float64 for label in LABELS if label not in {*whole, *texts}}
    types: dict[str, Any] = {**whole, **texts, **fractions}
    return polars.read_csv(path, schema={label: types[label] for label in LABELS})


@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize("is_exported", [False, True], ids=["samples.csv", "export"])
def test_a_full_night_reads_with_defaults(
    name: str, is_exported: bool, night: Path, tmp_path: Path
):
    """Every value and every type is the one that a reader gets who is told the types."""
    path = exported(night, tmp_path)[0] if is_exported else night / "samples.csv"
    found, told = READERS[name](path), _told(path)
    assert found.columns == list(LABELS)
    for label in LABELS:
        if label not in UNREAD:
            assert found[label].dtype == told[label].dtype, label
            assert found[label].equals(told[label]), label


@pytest.mark.parametrize(
    ("label", "kind", "way"),
    [("Supply Current / A", "charge", "charges"), ("Load Current / A", "discharge", "discharges")],
)
def test_a_current_is_described_in_the_sign_that_it_has(
    label: str, kind: str, way: str, night: Path, tmp_path: Path
):
    """While only the described direction is driven the column is positive, in the manifest's words
    and in those of the side file."""
    driven = _told(night / "samples.csv").filter(polars.col("Step Type") == kind)
    steady = driven.filter(polars.col("Step Time / s") > 2.0)[label].drop_nulls()
    assert len(steady) > 1000
    assert float(steady.median()) > 0.1  # type: ignore[arg-type]
    target, _ = exported(night, tmp_path)
    side = json.loads(
        target.with_name(target.name[:-4] + ".metadata.json").read_text(encoding="utf-8")
    )
    columns = {one["csvw:titles"]: one for one in side["csvw:tableSchema"]["csvw:columns"]}
    manifest = json.loads((night / "manifest.json").read_text(encoding="utf-8"))
    for words in (columns[label]["dct:description"], manifest["own_columns"][label]):
        assert words.endswith(f"positive when it {way}")
