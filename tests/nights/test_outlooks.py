"""What check says of the claims before a night, held against the report of the night itself.

The night's cell is not the one that check supposes: it is made from a truth of its own, so that
what was said before can be wrong.
"""

from functools import cache
from math import isfinite
from pathlib import Path

import pytest

from sequencer.analysis.analyse import analyse
from sequencer.analysis.claims.conformity import Bound
from sequencer.analysis.claims.foreseeing import Outlook
from sequencer.analysis.results import VerdictWord
from sequencer.assembly import analysis_input as gathered
from sequencer.assembly.foreseen import foresee_plan
from sequencer.assembly.rehearsal import rehearse
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import RunOptions, read_run_documents

ROOT = Path(__file__).parents[2]
PROFILE = ROOT / "profiles/overnight-rates.yaml"
CELL = ROOT / "profiles/cells/lamp-pouch.yaml"
SPECIMEN = ROOT / "profiles/specimens/lamp-pouch-07.yaml"
BENCHES = ROOT / "sim_configs/benches"
EDGE = 0.15
"""A value that lies this part of the open range from its end may fall on either side of it: the
range is worked out on a supposed cell."""


def benches(name, folder):
    """The bench as it stands before a night, when nothing is known of the cell but its document;
    and the same with the true cell in it, in the room of 25 degC that is supposed."""
    text = (BENCHES / name).read_text(encoding="utf-8").replace("../", f"{BENCHES.parent}/")
    before, _, simulated = text.partition("\nsimulation:")
    while "address: served" in before:
        last = before.count("address: served")
        address = f"address: TCPIP0::192.0.2.{last}::5025::SOCKET"
        before = before.replace("address: served", address, 1)
    room = next(line for line in simulated.splitlines() if line.strip().startswith("room:"))
    supposed, true = folder / "supposed.yaml", folder / "true.yaml"
    supposed.write_text(before + "\n", encoding="utf-8")
    true.write_text(text.replace(room, "  room: 25 degC"), encoding="utf-8")
    return supposed, true


@cache
def outlooks(supposed, profile=PROFILE):
    """What is said of the claims before a night."""
    before = foresee_plan(read_run_documents(RunOptions(profile, CELL, supposed, SPECIMEN)))
    assert before.untold == ""
    return before.claims


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory):
    """The demonstration bench before a night, and with the true cell in it."""
    return benches("demonstration.yaml", tmp_path_factory.mktemp("demonstration"))


@pytest.fixture(scope="module")
def modest(tmp_path_factory):
    """The modest bench."""
    return benches("modest.yaml", tmp_path_factory.mktemp("modest"))


@pytest.fixture(scope="module", params=["demonstration", "modest"])
def night(request, tmp_path_factory):
    """The outlooks before, and the verdicts of the night on the true cell."""
    run = tmp_path_factory.mktemp("outlook") / "run"
    supposed, true = request.getfixturevalue(request.param)
    went = rehearse(read_run_documents(RunOptions(PROFILE, CELL, true, SPECIMEN)), run)
    assert went.outcome.exit == 0
    return outlooks(supposed), analyse(gathered.tested_from(read_run(run)))


def word_of(outlook, value):
    """The word that was foretold for such a measured value; None near an end of the open range."""
    if outlook.outlook is Outlook.OPEN:
        return VerdictWord.NOT_COMPARABLE
    least = outlook.bound is Bound.LEAST
    ends = (outlook.supported_at, outlook.refuted_at)
    if all(map(isfinite, ends)) and min(abs(value - end) for end in ends) < EDGE * abs(
        ends[0] - ends[1]
    ):
        return None
    if value >= ends[0] if least else value <= ends[0]:
        return VerdictWord.SUPPORTED
    if value <= ends[1] if least else value >= ends[1]:
        return VerdictWord.NOT_SUPPORTED
    return VerdictWord.CANNOT_TELL if all(map(isfinite, ends)) else VerdictWord.NOT_COMPARABLE


def test_the_night_decides_what_was_foretold(night):
    """Every claim, by what the true cell then showed; most of them far enough from an end of the
    open range for that to mean something."""
    before, found = night
    assert [one.number for one in before] == [one.number for one in found.verdicts]
    told = 0
    for outlook, verdict in zip(before, found.verdicts, strict=True):
        expected = word_of(outlook, verdict.measured)
        assert verdict.word is (expected or verdict.word), (outlook, verdict.why)
        told += expected is not None
    assert told >= 8
    assert len({one.outlook for one in before}) >= 2


def test_the_plus_minus_is_what_was_foretold(night):
    """Within a quarter, of every claim that was set beside a measurement; of a resistance within a
    half, for it rests on how fast the true cell answers."""
    before, found = night
    for outlook, verdict in zip(before, found.verdicts, strict=True):
        if not isfinite(outlook.half):
            assert outlook.outlook is Outlook.OPEN
            continue
        figure = found.figure(verdict.figure)
        assert figure is not None
        half = 0.5 * (figure.high - figure.low)
        within = 0.5 if outlook.unit == "Ohm" else 0.25
        assert outlook.half == pytest.approx(half, rel=within), outlook.claim_text


def test_the_change_that_is_told_narrows_what_stays_open(demonstration, tmp_path):
    """A charge down to 0.06 A as told, and the range is as much narrower as was told."""
    text = PROFILE.read_text(encoding="utf-8")
    supposed, _ = demonstration
    longer = tmp_path / "longer.yaml"
    longer.write_text(text.replace("termination current: 0.05 C", "termination current: 0.02 C"))
    before, after = outlooks(supposed)[1], outlooks(supposed, longer)[1]
    assert before.change == "charged until 0.06 A instead of charged until 0.15 A"
    widths = [one.supported_at - one.refuted_at for one in (before, after)]
    assert widths[1] / widths[0] == pytest.approx(before.narrowed, abs=0.1)
    assert after.change != before.change


def test_what_needs_no_measurement_is_said_without_a_bench(tmp_path):
    """An impossible claim is told before anything is rehearsed."""
    cell = tmp_path / "cell.yaml"
    cell.write_text(CELL.read_text(encoding="utf-8").replace("energy: 11.8 Wh", "energy: 99.0 Wh"))
    found = foresee_plan(read_run_documents(RunOptions(PROFILE, cell)))
    assert "no bench" in found.untold
    assert [one.outlook for one in found.claims] == [Outlook.IMPOSSIBLE]
    assert "Wh" in found.claims[0].why
