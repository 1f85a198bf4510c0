"""Instruments that misbehave, before every finding command: who, what was sent, what came back.

The simulators are strangers' (``tests/instruments``), and their own outlets say whether
anything was switched on.
"""

import io

import pytest

from sequencer.cli import main
from tests.instruments.misbehaving import HABITS, bench_with

TYPED = "identity\nmeasure\nset current 0.1\nerrors\nSTRANGE\nno\n"


@pytest.mark.parametrize("habit", HABITS)
def test_a_misbehaving_load_is_named_with_what_was_sent_and_nothing_is_switched_on(
    habit, tmp_path, capsys, monkeypatch
):
    """``bench try`` with its output asked for, ``bench ask`` and ``bench ports --ask``."""
    with bench_with(tmp_path, "load", habit) as (bench, served):
        log = str(tmp_path / "asked.log")
        for words, codes in (
            (["try", str(bench), "load", "--outputs", "--yes"], (6,)),
            (["ask", str(bench), "load", "--log", log], (0,)),
        ):
            monkeypatch.setattr("sys.stdin", io.StringIO(TYPED))
            assert main(["bench", *words]) in codes
            said = "".join(capsys.readouterr())
            assert "load" in said
            assert "> ID?" in said
            assert "Traceback" not in said
            assert said.isprintable() or all(line.isprintable() for line in said.splitlines())
        assert not any(one.was_on for one in served.values())
        assert b"INP ON" not in served["load"].heard


def test_what_stays_silent_is_named_with_what_was_sent(tmp_path, capsys):
    """Opening the whole bench: exit 7, for nobody answers for off, with the question."""
    with bench_with(tmp_path, "load", "nothing") as (bench, served):
        assert main(["bench", "check", str(bench)]) == 7
        said = "".join(capsys.readouterr())
        place = f"{tmp_path / 'brunde-150.yaml'}:7:10"
        sent = r"identity: sent 'ID?\r\n', received nothing, expected (?P<maker>BRUNDE) "
        assert f"load: no reply: nothing within 0.4 s; {place}: {sent}" in said
        assert not any(one.was_on for one in served.values())
