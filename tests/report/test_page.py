"""The page, the lines and the data: what is on them, and that the same run gives the same bytes."""

import csv
import io
import json
import math
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pytest

from sequencer.analysis.results import Analysis, Figure, VerdictWord
from sequencer.report import wording
from sequencer.report.data import COLUMNS, as_csv, as_data
from sequencer.report.lines import WIDTH, lines
from sequencer.report.numbers import unbroken
from sequencer.report.page import render
from sequencer.vocabulary.table import Table
from tests.report import invented

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Balanced(HTMLParser):
    """Holds the page to closed elements; SVG's self-closing ones are told as such."""

    def __init__(self):
        super().__init__()
        self.open, self.wrong = [], []

    def handle_starttag(self, tag, attrs):
        """One more is open."""
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        """The innermost must be this one."""
        if not self.open or self.open.pop() != tag:
            self.wrong.append((tag, self.getpos()))


def page(analysis=None, sheet=None, table=None) -> str:
    """A page, by default the whole invented one."""
    return render(
        sheet or invented.sheet(),
        table if table is not None else invented.table(),
        analysis or invented.analysis(),
        invented.VERSION,
    )


def words_of(made: str) -> str:
    """The text of a page, blanks made plain."""
    body = re.sub(r"<style>.*?</style>", "", made, flags=re.DOTALL)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " "))


def test_the_same_run_gives_the_same_bytes():
    """No time of making, no place, no chance is on it."""
    assert page() == page()


@pytest.mark.parametrize("tripped", [False, True])
def test_every_element_is_closed(tripped):
    """Sound HTML, also around the trip's pictures and tables."""
    parser = Balanced()
    parser.feed(page(sheet=invented.sheet(tripped=tripped)))
    assert (parser.wrong, parser.open) == ([], [])


def test_what_somebody_wrote_is_never_markup():
    """A claim, a label and a note are shown as they are, in text and in pictures."""
    nasty = invented.NASTY
    curve = replace(invented.curves()[0], label=nasty, note=nasty)
    made = page(
        replace(invented.analysis(), curves=(curve,), excluded=(nasty,), warnings=(nasty,)),
        invented.sheet()._replace(title=nasty, cell=nasty, who=nasty),
    )
    assert "<script" not in made
    assert made.count("&lt;script&gt;") >= 6


def test_the_four_words_stand_beside_signs_and_why():
    """Never by colour alone: sign, word and reason are text."""
    told = words_of(page())
    for word, sign in wording.SIGNS.items():
        assert f"{sign} {word.value}" in told
        assert wording.MEANINGS[word] in told
    assert "Probability that this cell conforms: 97 %" in told
    assert "28.0 mΩ lies inside what this bench tells" in told


def test_an_impossible_claim_is_called_that_where_the_verdicts_stand():
    """In the table, with the reason, on the page as on the terminal; and no other is."""
    why = "Impossible: nothing is colder than absolute zero."
    first, *rest = invented.verdicts()
    found = replace(
        invented.analysis(),
        verdicts=(replace(first, word=VerdictWord.NOT_SUPPORTED, figure="", why=why), *rest),
    )
    made = page(found)
    table = words_of(made[made.index('id="verdicts"') : made.index('id="headlines"')])
    assert table.count("impossible") == 1
    assert why in table
    assert "impossible" not in words_of(page())


def test_the_one_line_of_a_picture_is_named_with_its_number_and_unit_together():
    """On paper "after 1 s" was broken before the unit."""
    shown = re.findall(r"Shown: [^<]*", page())
    assert "Shown: after 1\u00a0s." in shown
    assert not [one for one in shown if re.search(r"\d [a-zA-Z%]", one)]


def test_a_shortfall_is_shown_in_parts_that_sum():
    """Its parts, and together."""
    told = words_of(page())
    assert "rate \u22120.0213 ± 0.0039" in told
    assert "cell \u22120.372 ± 0.020" in told
    assert "together \u22120.394" in told


def test_a_budget_shows_each_line_and_its_part():
    """0.0090² of 0.0090² + 0.0048² + 0.0011² is 77 % (arithmetic)."""
    told = words_of(page())
    assert "gain of the load's ammeter 0.009 Ah 77 %" in told
    assert "(standard uncertainty 0.01 Ah)" in told


def test_cut_offs_stand_side_by_side():
    """A row a voltage, a column a step and unit."""
    told = words_of(page())
    assert "down to Ah at 0.2 C Ah at 1 C Wh at 0.2 C Wh at 1 C" in told
    assert "3.00 V 2.806 2.631 10.381 9.735" in told


@pytest.mark.parametrize("simulated", [False, True])
def test_a_simulation_says_so_loudly_and_a_real_run_never(simulated):
    """Banner, heading and terminal say it, or none of them."""
    sheet = invented.sheet(simulated=simulated)
    told, said = words_of(page(sheet=sheet)), "\n".join(lines(sheet, invented.analysis()))
    assert ("Simulated: no real bench." in told) is simulated
    assert ("Cell test report (simulated)" in told) is simulated
    assert ("SIMULATED" in said) is simulated


def test_one_cell_and_no_certificate_are_always_said():
    """n = 1, no certificate, local codes and licensed practice first."""
    told = words_of(page())
    for words in (wording.ONE_CELL, wording.NO_CERTIFICATE, *wording.CAUTIONS):
        assert words in told
    assert wording.ONE_CELL in " ".join(lines(invented.sheet(), invented.analysis()))
    assert "certified" not in re.sub(r"certified for nothing", "", told)


def test_a_trip_comes_first_with_its_last_minute():
    """First cause, the picture around it, and the limits in it, before the verdicts."""
    made = page(invented.analysis(events=invented.EVENTS), invented.sheet(tripped=True))
    told = words_of(made)
    assert told.index("First cause: no current") < told.index("The claims, and what became")
    assert 'id="picture-trip"' in made
    assert "Time since the trip / s" in told
    assert "1: +0.0 s: circuit open" in told
    assert 'id="picture-trip"' not in page()


def test_nothing_measured_is_still_a_page():
    """No figure, no curve, no claim, no row: the page and the lines say so."""
    none = np.empty(0)
    whole = np.empty(0, np.int64)
    empty = Table(none, none, none, none, none, whole, whole, none, none, none, {})
    nothing = Analysis(figures=())
    told = words_of(page(nothing, invented.sheet(tripped=True), empty))
    assert "No number can be told from this run." in told
    assert "No claim of a seller was given" in told
    assert "no headline number can be told" in "\n".join(lines(invented.sheet(), nothing))


def test_the_purpose_of_the_profile_is_told():
    """On the run sheet and as data; that none was stated is said too."""
    sheet = invented.sheet()
    assert as_data(sheet, invented.analysis(), "v")["purpose"] == sheet.purpose != ""
    assert f"Purpose {sheet.purpose}" in words_of(page(sheet=sheet))
    assert "Purpose not stated" in words_of(page(sheet=sheet._replace(purpose="")))


def test_a_figure_that_cannot_be_told_is_words_and_null():
    """NaN is never printed: words on the page, null in JSON, empty in CSV."""
    made, data = page(), as_data(invented.sheet(), invented.analysis(), "v")
    assert not re.search(r"\bnan\b", words_of(made).lower())
    assert "rested too short: 20 min" in words_of(made)
    text = json.dumps(data, allow_nan=False)
    one = next(f for f in json.loads(text)["figures"] if f["key"] == "self-discharge.month.3")
    assert (one["value"], one["flags"]) == (None, ["rested too short: 20 min"])


def test_json_keeps_every_digit_and_the_budget():
    """What the analysis said, unrounded."""
    figures = as_data(invented.sheet(), invented.analysis(), "v")["figures"]
    first = figures[0]
    assert (first["value"], first["unit"]) == (2.8057, "Ah")
    assert (first["low_95"], first["high_95"]) == (2.8057 - 0.0206, 2.8057 + 0.0206)
    assert first["budget"][0] == {
        "source": "gain of the load's ammeter",
        "standard": 0.0090,
        "degrees_of_freedom": 40.0,
    }
    assert len(figures) == len(invented.figures())


def test_csv_is_one_table_that_reads_back():
    """As many lines as figures and verdicts and a header, each with every column."""
    analysis = invented.analysis()
    rows = [*csv.DictReader(io.StringIO("\n".join(as_csv(invented.sheet(), analysis, "v"))))]
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == len(analysis.figures) + len(analysis.verdicts)
    assert float(rows[0]["value"]) == 2.8057
    assert [row["word"] for row in rows if row["kind"] == "verdict"] == [
        one.word.value for one in analysis.verdicts
    ]
    assert rows[-1]["label"] == invented.NASTY


def test_the_terminal_is_plain_short_and_aligned():
    """No control characters, no line beyond the width unless a table's, columns in line."""
    told = lines(invented.sheet(), invented.analysis())
    assert all(line.isprintable() for line in told)
    assert [line for line in told if len(line) > WIDTH and "  " not in line.strip()] == []
    start = next(n for n, line in enumerate(told) if line.startswith("  verdict"))
    where = told[start].index("claim")
    assert told[start + 1][where:].startswith("Capacity 2.8 Ah")
    assert told[start + 2][where:].startswith("Capacity 3.2 Ah")
    assert "  cannot tell with this bench  Resistance 28 mΩ" in "\n".join(told)


def test_claims_carry_their_units_in_json():
    """Value and every condition; a termination current is amperes or a rate, as it was stated; a
    claim without conditions has none; arithmetic leaves no tail of digits behind."""
    stated = {"rate": "0.2 C", "cut-off": "3 V", "termination current": "50 mA", "mass": "bare"}
    by_rate = {"current": "0.6 A", "termination current": "0.05 C", "temperature": "25 degC"}
    pulsed = {"after": "100 ms", "state of charge": "50 %"}
    verdicts = [
        replace(invented.verdicts()[0], claim=invented.claim("here", one, capacity="2.8 Ah"))
        for one in (stated, by_rate, pulsed, "none given")
    ]
    data = as_data(invented.sheet(), replace(invented.analysis(), verdicts=tuple(verdicts)), "v")
    claims = [one["claim"] for one in json.loads(json.dumps(data))["verdicts"]]
    assert {(one["quantity"], one["value"], one["unit"]) for one in claims} == {
        ("capacity", 2.8, "Ah")
    }
    assert [one["conditions"] for one in claims] == [
        {
            "rate": {"value": 0.2, "unit": "C"},
            "cut_off": {"value": 3.0, "unit": "V"},
            "termination_current": {"value": 0.05, "unit": "A"},
            "mass": {"value": "bare"},
        },
        {
            "current": {"value": 0.6, "unit": "A"},
            "termination_current": {"value": 0.05, "unit": "C"},
            "temperature": {"value": 25.0, "unit": "degC"},
        },
        {
            "after": {"value": 0.1, "unit": "s"},
            "state_of_charge": {"value": 0.5, "unit": "1"},
        },
        {},
    ]


def test_conditions_have_no_tail_of_digits_and_no_minus_before_nothing():
    """0.7 C after arithmetic is 0.7 in JSON; a state of charge of -0.1 % is 0 % on the page."""
    conditions = {"rate_c": 0.7000000000000001, "state_of_charge": -0.001}
    one = replace(invented.figures()[0], conditions=conditions)
    analysis = replace(invented.analysis(), figures=(one,))
    told = as_data(invented.sheet(), analysis, "v")["figures"][0]["conditions"]
    assert told == {"rate_c": 0.7, "state_of_charge": -0.001}
    assert "0.7 C, at 0 % charge" in words_of(page(analysis))


def test_what_is_measured_from_what_is_said():
    """A resistance counts from the command, and from a recovery no claim is judged; parts of a
    shortfall share errors that are neglected."""
    told = words_of(page())
    assert "The time counts from the command" in told
    assert "holds the cell’s relaxation too; no claim is judged by it" in told
    assert "errors that parts share, such as one meter’s gain, are neglected" in told


def test_a_resistance_is_never_told_without_its_time():
    """In the table of the terminal, and under the number on the page."""
    figures = tuple(
        replace(one, conditions={**one.conditions, "pulse_s": 1.0}) if one.unit == "Ohm" else one
        for one in invented.figures()
    )
    analysis = replace(invented.analysis(), figures=figures)
    assert "28.14 ± 0.42 mΩ after 1 s" in "\n".join(lines(invented.sheet(), analysis))
    assert "28.14 ± 0.42 mΩ Resistance after 1 s" in words_of(page(analysis))


def test_a_key_from_a_later_version_is_shown_all_the_same():
    """A figure that no table knows stands under Other; a curve is drawn under its own words."""
    later = Figure("frobnication.4", "Frobnication", 1.5, "fr", math.nan)
    told = words_of(page(replace(invented.analysis(), figures=(later,))))
    assert "Other" in told
    assert "Frobnication 1.500 fr" in told
    assert "Quux against frobs" in told


@pytest.mark.parametrize(
    ("each", "said"), [(0.15, "18.0 Ah and 72.0 Wh"), (2.5, "300 Ah and 1200 Wh")]
)
def test_what_all_steps_moved_is_said_in_three_digits(each, said):
    """18 Ah of 120 steps is 18.0 Ah beside 19.7 Ah, and 1200 Wh is no 1.2e+03 Wh."""
    step = invented.sheet().steps[0]
    steps = [
        step._replace(number=n, kind="discharge", charge_ah=-each, energy_wh=-4.0 * each)
        for n in range(120)
    ]
    told = wording.totals(invented.sheet()._replace(steps=steps))
    assert told.endswith(f"{said} taken out.")
    assert "0.00 Ah and 0.00 Wh put in" in told


def test_a_caption_is_said_once():
    """Charging and discharging pictures of one sort: the second is read as the first."""
    one = next(each for each in invented.curves() if each.key.startswith("dq-dv"))
    both = (one, replace(one, key="dq-dv.charge.2"))
    told = words_of(page(replace(invented.analysis(), curves=both)))
    assert told.count("Compare peaks") == 1
    assert "Read it as “Incremental capacity dQ/dV, discharging”." in told


def test_a_unit_or_page_never_begins_a_line():
    """Nor does a number stand after a line that ends in ±."""
    assert unbroken("gave 2.8 ± 0.1 Ah, page 2 of 3") == (
        "gave 2.8\u00a0±\u00a00.1\u00a0Ah, page\u00a02 of 3"
    )
    assert unbroken("a page of 2") == "a page of 2"


@pytest.mark.parametrize("columns", [48, 80])
def test_the_terminal_s_lines_are_broken_for_its_width_once(columns):
    """Of a table that is too wide, where it was said goes to a line of its own; sentences fill the
    lines, and no number is parted from its unit."""
    analysis = invented.analysis()
    told = lines(invented.sheet(), analysis, columns)
    wide = [line for line in told if len(line) > columns]
    headlines = told.index("headline numbers (± is half of the 95 % interval)")
    assert [
        line for line in wide if told.index(line) > headlines and "  " not in line.strip()
    ] == []
    row = next(n for n, line in enumerate(told) if "Capacity 2.8 Ah" in line)
    assert told[row + 1].strip() == "data sheet, page 2"
    assert told[row + 1].index("data") == told[row].index("Capacity")
    words = " ".join(" ".join(told).split())
    assert words == " ".join(" ".join(lines(invented.sheet(), analysis, columns + 1)).split())
    assert not re.search(r"^\s*(Ah|Wh|V|%)\b", "\n".join(told), re.MULTILINE)
