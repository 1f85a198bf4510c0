"""``bench try`` on a served bench: what a person reads, and the exit code."""

import socketserver
import threading

import pytest

from sequencer.cli import main
from tests.cli.places import ROOT
from tests.drivers.mistakes import FarEnd

BENCH = ROOT / "sim_configs/benches/resistor.yaml"


def test_an_instrument_that_fits_ends_with_0_and_says_so(capsys):
    """With its output, joined to nothing: the contact of that bench is open."""
    assert main(["bench", "try", str(BENCH), "supply", "--outputs", "--yes"]) == 0
    out = capsys.readouterr().out
    assert "no cell" in out
    assert out.count("\nfits: ") > 30
    assert "as its definition says" in out.splitlines()[-1]


@pytest.mark.parametrize("name", ["load", "meter"])
def test_what_was_joined_to_nothing_is_said_to_be_untried(name, capsys):
    """A sign or a scale that a load or a meter has wrong is seen with a source alone."""
    assert main(["bench", "try", str(BENCH), name]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert "no scale and no sign of what it reads was tried" in last
    assert "--source" in last


@pytest.fixture(params=["generic-scpi-supply"])
def far_end(request):
    """The address of a supply on a resistor, written apart from the dialects (or what a test asks
    for in its place)."""
    one = FarEnd(request.param)

    class Answering(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                self.wfile.write(one.respond(line))

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Answering) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield "tcp:{}:{}".format(*server.server_address)
        server.shutdown()


def test_a_mistake_is_shown_with_its_line_and_ends_with_6(tmp_path, capsys, far_end):
    """Milliamperes sent to an instrument that takes amperes: what was sent, what came, where."""
    text = (ROOT / "drivers/definitions/generic-scpi-supply.yaml").read_text(encoding="utf-8")
    right = '    send: "CURR {value}"\n'
    wrong = text.replace("generic-scpi-supply", "mine").replace(
        right, f"{right}    value unit: mA\n"
    )
    (tmp_path / "mine.yaml").write_text(wrong, encoding="utf-8")
    bench = BENCH.read_text(encoding="utf-8").partition("simulation:")[0]
    mine = bench.replace(
        "{ definition: generic-scpi-supply, address: served,",
        f"{{ definition: mine, address: '{far_end}',",
    )
    for port in range(9, 13):
        mine = mine.replace("address: served", f"address: 'tcp:127.0.0.1:{port}'", 1)
    (tmp_path / "bench.yaml").write_text(mine, encoding="utf-8")
    assert main(["bench", "try", str(tmp_path / "bench.yaml"), "supply"]) == 6
    said = capsys.readouterr()
    line = wrong.splitlines().index("    value unit: mA") + 1
    assert "DOES NOT FIT: set current 0.251" in said.out + said.err
    assert "> CURR 251.000" in said.out + said.err
    assert f"mine.yaml:{line}:" in said.out + said.err


@pytest.mark.parametrize("far_end", ["generic-scpi-load"], indirect=True)
@pytest.mark.parametrize(
    ("change", "code"), [("", 0), ("    reversed: [current]", 6), ("    reversed: [voltage]", 6)]
)
def test_a_load_reads_a_source_that_is_known(change, code, tmp_path, capsys, far_end):
    """Joined to nothing, a wrong sign of what it reads could not be seen."""
    text = (ROOT / "drivers/definitions/generic-scpi-load.yaml").read_text(encoding="utf-8")
    text = text.replace("generic-scpi-load", "mine")
    pattern = next(line for line in text.splitlines() if "<voltage>" in line)
    mine = text.replace(pattern, f"{pattern}\n{change}") if change else text
    (tmp_path / "mine.yaml").write_text(mine, encoding="utf-8")
    bench = (
        "bench: one\ninstruments:\n"
        f"  load: {{ definition: mine, address: '{far_end}' }}\n"
        "wiring:\n  discharge: load\n  voltage: { by: load, sense: two-wire }\n"
    )
    (tmp_path / "bench.yaml").write_text(bench, encoding="utf-8")
    words = ["bench", "try", str(tmp_path / "bench.yaml"), "load", "--outputs", "--yes"]
    assert main([*words, "--source", "0.4 V"]) == code
    said = capsys.readouterr()
    assert (" sign " in said.out + said.err) is bool(change)


def test_an_unknown_instrument_is_a_wrong_usage(capsys):
    """Exit 2, with the names that there are."""
    assert main(["bench", "try", str(BENCH), "suply"]) == 2
    assert "did you mean 'supply'?" in capsys.readouterr().err + capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "rule"),
    [
        (["try", str(BENCH), "supply", "--outputs", "--resistor", "ten"], "not a resistance"),
        (["try", str(BENCH), "supply", "--outputs", "--resistor", "1 Ohm"], "at least 10 Ohm"),
        (["try", str(BENCH), "supply", "--resistor", "10 Ohm"], "only with --outputs"),
        (["try", str(BENCH), "load", "--source", "1.5 V"], "from 0.2 V to 0.45 V"),
        (["try", str(BENCH), "supply", "--source", "0.4 V"], "and supply is a supply"),
        (["ask", str(BENCH), "supply", "--log", "/nowhere/asked.log"], "No such file"),
        (["ports", "--ask", "tcp:127.0.0.1:9", "--baud", "0"], "must be at least 1"),
    ],
)
def test_a_wrong_option_is_told_before_anything_is_opened(words, rule, capsys):
    """Exit 2, never a bug of ours."""
    assert main(["bench", *words]) == 2
    said = capsys.readouterr()
    assert rule in said.out + said.err
