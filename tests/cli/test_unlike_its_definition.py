"""An instrument that answers otherwise than its definition says: document, line, operation, what
was sent, what came and what was expected, by every command that speaks to instruments.

The bench is served in another process by the definitions that ship; a copy of one is made wrong.
"""

import io

import pytest

from sequencer.cli import main
from tests.cli.places import CELL, ROOT, SHORT
from tests.cli.test_real_addresses import served

SHIPPED = ROOT / "drivers" / "definitions" / "generic-scpi-supply.yaml"
IDENTITY = "(?P<maker>[^,]+),(?P<model>[^,]+)"
ANSWERS = "simulated by nightbench,generic-scpi-supply,SIM-supply,1.0"
MEASURE = "(?P<voltage>[^;]+);(?P<current>[^;]+);(?P<output>[^;]+)"
WRONG = {
    "identity": (
        (IDENTITY, "(?P<maker>[^,]+),(?P<model>XX-[^,]+)"),
        "pattern: '(?P<maker>",
        f"identity: sent '*IDN?\\n', received '{ANSWERS}', expected (?P<maker>[^,]+),(?P<model>XX-",
    ),
    "reading": (
        (MEASURE, "(?P<voltage>[^;]+)V;(?P<current>[^;]+);(?P<output>[^;]+)"),
        "pattern: '(?P<voltage>",
        "measure: sent 'MEAS:VOLT?;:MEAS:CURR?;:OUTP?\\n', received '",
    ),
    "setting": (
        ('query: "VOLT:PROT?"', 'query: "VOLT?"'),
        'query: "VOLT?", tolerance: 20 mV',
        "set over-voltage: sent 'VOLT:PROT 4.",
    ),
}
"""What is wrong in the definition; what stands in its line; what must be said of the exchange."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """The bench of others, with a definition of one's own for its supply."""
    place = tmp_path_factory.mktemp("bench")
    with served(place) as path:
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("generic-scpi-supply", "my-supply", 1), encoding="utf-8")
        yield path


def spoil(bench, which):
    """The definition with one thing wrong; where it is told, and what must be said there."""
    (old, new), inside, said = WRONG[which]
    text = SHIPPED.read_text(encoding="utf-8").replace("generic-scpi-supply", "my-supply")
    assert text.count(old) == 1
    path = bench.parent / "my-supply.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    lines = path.read_text(encoding="utf-8").splitlines()
    (line,) = [number for number, one in enumerate(lines, 1) if inside in one]
    return f"{path}:{line}:", said


def told(words, capsys, monkeypatch, typed=""):
    """What a command says on both outputs."""
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    main([str(word) for word in words])
    return "".join(capsys.readouterr())


def check_said(text, place, said):
    """Both in one line, and nothing that a terminal would obey."""
    assert any(place in one and said in one for one in text.splitlines()), text
    assert all(one.isprintable() for one in text.replace("\a", "").splitlines())


def test_bench_check_names_the_line(bench, capsys, monkeypatch):
    """Before anything is energised. (Some seconds: off is proven by fresh sessions.)"""
    place, said = spoil(bench, "identity")
    check_said(told(["bench", "check", bench], capsys, monkeypatch), place, said)


@pytest.mark.parametrize("which", WRONG)
def test_bench_ask_names_the_line(which, bench, capsys, monkeypatch, tmp_path):
    """Of the operation that is typed by its name."""
    place, said = spoil(bench, which)
    typed = "identity\nmeasure\nset over-voltage 4.5\n\n"
    asked = ["bench", "ask", bench, "supply", "--log", tmp_path / "log"]
    check_said(told(asked, capsys, monkeypatch, typed), place, said)


def test_a_run_names_the_line(bench, capsys, monkeypatch, tmp_path):
    """Of the first setting, before anything is energised. (Some seconds: it is a whole run.)"""
    place, said = spoil(bench, "setting")
    profile = tmp_path / "short.yaml"
    profile.write_text(SHORT, encoding="utf-8")
    named = [profile, "--cell", CELL, "--bench", bench, "--folder", tmp_path / "run"]
    text = told(["run", *named, "--yes", "--attended", "--no-screen"], capsys, monkeypatch)
    check_said(text, place, said)
