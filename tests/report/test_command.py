"""``nightbench report`` on rehearsed nights, done and tripped, and on what is damaged."""

import csv
import hashlib
import io
import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest

from sequencer.assembly.rehearsal import rehearse
from sequencer.cli import main
from sequencer.commands import afterwards
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.cli.places import BENCH, CELL, ROOT, SHORT

SVG = "{http://www.w3.org/2000/svg}"
EVIDENCE = ("samples.csv", "journal.jsonl", "manifest.json")


def night(folder: Path, profile: Path, *faults: str) -> Path:
    """A rehearsed run in ``folder``."""
    named = tuple(ROOT / "sim_configs" / "faults" / f"{one}.yaml" for one in faults)
    rehearse(read_run_documents(RunOptions(profile, CELL, BENCH, None, named)), folder)
    return folder


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> Path:
    """A short run that ended as planned."""
    place = tmp_path_factory.mktemp("done")
    (place / "short.yaml").write_text(SHORT, encoding="utf-8")
    return night(place / "run", place / "short.yaml")


@pytest.fixture(scope="module")
def tripped(tmp_path_factory) -> Path:
    """An overnight run whose lead came off in the first charge."""
    place = tmp_path_factory.mktemp("tripped")
    return night(place / "run", ROOT / "profiles" / "overnight-rates.yaml", "open-lead")


def digests(folder: Path) -> dict[str, str]:
    """What the evidence is, byte for byte."""
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in EVIDENCE}


def told(capsys, *words: object) -> tuple[int, str, str]:
    """Exit code, standard output and error of one command line."""
    capsys.readouterr()
    code = main([str(word) for word in words])
    seen = capsys.readouterr()
    return code, seen.out, seen.err


@pytest.mark.parametrize("which", ["done", "tripped"])
def test_a_report_can_be_made_twice_and_touches_no_evidence(which, request, capsys):
    """Exit 0 whatever the run came to; the page beside the record, the same bytes twice; samples,
    journal and manifest as they were."""
    folder = request.getfixturevalue(which)
    before, pages = digests(folder), []
    for _ in range(2):
        code, out, _ = told(capsys, "report", folder)
        assert code == 0, out
        assert f"page: {folder / 'report.html'}" in out
        pages.append((folder / "report.html").read_bytes())
    assert pages[0] == pages[1]
    assert str(folder).encode() not in pages[0]
    assert digests(folder) == before


def test_a_tripped_run_tells_its_first_cause_and_last_minute(tripped, capsys):
    """The page and the terminal begin with it; the picture is the minute around it."""
    _, out, _ = told(capsys, "report", tripped)
    assert "first cause: no current" in out
    page = (tripped / "report.html").read_text(encoding="utf-8")
    assert 'id="picture-trip"' in page
    assert "circuit open" in page
    assert "Why the run was ended" in page


def test_json_and_csv_hold_every_number_and_nothing_else(done, capsys, tmp_path):
    """Standard output is one JSON object, or one table; the page goes where it was wished."""
    page = tmp_path / "elsewhere.html"
    code, out, _ = told(capsys, "report", done, "--json", "--page", page)
    data = json.loads(out)
    assert (code, data["exit"], data["page"]) == (0, 0, str(page))
    assert page.is_file()
    assert data["samples_sha256"] == digests(done)["samples.csv"]
    assert data["rehearsal"] is True
    keys = {one["key"] for one in data["figures"]}
    _, out, _ = told(capsys, "report", done, "--csv", "--page", page)
    rows = [*csv.DictReader(io.StringIO(out))]
    assert {row["key"] for row in rows if row["kind"] == "figure"} == keys
    assert len([row for row in rows if row["kind"] == "verdict"]) == len(data["verdicts"])


def test_damage_is_said_and_the_rest_reported(tripped, capsys, tmp_path):
    """Samples cut and changed, a journal without an end, no manifest: each is in words."""
    hurt = tmp_path / "hurt"
    shutil.copytree(tripped, hurt)
    samples = (hurt / "samples.csv").read_bytes()
    middle = samples.index(b"\n", len(samples) // 2)
    (hurt / "samples.csv").write_bytes(samples[:middle] + b"\ngarbage" + samples[middle:-40])
    journal = (hurt / "journal.jsonl").read_bytes()
    end = journal.rindex(b"\n", 0, journal.index(b'"kind":"end"')) + 1
    (hurt / "journal.jsonl").write_bytes(journal[:end])
    (hurt / "manifest.json").unlink()
    code, out, _ = told(capsys, "report", hurt)
    assert code == 0
    plain = " ".join(out.split())
    assert "samples.csv: changed or damaged after row" in plain
    assert "no end" in plain
    assert "manifest.json: missing or damaged" in plain


def test_a_lone_file_of_samples_gets_a_report_beside_it(done, capsys, tmp_path):
    """No journal, no documents: said, and the numbers told all the same."""
    lone = tmp_path / "lone.csv"
    shutil.copy(done / "samples.csv", lone)
    code, out, _ = told(capsys, "report", lone)
    assert code == 0
    assert "a file of samples alone" in " ".join(out.split())
    assert (tmp_path / "lone.csv.report.html").is_file()


def test_what_is_no_run_is_refused_in_words(capsys, tmp_path):
    """Exit 2, one line: an empty folder, a missing one, a picture."""
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    for path in (tmp_path, tmp_path / "nowhere", tmp_path / "picture.png"):
        code, _, err = told(capsys, "report", path)
        assert (code, len(err.splitlines())) == (2, 1), err
        assert str(path) in err


@pytest.mark.parametrize("name", ["samples.csv", "journal.jsonl", "manifest.json", "safing.json"])
def test_a_page_is_never_written_over_the_record(name, done, capsys):
    """Exit 2, and the record is what it was."""
    before = digests(done)
    code, _, err = told(capsys, "report", done, "--page", done / name)
    assert (code, digests(done)) == (2, before)
    assert "never written over" in err


def test_a_page_that_cannot_be_written_is_the_callers_to_place(done, capsys, tmp_path):
    """Exit 2 with the place, not a trace."""
    code, _, err = told(capsys, "report", done, "--page", tmp_path / "no" / "such" / "x.html")
    assert code == 2
    assert "x.html" in err


def test_each_picture_is_a_file_of_its_own(done, capsys, tmp_path):
    """The page's pictures in their order, each with its style, its legend and its alternative text;
    a place that cannot be one is refused in words."""
    code, out, _ = told(capsys, "report", done, "--pictures", tmp_path / "all", "--json")
    written = [Path(one) for one in json.loads(out)["pictures"]]
    assert code == 0
    assert sorted(written) == sorted((tmp_path / "all").iterdir())
    assert "night" in [one.stem for one in written]
    page = (done / "report.html").read_text(encoding="utf-8")
    for one in written:
        root = ElementTree.fromstring(one.read_text(encoding="utf-8"))
        (style,) = root.iter(f"{SVG}style")
        assert ".discharge { fill: #f7ecdf" in (style.text or "")
        assert not any(word in one.read_text(encoding="utf-8") for word in ("var(", "--", "@media"))
        title = next(root.iter(f"{SVG}title")).text
        assert f"<h3>{title}</h3>" in page
    night_text = (tmp_path / "all" / "night.svg").read_text(encoding="utf-8")
    assert [word in night_text for word in (">Surface<", ">Room<")] == [True, True]
    assert night_text.index('class="halo"') > night_text.index('class="l s0"')  # words over lines
    code, _, err = told(capsys, "report", done, "--pictures", done / "samples.csv")
    assert code == 2
    assert "samples.csv: cannot be written" in err


def test_the_report_after_a_run_never_raises(done, tmp_path):
    """Made: its lines and place. Failed, or too slow: words, and how to make it again."""
    made = afterwards.report_on(done)
    assert made.page == done / "report.html"
    assert any(line.startswith("page: ") for line in made.lines)
    (tmp_path / "nothing").mkdir()
    failed = afterwards.report_on(tmp_path / "nothing")
    assert failed.page is None
    assert "could not be made" in failed.lines[0]
    assert failed.lines[1] == f"to make it again: nightbench report {tmp_path / 'nothing'}"
    gone = afterwards.report_on(tmp_path / "gone")  # nobody says that its record is as it was
    assert gone.lines == [
        f"the report could not be made: the run folder {tmp_path / 'gone'} is gone"
    ]
    slow = afterwards.report_on(done, patience_s=0.001)
    assert (slow.page, "not ready" in slow.lines[0]) == (None, True)
