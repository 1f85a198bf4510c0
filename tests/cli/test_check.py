"""``check`` and ``rehearse`` on a bench that sees no warmth: warnings first, no limit claimed."""

from pathlib import Path

import pytest

from tests.cli.places import BENCH as DEMONSTRATION
from tests.cli.places import CELL, ROOT, SHORT

KEYS = ("charge current", "charge voltage", "cut-off voltage")
BENCH = """\
bench: no sensor
instruments:
  supply: {{definition: generic-scpi-supply, address: served}}
  load: {{definition: generic-scpi-load, address: served}}
  meter: {{definition: generic-scpi-multimeter, address: served}}
wiring:
  charge: supply
  discharge: load
  lead resistance: 40 mOhm
  voltage: {{by: meter, sense: four-wire}}
simulation: {{cell: {cell}, state of charge: 30 %, room: 23 degC, seed: 3}}
"""


@pytest.fixture
def named(tmp_path: Path) -> list[object]:
    """Profile, cell and bench as words; the cell's currents do not depend on its temperature."""
    text = CELL.read_text(encoding="utf-8")
    table, claims = text.index("current limits:"), text.index("claims:")
    cell = ROOT / "sim_configs" / "cells" / "lamp-pouch-truth.yaml"
    for name, document in (
        ("short", SHORT),
        ("cell", text[:table] + text[claims:]),
        ("bench", BENCH.format(cell=cell)),
    ):
        (tmp_path / f"{name}.yaml").write_text(document, encoding="utf-8")
    place = tmp_path
    return [place / "short.yaml", "--cell", place / "cell.yaml", "--bench", place / "bench.yaml"]


def test_what_cannot_be_done_comes_first(ask, named):
    """After the verdict: cannot, barely, why a person must stay; then the steps. Exit 0."""
    told = ask("check", *named)
    lines = told.out.splitlines()
    first = next(n for n, line in enumerate(lines) if line.startswith("1. "))
    kinds = [line.split(":")[0] for line in lines[1:first]]
    assert told.exit == 0
    assert lines[0].startswith("Short: 3 steps for Lamp pouch 3 Ah; NOT all can be done or seen")
    assert lines[0].endswith("; a person must stay")
    assert kinds[0] == "cannot"
    assert list(dict.fromkeys(kinds)) == ["cannot", "can barely", "for attended use"]
    assert not any(line.startswith(("cannot", "can barely", "for att")) for line in lines[first:])
    assert any(line.startswith("can: ") for line in lines[first:])
    assert ask("check", *named, "--json").data["warnings"] == lines[1:first]


def test_the_purpose_of_a_profile_is_said(ask, named):
    """After the verdict, and as data; nothing where the author states none."""
    assert "\npurpose" not in ask("check", *named).out
    path = Path(str(named[0]))
    path.write_text(f"{path.read_text(encoding='utf-8')}purpose: is it alive\n", encoding="utf-8")
    assert ask("check", *named).out.splitlines()[1] == "purpose: is it alive"
    assert ask("check", *named, "--json").data["purpose"] == "is it alive"


def test_a_definition_that_nobody_tried_is_named(ask, named):
    """``simulated`` is enough for a simulated bench, not for a real one; ``untested`` for none."""
    bench = Path(str(named[-1]))
    shipped = ROOT / "drivers" / "definitions" / "generic-scpi-multimeter.yaml"
    text, said = shipped.read_text(encoding="utf-8"), "'verified: untested': compare what it reads"
    untested = text.replace("verified: simulated", "verified: untested")
    (bench.parent / "meter.yaml").write_text(untested, encoding="utf-8")
    real = bench.read_text(encoding="utf-8").partition("simulation:")[0]
    real = real.replace("multimeter, address: served", "multimeter, address: serial:/dev/ttyUSB0")
    for name in ("supply", "load"):
        address = f"tcp:192.0.2.1:{len(name)}"
        real = real.replace(f"-{name}, address: served", f"-{name}, address: '{address}'")
    served = bench.read_text(encoding="utf-8")
    assert "verified" not in ask("check", *named).out
    bench.write_text(served.replace("generic-scpi-multimeter", "./meter.yaml"), encoding="utf-8")
    (warned,) = [one for one in ask("check", *named).out.splitlines() if "verified" in one]
    assert warned.startswith("note: meter: its definition generic-scpi-multimeter says " + said)
    bench.write_text(real, encoding="utf-8")
    warned = [one for one in ask("check", *named).out.splitlines() if "verified" in one]
    assert [one.split(": ")[1] for one in warned] == ["supply", "load", "meter"]
    bench.write_text(real, encoding="utf-8")
    tried = text.replace("verified: simulated", "verified: on hardware")
    (bench.parent / "meter.yaml").write_text(tried, encoding="utf-8")
    bench.write_text(real.replace("generic-scpi-multimeter", "./meter.yaml"), encoding="utf-8")
    warned = [one for one in ask("check", *named).out.splitlines() if "verified" in one]
    assert [one.split(": ")[1] for one in warned] == ["supply", "load"]


def test_no_limit_on_temperature_is_claimed(ask, named):
    """One warning that it is not watched; neither the limits nor the steps name one."""
    out = ask("check", *named).out
    assert "its temperature is not watched, and no limit on it holds" in out.splitlines()[1]
    assert "degC" not in out
    assert "  temperature: not watched on this bench, because no sensor sits on the cell" in out
    told = ask("rehearse", *named).out.splitlines()
    headrooms = [line for line in told if line.startswith("   headroom: ")]
    assert len(headrooms) == 3
    assert all(line.endswith(", temperature not watched on this bench") for line in headrooms)


SMALL = """\
profile: Small currents
steps:
  - {{step: rest, for: 5 s}}
  - {{step: discharge, current: {}, cut-off voltage: recommended, for: 30 s}}
"""


@pytest.mark.parametrize(("amps", "possible"), [("26 mA", True), ("34 mA", True), ("2 mA", False)])
def test_a_small_discharge_is_done_or_said_to_be_too_small(ask, tmp_path, amps, possible):
    """What ``check`` does not call impossible does not end as an open circuit; what does is said
    beforehand, with the smallest current that the bench tells from none."""
    profile = tmp_path / "small.yaml"
    profile.write_text(SMALL.format(amps), encoding="utf-8")
    named = [profile, "--cell", CELL, "--bench", DEMONSTRATION]
    warned = [one for one in ask("check", *named, "--json").data["warnings"] if "open circ" in one]
    told = ask("rehearse", *named)
    if possible:
        assert (told.exit, warned) == (0, []), told.out
    else:
        assert told.exit == 6
        assert "circuit open" in told.out
        assert "Command 20.0 mA or more" in warned[0]


def test_values_that_the_cell_document_gives_are_said_with_their_lines(ask, named):
    """Result and source of each, also as data; the cell takes 0.7 C of 3 Ah, and 4.20 V."""
    path, cell = Path(str(named[0])), Path(str(named[2]))
    text = path.read_text(encoding="utf-8")
    text = text.replace("current: 0.5 C", "current: 50 % of recommended", 1)
    path.write_text(text.replace("voltage: rec", "voltage: recommended less 50 mV #", 1))
    lines = cell.read_text(encoding="utf-8").splitlines()
    at = {key: 1 + next(n for n, line in enumerate(lines) if f"  {key}:" in line) for key in KEYS}
    told = ask("check", *named)
    assert [line for line in told.out.splitlines() if f" ({cell}:" in line] == [
        f"  {path}:10: current '50 % of recommended' is 1.05 A ({cell}:{at['charge current']})",
        f"  {path}:11: voltage 'recommended less 50 mV' is 4.150 V ({cell}:{at['charge voltage']})",
        f"  {path}:16: cut-off voltage 'recommended' is 3.000 V ({cell}:{at['cut-off voltage']})",
    ]
    values = ask("check", *named, "--json").data["values"]
    assert [one["value"] for one in values] == ["1.05 A", "4.150 V", "3.000 V"]
    assert values[0]["source"] == f"{cell}:{at['charge current']}"


def test_a_load_whose_sign_is_wrong_is_proven_off_at_once(ask, tmp_path):
    """The sign trips the run; no voltage then looks as if it stepped the wrong way, so that the
    first line does not say *not proven off* of outputs that are."""
    fault = tmp_path / "sign.yaml"
    fault.write_text(
        "fault: it counts what it takes as negative\nkind: reversed sign\nreading: load current\n",
        encoding="utf-8",
    )
    modest = ROOT / "sim_configs/benches/modest.yaml"
    profile = tmp_path / "short.yaml"
    rest = "  - step: discharge\n    current: 0.5 C\n    for: 60 s\n"
    profile.write_text(SHORT.partition("  - step: charge")[0] + rest, encoding="utf-8")
    told = ask("rehearse", profile, "--cell", CELL, "--bench", modest, "--fault", fault)
    assert "first cause: current sign: current +1.50" in told.out + told.err
    assert "NOT PROVEN" not in told.out + told.err
    assert told.exit == 5


def test_limits_that_follow_by_a_stated_margin_are_told_as_such(ask, named):
    """4.20 + 0.05 and 3.00 - 0.05 V; the maker gave one set of numbers, and nothing is made up."""
    cell = named[2]
    text = cell.read_text(encoding="utf-8")
    stated = text[text.index("absolute:") : text.index("storage voltage")]
    assert "one set of numbers" not in ask("check", *named).out
    sheet = "limits from: {document: data sheet, page: 3}\nabsolute margin: 50 mV\n"
    text = text[: text.index("claims:")].replace(stated, sheet)
    cell.write_text(text, encoding="utf-8")
    out = ask("check", *named).out
    assert "limits throughout: 2.950 V to 4.250 V\n  the maker gives one set of numbers: the" in out
    assert "lie 50 mV beyond the recommended ones, as 'absolute margin' says;" in out
