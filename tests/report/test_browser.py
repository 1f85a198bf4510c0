"""The page in a real browser: a phone, the dark, paper; alone, without the network."""

import re
import struct
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from sequencer.report.page import render
from tests.report import browser, invented, programs

DARK = "--blink-settings=preferredColorScheme=0"
PHONE = 390
PAGES = re.compile(rb"/Type\s*/Page[^s]")


@pytest.fixture(scope="module", params=["done", "tripped"])
def page(request, tmp_path_factory) -> Path:
    """The page of an invented night, done or tripped."""
    tripped = request.param == "tripped"
    sheet = invented.sheet(tripped=tripped, simulated=not tripped)
    file = tmp_path_factory.mktemp(request.param) / "report.html"
    made = render(sheet, invented.table(), invented.analysis(), invented.VERSION)
    file.write_text(made, encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def look(page, tmp_path_factory) -> Callable[..., Any]:
    """Asks the page one program, ``width`` CSS pixels wide; all of them in one load of it."""
    place = tmp_path_factory.mktemp("look")

    @cache
    def answers(width: int, *words: str) -> dict[str, Any]:
        return browser.ask_all(page, place, programs.ALL, *words, width=width)

    def ask(program: str, width: int = 1280, *words: str) -> Any:
        told = answers(width, *words)[program]
        assert not isinstance(told, str), told
        return told

    return ask


def test_a_phone_needs_no_sideways_scrolling(look):
    """At 390 px nothing reaches over the edge; wide tables scroll in boxes of their own."""
    told = look(programs.EDGES, PHONE)
    assert told["width"] == PHONE
    assert (told["page"], told["over"]) == (PHONE, [])
    assert told["boxes"] > 0
    # Letters in pictures grow on a phone: 11 px is a footnote's size (common practice).
    assert told["letters"] >= 11.0


@pytest.mark.parametrize("width", [PHONE, 800, 1280])
def test_pictures_are_as_wide_as_their_place_and_their_letters_of_one_size(look, width):
    """One drawing of each is seen, from edge to edge of its figure; the run over time, which has a
    row to itself, has letters no larger than its neighbours' (within a tenth)."""
    told = look(programs.LETTERS, width)
    assert {seen for seen, _, _ in told} == {1}
    assert min(share for _, share, _ in told) > 0.99
    letters = [size for _, _, size in told]
    assert max(letters) < 1.1 * min(letters)


def test_no_verdict_s_word_is_broken(look):
    """Each word of a verdict stands on one line, beside its claim and not over it."""
    for width in (PHONE, 800, 1280):
        told = look(programs.VERDICTS, width)
        assert len(told) == 4
        assert all(lines < 2.0 and apart for lines, apart in told), (width, told)


def test_the_verdicts_stand_first_one_line_each(look):
    """A table before every other number: word, claim, measured and where it was said in one row,
    one line high on a desk; on a phone no number is parted from its unit or broken."""
    desk = look(programs.ROWS)
    assert desk["before"]
    assert len(desk["rows"]) == 4
    assert max(desk["rows"]) < 3.0, "one line and its padding"
    phone = look(programs.ROWS, PHONE)
    assert all(lines < 2.6 for text, lines in phone["numbers"] if "±" in text), phone["numbers"]
    claims = [text for text, _ in phone["numbers"] if "±" not in text]
    assert len(claims) >= 4
    for text in claims:
        assert not re.search(r"\d [VAWgm\u03a9%]", text), f"{text!r} can break before its unit"


def test_only_a_number_is_bold_where_the_verdicts_stand(look):
    """What was not measured, and the column's heading, are not louder than their neighbours."""
    weights = look(programs.WEIGHTS)
    assert len(weights) > 2
    for words, weight in weights:
        assert (weight > 500) == any(letter.isdigit() for letter in words), words


def test_what_is_long_is_folded_on_a_screen_and_open_on_paper(look, page, tmp_path):
    """Every number, the decision rule, the steps: a click away; on paper nobody can click."""
    told = look(programs.FOLDED)
    names = {name.partition(" (")[0] for name, _, _ in told}
    assert {"Every number", "Decision rule"} <= names
    assert all(not is_open and is_low for _, is_open, is_low in told)
    opened = tmp_path / "opened.html"
    text = page.read_text(encoding="utf-8")
    opened.write_text(text.replace("<details", "<details open"), encoding="utf-8")
    pages = [
        len(PAGES.findall(browser.printed(one, tmp_path).read_bytes())) for one in (page, opened)
    ]
    assert pages[0] == pages[1]


def test_every_picture_has_words_and_every_number_is_text(look):
    """Alternative text that names the lines and their ends; numbers are in the page's text, the
    tick labels too."""
    told = look(programs.WORDS)
    assert len(told["pictures"]) >= 7
    for role, title, words, caption in told["pictures"]:
        assert role == "img"
        assert title
        assert re.search(r"\d", words)
        assert caption
    assert {"4.25", "3.00", "0"} <= set(told["ticks"])
    assert told["raster"] == 0
    assert len(set(told["ids"])) == len(told["ids"])
    for number in ("2.806", "± 0.021", "28.14", "99.72", "cannot tell with this bench"):
        assert number in told["text"]
    assert "<script>alert('x')</script>" in told["text"]


@pytest.mark.parametrize("width", [PHONE, 1280])
def test_no_words_in_a_picture_lie_on_others_or_are_cut(look, width):
    """Three signs within a second were drawn on one another, and on a phone the first figure of
    3.750 was cut by the picture's edge. Boxes of letters may share 2 px across, and a third of
    their height: above and below, a box has room that its figures leave empty."""
    told = look(programs.BOXES, width)
    assert (told["over"], told["cut"]) == ([], [])
    assert told["seen"] > 50


def test_no_request_leaves_the_page(look, page):
    """The page names nothing outside itself, and a browser that may ask for everything asks for
    nothing (Resource Timing, W3C: every fetched resource would be an entry)."""
    assert look(programs.REQUESTS) == []
    text = page.read_text(encoding="utf-8")
    assert re.findall(r"""(?:src|href|srcset|data|poster)=["'](?!#)""", text) == []
    assert re.findall(r"url\(|@import|<script|javascript:", text) == []
    assert "default-src 'none'" in text


def test_the_page_follows_the_dark_setting_and_is_legible_in_both(look):
    """Paper and ink change places; text reaches 4.5 to 1 and lines 3 to 1 in both (WCAG 2.2,
    success criteria 1.4.3 and 1.4.11; its formula of relative luminance)."""
    light = look(programs.COLOURS)
    dark = look(programs.COLOURS, 1280, DARK)
    assert luminance(light["paper"]) > 0.9
    assert luminance(dark["paper"]) < 0.05
    for colours in (light, dark):
        for name in ("ink", "soft"):
            assert contrast(colours[name], colours["paper"]) >= 4.5
        for word in ("yes", "no", "maybe", "other", "loud"):
            assert contrast(colours[word], colours[f"{word}-wash"]) >= 4.5
            assert contrast(colours[word], colours["paper"]) >= 4.5
        for line in ("s0", "s1", "s2", "s3", "s4", "s5", "limit"):
            for ground in ("paper", "charge", "discharge"):
                assert contrast(colours[line], colours[ground]) >= 3.0


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` (WCAG 2.2)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_is_the_published_one():
    """Black on white is 21 to 1; #767676 on white is the well-known 4.54 to 1 (WCAG techniques,
    memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_the_dark_picture_is_dark_and_the_light_one_light(page, tmp_path):
    """Screenshots, looked at pixel by pixel: the ground, and something on it."""
    light = grey(browser.picture_of(page, tmp_path, "light.png"))
    dark = grey(browser.picture_of(page, tmp_path, "dark.png", DARK))
    assert sorted(light)[len(light) // 2] > 240
    assert sorted(dark)[len(dark) // 2] < 40
    assert min(light) < 60
    assert max(dark) > 200


def grey(png: Path) -> list[int]:
    """One value for every 25th pixel of an 8-bit RGB(A) PNG (ISO/IEC 15948; filters undone)."""
    raw = png.read_bytes()
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, depth, kind = struct.unpack(">IIBB", raw[16:26])
    assert depth == 8
    size = {2: 3, 6: 4}[kind]
    data, at = b"", 8
    while at < len(raw):
        (length,) = struct.unpack(">I", raw[at : at + 4])
        data += raw[at + 8 : at + 8 + length] if raw[at + 4 : at + 8] == b"IDAT" else b""
        at += length + 12
    return unfiltered(zlib.decompress(data), width, height, size)


def unfiltered(data: bytes, width: int, height: int, size: int) -> list[int]:
    """The green of every 25th pixel of every 5th row."""
    stride, last, seen = width * size, bytearray(width * size), []
    for row in range(height):
        filtered = data[row * (stride + 1)]
        line = bytearray(data[row * (stride + 1) + 1 : (row + 1) * (stride + 1)])
        for i in range(stride) if filtered else ():
            left, up = (line[i - size] if i >= size else 0), last[i]
            corner = last[i - size] if i >= size else 0
            guess = left + up - corner
            nearest = min((left, up, corner), key=lambda one: abs(guess - one))
            line[i] = line[i] + (0, left, up, (left + up) // 2, nearest)[filtered] & 255
        last = line
        seen += [line[i * size + 1] for i in range(0, width, 25)] if row % 5 == 0 else []
    return seen


def test_it_prints_as_pages_on_white_paper(page, tmp_path):
    """A PDF of A4 pages with text in it, in light colours also on a dark screen's computer."""
    pdf = browser.printed(page, tmp_path).read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert 2 <= len(re.findall(rb"/Type\s*/Page[^s]", pdf)) <= 25
    # A4 is 210 mm by 297 mm (ISO 216): 595 by 842 points.
    width, height = map(float, re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)[0])
    assert (round(width), round(height)) == (595, 842)
    assert b"/Font" in pdf
