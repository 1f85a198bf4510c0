"""A rehearsed residual discharge: what remains against the truth of the twin, apart from headlines.
A run that stops before the recharge says first what a person must do; a later one has the mark."""

import json
import shutil
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import yaml
from scipy.optimize import brentq

from drivers.simulated.twin import TwinBench
from sequencer import execution_ahead
from sequencer.assembly.summing import sum_up
from sequencer.cli import main
from sequencer.recording.below_recommended import KEY
from sequencer.recording.run import read_run
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.run_documents.specimen_history import earlier_residual_discharges
from tests.nights.test_relaxed import ended

ROOT = Path(__file__).parents[2]
AH = 2.85
STEP = "- {step: residual discharge, current: 0.05 C, cut-off voltage: 3.02 V, rest: 5 min"
STEP += ", recharge current: 0.1 C"
OPEN = "fault: a lead comes off\nkind: open lead\nat: {} s\n"


def written(place: Path) -> Path:
    """The demonstration pouch nearly empty, two recommended cut-offs above its true end, and little
    to recharge."""
    changed = {
        "cell.yaml": ("profiles/cells/lamp-pouch", "cut-off voltage: 3.00 V", ""),
        "bench.yaml": ("sim_configs/benches/demonstration", "charge: 30 %", "charge: 8 %"),
    }
    two = "cut-off voltage: [{voltage: 3.45 V}, {voltage: 3.30 V, up to: 0.2 C}]"
    for name, (of, old, new) in changed.items():
        text = (ROOT / f"{of}.yaml").read_text(encoding="utf-8")
        assert old in text
        text = text.replace(old, new or two, 1)
        text = text.replace("../cells", f"{ROOT}/sim_configs/cells")
        text = text.replace("storage voltage: 3.80 V", "storage voltage: 3.47 V")
        (place / name).write_text(text, encoding="utf-8")
    (place / "profile.yaml").write_text(f"profile: low\nsteps:\n{STEP}}}\n", encoding="utf-8")
    return place


@pytest.fixture
def place(tmp_path):
    """Its documents."""
    return written(tmp_path)


class Night(NamedTuple):
    """A whole one: its place, and the true charge in the cell (Ah) at every tick."""

    place: Path
    truth: dict[int, float]


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Rehearsed tick by tick, so that every one is looked at."""
    truth: dict[int, float] = {}
    read = TwinBench.read

    def told(self: TwinBench, at_ns: int, late_ns: int, period_ns: int):
        made = read(self, at_ns, late_ns, period_ns)
        truth[made.at_ns] = self.bench.cell.state_of_charge * AH
        return made

    place = written(tmp_path_factory.mktemp("residual"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(execution_ahead, "times_ahead", lambda *_: range(0))
        patch.setattr(TwinBench, "read", told)
        assert rehearsed(place) == 0
    return Night(place, truth)


def documents(place: Path) -> list[str]:
    """As on the command line."""
    given = [f"{place}/profile.yaml", "--cell", f"{place}/cell.yaml"]
    specimen = ROOT / "profiles/specimens/lamp-pouch-07.yaml"
    return [*given, "--bench", f"{place}/bench.yaml", "--specimen", str(specimen)]


def rehearsed(place: Path, *more: str) -> int:
    """Its exit code; the record is in ``run``."""
    return main(["rehearse", *documents(place), "--folder", f"{place}/run", *more])


def test_what_remains_is_told_apart_and_the_truth_lies_within(night, capsys):
    """By the state of charge of the twin at both ends of the step."""
    began_ns, ended_ns, how = ended(night.place / "run", 2)
    assert how == "voltage at or below 3.020 V"
    main(["report", f"{night.place}/run", "--json"])
    report = json.loads(capsys.readouterr().out)
    figures = {one["key"]: one for one in report["figures"]}
    remains = figures["residual.capacity.2"]
    true_ah = night.truth[began_ns] - night.truth[ended_ns]
    assert 0.1 < true_ah < 0.2
    assert abs(remains["value"] - true_ah) <= 1.96 * remains["standard_uncertainty"]
    assert remains["standard_uncertainty"] < 0.02 * true_ah
    assert remains["label"] == (
        "Charge that remains below the recommended cut-off down to 3.02 V, apart"
    )
    assert abs(remains["value"] - between_true_voltages()) <= 1.96 * remains["standard_uncertainty"]
    assert not any(one["headline"] for one in figures.values() if "capacity" in one["key"])
    assert report[KEY]["is_recharged"]
    assert report[KEY]["lowest_v"] == pytest.approx(3.02, abs=0.002)


def between_true_voltages() -> float:
    """Charge (Ah) between 3.30 V and 3.02 V at 0.05 C, from outside the product: the numbers of the
    cell's own document in the equations of the common reference cell (R = R25 x (1 + b (2s - 1)^2)
    x Arrhenius, all branches settled), solved by SciPy's brentq at the 22 degC of the room."""
    path = ROOT / "sim_configs/cells/lamp-pouch-truth.yaml"
    cell = yaml.safe_load(path.read_text(encoding="utf-8"))

    def number(text: str) -> float:
        value, unit = text.split()
        return float(value) * {"mOhm": 1e-3, "kJ/mol": 1e3, "%": 1e-2, "V": 1.0}[unit]

    at, volts = ([number(one[key]) for one in cell["open-circuit"]] for key in ("at", "voltage"))

    def closed_v(share: float) -> float:
        drop_v = 0.0
        for one in (cell["ohmic"], *cell["branches"]):
            warm = np.exp(number(one["activation energy"]) / 8.314 * (1 / 295.15 - 1 / 298.15))
            bent = 1.0 + one["bend"] * (2.0 * share - 1.0) ** 2
            drop_v += 0.15 * number(one["resistance"]) * bent * warm
        return float(np.interp(share, at, volts)) - drop_v

    high, low = (brentq(lambda s, v=v: closed_v(s) - v, 0.0, 0.2) for v in (3.30, 3.02))
    return (high - low) * AH


def test_the_recharge_begins_in_time_and_reaches_the_storage_voltage(night):
    """5 min of rest, and a proof of off before the supply is on."""
    place = night.place
    _, low_ns, _ = ended(place / "run", 2)
    began_ns, _, how = ended(place / "run", 4)
    assert 300 <= (began_ns - low_ns) / 1e9 < 330
    assert how.startswith("termination current")
    assert main(["replay", f"{place}/run"]) == 0


@pytest.mark.parametrize(
    ("at_s", "words"), [(4500, "it was not recharged"), (5700, "its recharge was broken off")]
)
def test_a_run_that_stops_low_says_first_what_a_person_must_do(place, capsys, at_s, words):
    """Screen, list, summary and report; in the residual discharge, and just after the recharge
    began. A run that was ended before it says nothing of the kind."""
    (place / "fault.yaml").write_text(OPEN.format(at_s), encoding="utf-8")
    assert rehearsed(place, "--fault", f"{place}/fault.yaml") == 6
    (first, *_) = sum_up(place / "run").first
    assert first.startswith("DO FIRST: the cell lies below its recommended voltage (it last read")
    assert words in first
    for shown in (["watch", f"{place}/run", "--once"], ["report", f"{place}/run"]):
        capsys.readouterr()
        main(shown)
        told = " ".join(capsys.readouterr().out.split())
        assert "Do not leave it" in told
        state = told.find("FAULT of an instrument" if shown[0] == "watch" else "low SIMULATED")
        assert 0 <= told.find("DO FIRST: the cell lies below") < state
    assert ("until that was broken off" in told) is (at_s == 4500)
    assert "nan" not in told
    assert "DO FIRST" in (place / "run/report.html").read_text(encoding="utf-8")
    main(["runs", str(place)])
    listed = capsys.readouterr().out
    assert "THE CELL WAS NOT RECHARGED" in listed
    rows = read_run(place / "run").rows
    lowest_v = min(row.sample.voltage_v for row in rows)
    assert f"residual discharge down to {lowest_v:.3f} V" in listed


def test_a_run_that_ends_before_it_left_the_recommended_range_needs_none_of_it(place, capsys):
    """In the discharge down to it."""
    (place / "fault.yaml").write_text(OPEN.format(600), encoding="utf-8")
    assert rehearsed(place, "--fault", f"{place}/fault.yaml") == 6
    assert sum_up(place / "run").first == ()
    main(["report", f"{place}/run"])
    assert "DO FIRST" not in capsys.readouterr().out


def test_later_reports_of_the_specimen_name_it(night, tmp_path, capsys):
    """The manifest of a later run has it, and of one after that, whose neighbour is gone."""
    place = tmp_path
    shutil.copytree(night.place, place, dirs_exist_ok=True)
    manifest = place / "run/manifest.json"
    told = json.loads(manifest.read_text(encoding="utf-8"))
    real = {**told, "rehearsal": False, "simulated": True}
    manifest.chmod(0o644)  # a record is not written over by accident
    manifest.write_text(json.dumps(real), encoding="utf-8")
    given = documents(place)
    options = RunOptions(*map(Path, (given[0], given[2], given[4], given[6])))
    (mark,) = found = earlier_residual_discharges(read_run_documents(options), place / "next")
    assert mark["folder"] == "run"
    assert mark["lowest_v"] == pytest.approx(3.02, abs=0.002)
    later = {**real, "run": "later", "documents": [], "earlier_residual_discharges": found}
    manifest.write_text(json.dumps(later), encoding="utf-8")
    assert earlier_residual_discharges(read_run_documents(options), place / "third") == found
    assert earlier_residual_discharges(read_run_documents(options), place / "run") == []
    capsys.readouterr()
    main(["report", f"{place}/run"])
    words = " ".join(capsys.readouterr().out.split())
    assert "This specimen went below its recommended cut-off before this run: residual" in words
    assert "down to 3.020 V, in the run run of " in words


def test_without_a_specimen_or_a_person_nothing_is_energised(place, capsys):
    """Both are refused with their place."""
    given = documents(place)
    assert main(["rehearse", *given[:-2]]) == 2
    refused = capsys.readouterr()
    assert "profile.yaml:3:3: a residual discharge marks its specimen" in refused.out + refused.err
    assert main(["run", *given, "--yes", "--no-screen", "--folder", f"{place}/night"]) == 3
    refused = capsys.readouterr()
    assert "for attended use: step 1, residual discharge to 3.020 V" in refused.out + refused.err
