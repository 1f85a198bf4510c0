"""``init --ask``: every answer is judged where it is given, and what is given up leaves nothing."""

import io
import shutil
import sys
from pathlib import Path

import pexpect
import pytest

from tests.cli.places import ROOT

CELL = ROOT / "profiles/cells/lamp-pouch.yaml"
DEFINITIONS = ROOT / "drivers/definitions"
WHOLE = {
    "called": "my bench",
    "What charges": "generic-scpi-supply-full",
    "over-voltage protection": "yes",
    "What discharges": "generic-scpi-load-words",
    "What meter": "generic-scpi-multimeter",
    "What ammeter": "nothing",
    "What reads temperatures": "generic-line-thermometer",
    "What parts": "generic-line-contactor",
    "Where does": "tcp:192.0.2.1:5025",
    "serial number": "",
    "negative terminal": "isolated",
    "Modbus unit": "",
    "Which channel of it": "2",
    "does the ammeter sit": "positive",
    "least resistance of any negative": "",
    "On which day": "2026-10-03",
    "By whom": "E. Example",
    "What element": "{type: Pt100, class: B, wires: 4}",
    "In which lead": "positive",
    "wires of the meter": "yes",
    "Resistance": "40 mOhm",
    "joined at their terminals": "no",
    "sense wires": "no",
    "sensor on the cell's surface": "1",
    "sensor on a tab": "",
    "sensor in the room": "2",
    "stay": "yes",
}
"""A part of each question, and its answer; addresses are counted up."""


SELDOM = {
    "Modbus unit", "Which channel of it", "does the ammeter sit", "On which day", "By whom",
    "least resistance of any negative", "What element",
}  # fmt: skip
"""What is not asked of that bench."""
MOST_ASKED = 100
"""No dialogue has so many questions: one that does goes round in a circle."""


class Person(io.StringIO):
    """Answers what was asked last; a list is answered one by one, the last one again and again."""

    def __init__(self, answers, shown):
        super().__init__()
        self.answers, self.shown, self.count = dict(answers), shown, 0
        self.asked = 0

    def readline(self, *_):
        """The answer to what stands last on the screen."""
        question = self.shown()
        self.asked += 1
        assert self.asked < MOST_ASKED, f"asked for ever: {question}"
        given = next(said for part, said in self.answers.items() if part in question)
        if isinstance(given, list):
            given = given.pop(0) if len(given) > 1 else given[0]
        if given is None:
            return ""
        if given == WHOLE["Where does"]:
            self.count += 1
            given = given.replace(".1:", f".{self.count}:")
        return f"{given}\n"


@pytest.fixture
def init(tmp_path, monkeypatch, capsys):
    """Carries ``init --ask`` out with these answers beside those above."""
    from sequencer.cli import main

    monkeypatch.chdir(tmp_path)
    kept = []

    def shown():
        kept.append(capsys.readouterr().out)
        return kept[-1].splitlines()[-1]

    def carry_out(**changed):
        person = Person(WHOLE | {key.replace("_", " "): one for key, one in changed.items()}, shown)
        monkeypatch.setattr(sys, "stdin", person)
        code = main(["init", "mine", "--ask"])
        rest = capsys.readouterr()
        return code, "".join(kept) + rest.out + rest.err

    return carry_out


def test_the_bench_that_was_described_is_one_that_check_takes(init, ask, tmp_path, short):
    """Every line that says something has a word of what it is."""
    code, said = init()
    assert code == 0, said
    bench = tmp_path / "mine/my-desk.yaml"
    lines = bench.read_text(encoding="utf-8").splitlines()
    assert 'bench: "my bench"' in lines
    assert all("#" in line for line in lines[3:] if line.startswith("  "))
    assert "--attended" in said
    checked = ask("check", short, "--cell", CELL, "--bench", bench)
    assert checked.exit == 0, checked.err
    assert "schemas/bench.schema.json" in lines[0]


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"What_charges": ["generic-scpi-load", "1"]}, "is a load"),
        ({"What_charges": ["generic-scpi-suply", "1"]}, "did you mean 'generic-scpi-supply'"),
        ({"Where_does": ["nowhere", WHOLE["Where does"]]}, "is no instrument address"),
        (
            {"Where_does": ["tcp:192.0.2.9:5025"] * 2 + [WHOLE["Where does"]]},
            "is the address of supply",
        ),
        ({"Resistance": ["40", "40 mOhm"]}, "no unit: a resistance needs one"),
        ({"Resistance": ["-1 mOhm", "40 mOhm"]}, "must not be negative"),
        ({"sensor_in_the_room": ["1", "2"]}, "is another sensor's reading already"),
        ({"negative_terminal": ["floating", "isolated"]}, "'floating'"),
        ({"In_which_lead": ["upper", "positive"]}, "'upper'"),
        ({"joined_at_their_terminals": ["perhaps", "no"]}, "'perhaps' is neither yes nor no"),
        (
            {"over-voltage_protection": ["no", "yes"]},
            "write 'over-voltage protection: no' among its traits",
        ),
        (
            {"What_charges": "nothing", "What_discharges": ["nothing", "1"]},
            "neither a supply nor a load",
        ),
        (
            {"sensor_on_the_cell's_surface": ["", "1"], "sensor_in_the_room": ["", "2"]},
            "a thermometer without a sensor",
        ),
    ],
)
def test_nonsense_is_refused_at_its_question(init, changed, rule):
    """With the rule; then it is asked again, and the bench is whole."""
    code, said = init(**changed)
    assert code == 0, said
    assert rule in next(line for line in said.splitlines() if "refused: " in line)


def test_a_definition_of_ones_own_is_kept_with_the_bench(init, tmp_path):
    """Its faults are told at the question; what does not say who it is has a person beside it."""
    text = (DEFINITIONS / "generic-scpi-supply.yaml").read_text(encoding="utf-8")
    mine = text.replace("generic-scpi-supply", "my-supply")
    (tmp_path / "wrong.yaml").write_text(mine.replace("OUTP OFF", "OUTP OF", 1), encoding="utf-8")
    pattern = next(line for line in mine.splitlines() if "<maker>" in line)
    unsaid = mine.replace(pattern, "  pattern: '.+'\n  tells: nothing")
    (tmp_path / "mine.yaml").write_text(unsaid, encoding="utf-8")
    code, said = init(What_charges=["wrong.yaml", "mine.yaml"], stay=["no", "yes"])
    assert code == 0, said
    assert "wrong.yaml:" in said
    assert "first safe command must be the one of output off" in said
    assert "refused: a person stays with every run: supply does not say which one it is" in said
    assert (tmp_path / "mine/definitions/my-supply.yaml").is_file()
    assert "definition: my-supply" in (tmp_path / "mine/my-desk.yaml").read_text(encoding="utf-8")


def test_what_speaks_modbus_is_asked_for_its_unit(init, tmp_path):
    """One that cannot be is refused by the same rule as in the document."""
    code, said = init(What_charges="generic-modbus-supply", Modbus_unit=["300", "7"])
    assert code == 0, said
    assert "refused: channel '300'" in said
    assert 'channel: "7"' in (tmp_path / "mine/my-desk.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize("where", [one for one in WHOLE if one not in SELDOM])
def test_an_end_of_file_leaves_nothing(init, where, tmp_path):
    """Whatever was asked last: exit 2."""
    code, said = init(**{where: None})
    assert code == 2
    assert "nothing was written" in said
    assert not (tmp_path / "mine").exists()


def test_a_folder_that_cannot_be_filled_is_left_as_it_was(ask, tmp_path, monkeypatch):
    """Also without questions: nothing half-copied stays."""

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    told = ask("init", tmp_path / "mine")
    assert (told.exit, "cannot be written" in told.err) == (2, True)
    assert not (tmp_path / "mine").exists()


def test_on_a_terminal_ctrl_c_leaves_nothing(tmp_path: Path):
    """Exit 4, and the next try is whole."""
    words = ["-m", "sequencer.cli", "init", str(tmp_path / "mine"), "--ask"]
    terminal = pexpect.spawn(
        sys.executable, words, cwd=str(ROOT), encoding="utf-8", timeout=30, dimensions=(40, 200)
    )
    terminal.expect("called")
    terminal.sendline("my desk")
    terminal.expect("What charges")
    terminal.sendline("1")
    terminal.expect("protection")
    terminal.sendcontrol("c")
    terminal.expect("interrupted")
    terminal.expect(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 4
    assert not (tmp_path / "mine").exists()


def test_the_questions_are_told_beforehand(init, ask):
    """In the help, and before the first; what is asked then is one of them."""
    shown = ask("init", "--help").out
    listed = shown.partition("--ask asks, and judges each answer at once:\n")[2].splitlines()
    assert len(listed) >= 20
    _, said = init()
    head = said.partition("every answer ends with Enter")[0]
    assert head.splitlines()[1:] == listed
    elsewhere = ("sensor on a tab", "sensor in the room")
    known = [part for part in WHOLE if part not in elsewhere]
    assert [part for part in known if not any(part in line for line in listed)] == []


AMMETER = """\
  measure current:
    query: "MEAS:CURR?"
    pattern: '(?P<current>[^;,]+)'
traits:
"""
RANGE = """\
capabilities:
  measure current:
    source: an invented sheet
    ranges: [{low: -3 A, high: 3 A, resolution: 10 uA, accuracy: {of reading: 0.1 %}}]
"""


def own_ammeter(place):
    """A multimeter that reads a current too, in a file of one's own."""
    text = (DEFINITIONS / "generic-scpi-multimeter.yaml").read_text(encoding="utf-8")
    assert text.count("traits:\n") == 1
    text = text.replace("generic-scpi-multimeter", "my-ammeter").replace("traits:\n", AMMETER)
    (place / "no-range.yaml").write_text(text, encoding="utf-8")
    assert text.count("capabilities:\n") == 1
    text = text.replace("capabilities:\n", RANGE)
    (place / "mine.yaml").write_text(text, encoding="utf-8")


def test_an_ammeter_is_asked_for_with_its_lead_and_the_isolation(init, ask, tmp_path, short):
    """What reads no current is none; a lead that shorts the cell, and a day that is none, are told
    at once."""
    own_ammeter(tmp_path)
    code, said = init(
        What_ammeter=["generic-scpi-multimeter", "no-range.yaml", "mine.yaml"],
        negative_terminal=["earth", "isolated", "isolated", "earth"],
        does_the_ammeter_sit=["positive", "negative"],
        least_resistance_of_any_negative=["20", "20 MOhm"],
        On_which_day=["last week", "2026-10-03"],
    )
    assert code == 0, said
    assert "refused: generic-scpi-multimeter does not measure current" in said
    assert "refused: no-range.yaml does not measure current (no-range.yaml:" in said
    assert "refused: negative 'earth': shorts the cell" in said
    assert "refused: resistance '20': no unit" in said
    assert "refused: on 'last week'" in said
    bench = tmp_path / "mine/my-desk.yaml"
    text = bench.read_text(encoding="utf-8")
    assert 'current: { by: ammeter, lead: "negative" }' in text
    assert 'by: "E. Example"' in text
    assert ask("check", short, "--cell", CELL, "--bench", bench).exit == 0


def test_an_ammeter_that_no_lead_suits_is_left_out(init, tmp_path):
    """On earth beside others on earth it would short the cell, or read a part of the current."""
    own_ammeter(tmp_path)
    code, said = init(
        What_ammeter="mine.yaml",
        negative_terminal="earth",
        does_the_ammeter_sit=["positive", "negative", "nothing"],
    )
    assert code == 0, said
    assert said.count("refused:") == 2
    assert "current:" not in (tmp_path / "mine/my-desk.yaml").read_text(encoding="utf-8")


def test_channels_of_one_box_are_asked_for_before_its_address(init, tmp_path):
    """A number that is none is told at its question."""
    code, said = init(What_charges="generic-scpi-supply-selected", Which_channel_of_it=["two", "2"])
    assert code == 0, said
    assert "refused: channel 'two'" in said
    assert 'channel: "2"' in (tmp_path / "mine/my-desk.yaml").read_text(encoding="utf-8")


def test_what_is_read_in_ohms_is_asked_for_its_element(init, ask, tmp_path, short):
    """And a class that there is not is told at once."""
    code, said = init(
        What_reads_temperatures="generic-scpi-ohmmeter",
        What_element=["{type: Pt100, class: X, wires: 4}", "{type: Pt100, class: B, wires: 4}"],
        sensor_on_the_cell=["yes"],
    )
    assert code == 0, said
    assert "refused: class 'X'" in said
    bench = tmp_path / "mine/my-desk.yaml"
    assert ask("check", short, "--cell", CELL, "--bench", bench).exit == 0


def test_a_meter_that_reads_no_current_is_no_ammeter(ask, tmp_path, short):
    """In a document that a person wrote, too: a run would have met it."""
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        "bench: a\ninstruments:\n"
        '  supply: {definition: generic-scpi-supply, address: "tcp:192.0.2.1:1"}\n'
        '  amperes: {definition: generic-scpi-multimeter, address: "tcp:192.0.2.2:1"}\n'
        "wiring:\n  charge: supply\n  voltage: {by: supply}\n  current: {by: amperes}\n",
        encoding="utf-8",
    )
    told = ask("check", short, "--cell", CELL, "--bench", bench)
    assert told.exit == 2
    assert f"{bench}:8:17: wiring current names amperes, which does not measure current" in told.err
