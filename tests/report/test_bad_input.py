"""``nightbench report`` on what is missing, foreign, empty or damaged: plain words, the right exit
code, never a trace, and the rest still reported."""

import json
import random
import shutil
from pathlib import Path

import pytest

from sequencer.assembly.rehearsal import rehearse
from sequencer.cli import main
from sequencer.recording.journal import JournalEntry, encode
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.cli.places import BENCH, CELL, ROOT, SHORT

HEADER = "Test Time / s,Voltage / V,Current / A"
MACHINE_NAMES = "test_time_second,voltage_volt,current_ampere,step_count"


@pytest.fixture(scope="module")
def run(tmp_path_factory) -> Path:
    """A short rehearsed run."""
    place = tmp_path_factory.mktemp("whole")
    (place / "short.yaml").write_text(SHORT, encoding="utf-8")
    rehearse(
        read_run_documents(RunOptions(place / "short.yaml", CELL, BENCH, None, ())), place / "run"
    )
    return place / "run"


@pytest.fixture
def hurt(run, tmp_path) -> Path:
    """A copy of it that may be damaged."""
    shutil.copytree(run, tmp_path / "hurt")
    for one in (tmp_path / "hurt").iterdir():
        one.chmod(0o644)
    return tmp_path / "hurt"


def told(capsys, *words: object) -> tuple[int, str, str]:
    """Exit code, output and error of ``report``, each as one line of plain text; no trace in
    either."""
    capsys.readouterr()
    code = main(["report", *(str(word) for word in words)])
    seen = capsys.readouterr()
    assert "Traceback" not in seen.out + seen.err
    assert "nightbench-bug" not in seen.out + seen.err
    return code, " ".join(seen.out.split()), " ".join(seen.err.split())


NO_TABLES = {
    "nothing.csv": (None, "cannot be read: no such file"),
    "empty.csv": (b"", "is empty"),
    "noise.bdf.csv": (b"\xf6" * 4000, "the byte 0xF6 is not UTF-8 text"),
    "zeros": (bytes(4000), "a NUL byte: this is not a text file"),
    "shop.csv": (b"date;amount\n1;2\n", "fields are parted by commas, not by ';'"),
    "logger.csv": (b"Time,Volts,Amps\n1,2,3\n", "no column 'Voltage / V'"),
    "timeless.csv": (b"Voltage / V,Current / A\n3.7,1\n", "no column 'Test Time / s'"),
}


@pytest.mark.parametrize("name", NO_TABLES)
def test_what_is_no_table_of_samples_is_refused_in_one_line(name, tmp_path, capsys):
    """Exit 2: the place, what is wrong with it, and nothing written beside it."""
    content, words = NO_TABLES[name]
    if content is not None:
        (tmp_path / name).write_bytes(content)
    code, out, err = told(capsys, tmp_path / name)
    assert (code, out) == (2, "")
    assert str(tmp_path / name) in err
    assert words in err
    assert [one.name for one in tmp_path.iterdir()] == ([] if content is None else [name])


def test_an_empty_folder_is_no_run(tmp_path, capsys):
    """Exit 2, and what was looked for."""
    code, _, err = told(capsys, tmp_path)
    assert (code, "not a run folder" in err) == (2, True)


THIN = {
    "no row": ([], "no row of samples"),
    "one row": (["0,3.7,0"], "one sample alone: nothing can be integrated"),
    "no voltage": ([f"{i},NaN,-1" for i in range(400)], "no voltage reading at all"),
    "no current": ([f"{i},3.7," for i in range(400)], "no current reading at all"),
    "no time": (["nan,3.7,1"] * 400, "400 damaged line(s) left out"),
}


@pytest.mark.parametrize("name", THIN)
def test_a_table_with_nothing_to_integrate_says_why(name, tmp_path, capsys):
    """Exit 0: a report could be made; it says what is missing, and gives no number."""
    rows, words = THIN[name]
    (tmp_path / "thin.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    code, out, _ = told(capsys, tmp_path / "thin.csv")
    assert code == 0
    assert words in out
    assert "no headline number can be told" in out
    page = (tmp_path / "thin.csv.report.html").read_text(encoding="utf-8")
    assert words.split(":")[0] in page
    assert "nan" not in out.replace("'nan' where a number belongs", "").split()


FULL_TO_EMPTY = [
    *((i, 3.6 + 0.0001666 * i, 1.0, 1) for i in range(3600)),
    *((3600 + i, 4.2, max(1.0 - i / 1000, 0.05), 1) for i in range(950)),
    *((4550 + i, 4.15, 0.0, 2) for i in range(600)),
    *((5150 + i, 4.1 - 1.1 * i / 3600, -1.0, 3) for i in range(3601)),
    *((8751 + i, 3.4, 0.0, 4) for i in range(60)),
]
"""Charged full, rested, 1 A for an hour down to 3.0 V: 1 Ah and, at a mean of 3.55 V, 3.55 Wh
(worked here: the voltage falls on a straight line)."""


@pytest.mark.parametrize("header", [f"{HEADER},Step Count / 1", MACHINE_NAMES])
def test_somebody_elses_file_is_analysed(header, tmp_path, capsys):
    """The Battery Data Format, labels or machine names: capacity and energy as worked by hand, and
    a claim judged by a cell document given beside it."""
    lines = [header, *(",".join(map(str, row)) for row in FULL_TO_EMPTY)]
    (tmp_path / "theirs.bdf.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    page = tmp_path / "page.html"
    capsys.readouterr()
    words = ["report", tmp_path / "theirs.bdf.csv", "--cell", CELL, "--json", "--page", page]
    assert main([str(word) for word in words]) == 0
    data = json.loads(capsys.readouterr().out)
    values = {one["key"]: one["value"] for one in data["figures"]}
    assert values["capacity.discharge.3"] == pytest.approx(1.0, abs=1e-3)
    assert values["energy.discharge.3"] == pytest.approx(3.55, abs=4e-3)
    assert data["simulated"] is None
    claim = data["verdicts"][1]
    assert claim["word"] == "cannot tell with this bench"
    assert claim["measured"] == values["capacity.discharge.3"]
    assert "at 0.333 C (at 0.2 C it would give 0 to 5.2 % more)" in claim["why"]
    assert "nothing is known of the instruments' accuracy" in claim["why"]
    assert "nothing is known of instruments" in " ".join(data["missing"])


def test_a_folder_cut_short_says_so_and_claims_no_proof_of_off(hurt, capsys):
    """Half a journal and half the samples: broken off; what was proven before the first step is no
    proof of what came after."""
    for name in ("samples.csv", "journal.jsonl"):
        raw = (hurt / name).read_bytes()
        (hurt / name).write_bytes(raw[: len(raw) // 2])
    code, out, _ = told(capsys, hurt)
    assert code == 0
    assert "broke off: its record has no end" in out
    assert "NO PROOF that the outputs were off" in out
    assert "proven off by measurement" not in out
    assert "samples.csv: changed or damaged" in out or "cut short" in out


def test_a_record_that_ends_with_its_proof_keeps_it(hurt, capsys):
    """Only the line that says the end is lost: off was proven after the last step all the same."""
    lines = (hurt / "journal.jsonl").read_bytes().splitlines(keepends=True)
    proof = max(n for n, line in enumerate(lines) if b'"kind":"proof"' in line)
    (hurt / "journal.jsonl").write_bytes(b"".join(lines[: proof + 1]))
    code, out, _ = told(capsys, hurt)
    assert (code, "proven off by measurement (level A)" in out) == (0, True)


def test_without_a_manifest_the_instruments_tell_that_a_cell_was_pretended(hurt, capsys):
    """A rehearsal must never pass for a test because a file is lost: the journal knows better."""
    for damage in (b"\xff\xfe\x00", b"[]", b'{"start_bench_ns": "x"}', None):
        (hurt / "manifest.json").unlink(missing_ok=True)
        if damage is not None:
            (hurt / "manifest.json").write_bytes(damage)
        code, out, _ = told(capsys, hurt)
        assert code == 0
        assert "SIMULATED: NO REAL BENCH" in out
        assert "manifest.json: missing or damaged" in out
        assert "no cell document: no claim is judged" in out


MISSING = {
    "samples.csv": "samples.csv: missing",
    "journal.jsonl": "no journal tells how the run ended",
}


@pytest.mark.parametrize("name", MISSING)
def test_one_file_missing_and_the_rest_reported(name, hurt, capsys):
    """Its absence in words, the cell and the page all the same."""
    (hurt / name).unlink()
    code, out, _ = told(capsys, hurt)
    assert code == 0
    assert MISSING[name] in out
    assert "Lamp pouch 3 Ah: Short" in out
    assert (hurt / "report.html").is_file()


def test_samples_that_are_a_folder_are_none(hurt, capsys):
    """As if they were missing."""
    (hurt / "samples.csv").unlink()
    (hurt / "samples.csv").mkdir()
    code, out, _ = told(capsys, hurt)
    assert (code, "samples.csv: missing" in out) == (0, True)


def test_a_run_refused_before_it_began_says_why_and_no_more(tmp_path, capsys):
    """The reason in its first lines; no list of claims beside nothing."""
    (tmp_path / "short.yaml").write_text(SHORT, encoding="utf-8")
    hot = BENCH.read_text(encoding="utf-8").replace("room: 22 degC", "room: 65 degC")
    place = str(ROOT / "sim_configs" / "cells")
    (tmp_path / "hot.yaml").write_text(hot.replace("../cells", place), encoding="utf-8")
    run_documents = read_run_documents(
        RunOptions(tmp_path / "short.yaml", CELL, tmp_path / "hot.yaml", None, ())
    )
    assert rehearse(run_documents, tmp_path / "run").outcome.exit == 3
    code, out, _ = told(capsys, tmp_path / "run")
    assert code == 0
    assert "refused before anything was switched on: the surface sensor reads 65.0" in out, out
    assert "11 not comparable. Nothing was measured that any of them could be set beside." in out
    page = (tmp_path / "run" / "report.html").read_text(encoding="utf-8")
    assert "refused before anything was switched on: the surface sensor reads 65.0" in page


def test_a_mass_that_nobody_weighed_is_said(run, tmp_path, capsys):
    """Neither specimen nor stated mass: no energy by mass, and the claim of one not comparable."""
    bare = "\n".join(
        one for one in CELL.read_text(encoding="utf-8").splitlines() if not one.startswith("mass:")
    )
    (tmp_path / "massless.yaml").write_text(bare, encoding="utf-8")
    page = tmp_path / "page.html"
    code, out, _ = told(capsys, run, "--cell", tmp_path / "massless.yaml", "--page", page)
    assert code == 0
    assert "the specimen was not weighed: no energy by its own mass can be told" in out
    assert "No energy per mass was measured in this run." in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("words", ["cell: [", "cell: 5", ""])
def test_a_faulty_cell_document_is_the_callers(words, run, tmp_path, capsys):
    """Exit 2 with place and line; nothing is written."""
    (tmp_path / "cell.yaml").write_text(words, encoding="utf-8")
    page = tmp_path / "page.html"
    code, _, err = told(capsys, run, "--cell", tmp_path / "cell.yaml", "--page", page)
    assert (code, page.exists()) == (2, False)
    assert "cell.yaml" in err


ODD = (None, 5, -1, 1e308, "x", "", [], {}, [1], {"a": 1}, True, [[]])


def _places(value, found):
    """Every place in nested JSON, as (container, key)."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in list(pairs):
        found.append((value, key))
        if isinstance(item, dict | list):
            _places(item, found)
    return found


def _bent(value, chance):
    """The same with one to five values of any sort in it."""
    places = _places(value, [])
    for _ in range(chance.choice((1, 1, 2, 5)) if places else 0):
        container, key = chance.choice(places)
        container[key] = chance.choice(ODD)
    return value


def _bent_journal(raw, chance):
    """Every line sound by its checksum; what is in some of them is not."""
    made = []
    for line in raw.splitlines():
        one = json.loads(line)
        entry = _bent(one["entry"], chance) if chance.random() < 0.3 else one["entry"]
        made.append(encode(JournalEntry(one["sequence"], one["rows"], one["kind"], entry)))
    return b"".join(made)


def _strewn(raw, chance):
    """Some bytes changed."""
    bent = bytearray(raw)
    for _ in range(chance.choice((1, 5, 50))):
        bent[chance.randrange(len(bent))] = chance.randrange(256)
    return bytes(bent)


@pytest.mark.parametrize("seed", range(40))
def test_no_damage_makes_it_fail(seed, run, hurt, capsys):
    """Values of the wrong sort in manifest or journal, bytes strewn over any file, any file cut:
    always a report or a plain refusal."""
    chance = random.Random(seed)
    name = chance.choice(("manifest.json", "journal.jsonl", "samples.csv"))
    raw = (run / name).read_bytes()
    if seed % 4 == 0:
        name = "manifest.json"
        raw = json.dumps(_bent(json.loads((run / name).read_bytes()), chance)).encode()
    elif seed % 4 == 1:
        name = "journal.jsonl"
        raw = _bent_journal((run / name).read_bytes(), chance)
    else:
        raw = _strewn(raw, chance) if seed % 4 == 2 else raw[: chance.randrange(len(raw))]
    (hurt / name).write_bytes(raw)
    code, out, err = told(capsys, hurt, "--json")
    assert code in (0, 2), out + err
