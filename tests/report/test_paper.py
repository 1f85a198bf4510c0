"""Whole nights on paper: how many pages they take, and what is on them."""

import re
from pathlib import Path

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.assembly import analysis_input, rehearsal
from sequencer.recording.run import read_run
from sequencer.report.page import render
from sequencer.report.sheet import make_sheet
from sequencer.run_documents.reading import RunOptions, read_run_documents
from tests.report import browser

ROOT = Path(__file__).parents[2]
PAGES = re.compile(rb"/Type\s*/Page[^s]")


def page_of(profile: str, folder: Path) -> Path:
    """The page of a rehearsal of this profile with the demonstration's cell and bench."""
    (folder / "profile.yaml").write_text(profile)
    options = RunOptions(
        folder / "profile.yaml",
        ROOT / "profiles/cells/lamp-pouch.yaml",
        ROOT / "sim_configs/benches/demonstration.yaml",
        ROOT / "profiles/specimens/lamp-pouch-07.yaml",
    )
    run, page = folder / "run", folder / "report.html"
    rehearsal.rehearse(read_run_documents(options), run)
    recorded = read_run(run)
    found = analysis_input.tested_from(recorded)
    sheet = make_sheet(recorded, found)
    page.write_text(render(sheet, found.table, analyse(found), "test"), encoding="utf-8")
    return page


@pytest.fixture(scope="module")
def four_rates(tmp_path_factory) -> Path:
    """The overnight profile at four rates: twenty hours, 33 steps, eleven claims."""
    text = (ROOT / "profiles/overnight-rates.yaml").read_text(encoding="utf-8")
    text = text.replace("rates: [0.2 C, ", "rates: [0.2 C, 0.5 C, 1.5 C, ")
    assert "1.5 C, p" in text
    return page_of(text, tmp_path_factory.mktemp("four-rates"))


def test_four_rates_print_on_ten_pages(four_rates, tmp_path):
    """A4; what is too long for paper says so, and is printed by whoever opens it first."""
    closed = len(PAGES.findall(browser.printed(four_rates, tmp_path).read_bytes()))
    assert 5 <= closed <= 10
    opened = tmp_path / "opened.html"
    opened.write_text(four_rates.read_text("utf-8").replace("<details", "<details open"), "utf-8")
    assert len(PAGES.findall(browser.printed(opened, tmp_path).read_bytes())) > closed


def test_nothing_moved_has_no_sign(four_rates):
    """A rest moved 0.0000 Ah, not -0.0000 Ah."""
    text = four_rates.read_text("utf-8")
    assert not re.search(r"[-\u2212]0\.0+<", text)
    assert ">0.0000<" in text


@pytest.mark.parametrize("width", [390, 1280])
def test_no_number_is_parted_from_its_unit(four_rates, tmp_path, width):
    """In tables, sentences and lists, what is folded opened: value, ± and unit on one line."""
    opened = tmp_path / "opened.html"
    opened.write_text(four_rates.read_text("utf-8").replace("<details", "<details open"), "utf-8")
    told = browser.ask(opened, tmp_path, browser.BROKEN_NUMBERS, width=width)
    assert told["seen"] > 500
    assert told["broken"] == []
