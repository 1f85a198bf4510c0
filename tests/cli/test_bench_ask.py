"""``bench ask`` on a served bench: what is sent, what is asked for, what stands in the log."""

import io

import pytest

from sequencer.cli import main
from tests.cli.places import ROOT

BENCH = ROOT / "sim_configs/benches/demonstration.yaml"


@pytest.fixture
def typed(monkeypatch, tmp_path, capsys):
    """Types these lines; what was shown, and the log."""

    def type_in(*lines: str) -> tuple[str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        log = tmp_path / "asked.log"
        assert main(["bench", "ask", str(BENCH), "supply", "--log", str(log)]) == 0
        return capsys.readouterr().out, log.read_text(encoding="utf-8")

    return type_in


def test_names_of_the_definition_are_carried_out_and_logged(typed):
    """A question, a setting with its read-back, the error queue."""
    shown, log = typed("measure", "set voltage 3.3", "errors")
    for text in (shown, log):
        assert "> VOLT 3.300\\n" in text
        assert "read-back 3.3" in text
        assert "voltage 0.0, current 0.0, output False" in text
    assert "ends; off is sent" in log


def test_free_text_is_sent_only_when_the_person_says_yes(typed):
    """Whatever it looks like, also a question."""
    shown, log = typed("VOLT?", "no", "CURR?", "yes")
    assert "> VOLT?" not in log
    assert "> CURR?\\n" in log
    assert shown.count("this may change what it does") == 2


def test_nothing_is_switched_on_by_name(typed):
    """bench try does that, with its limits."""
    _, log = typed("output on", "output off")
    assert "OUTP ON" not in log
    assert "> OUTP OFF\\n" in log


def test_silence_ends_the_session_and_not_the_console(typed):
    """A late answer must not answer the next question."""
    shown, _ = typed("CURR 1.0", "yes", "identity")
    assert "nothing came back" in shown
    assert "it fits the definition: True" in shown
