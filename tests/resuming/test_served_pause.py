"""Pause, continue and abort on the served bench; off is looked up behind the instruments' backs."""

from pathlib import Path

from tests.watchdog.nights import Night, start

PROFILE = """\
profile: Paused
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
  discharge temperature: {low: 12 degC, high: 45 degC}
steps:
  - {step: discharge, current: 0.2 C, cut-off voltage: recommended, for: 30 min}
  - {step: rest, for: 10 s}
"""


def ask(word: str, night: Night) -> str:
    """Ask the living run from another terminal."""
    with start(word, night.folder) as asking:
        said: str = asking.communicate(timeout=60)[0]
    assert asking.returncode == 0, said
    return said


def begin(tmp_path: Path) -> Night:
    """A discharge that has been paused."""
    profile = tmp_path / "profile.yaml"
    profile.write_text(PROFILE, encoding="utf-8")
    night = Night(tmp_path / "run", profile=profile)
    night.wait_for("discharging")
    ask("pause", night)
    night.wait_for("paused")
    return night


def test_an_interrupted_discharge_goes_on_and_is_marked(tmp_path):
    """The contactor opens, no current flows; afterwards the same step ends, and says that it was
    interrupted, so that nobody takes it for a capacity."""
    night = begin(tmp_path)
    try:
        assert night.seconds_to_off() < 3.0
        truth = night.observe()
        assert (truth["contactor_closed"], truth["load_on"]) == (False, False)
        ask("continue", night)
        said = night.said()
        assert night.parent.returncode == 0, said
    finally:
        night.close()
    ended = [entry for kind, entry in night.entries() if kind == "step ended"]
    assert [(one["step"], one["interrupted"]) for one in ended] == [(1, True), (2, False)]
    # 0.2 C of 3 Ah for half an hour is 0.3 Ah, whatever the pause took.
    assert abs(ended[0]["charge_out_ah"] - 0.3) < 0.01


def test_abort_works_while_paused(tmp_path):
    """Exit 4, off proven."""
    night = begin(tmp_path)
    try:
        assert "aborted; off is proven, level A" in ask("abort", night)
        said = night.said()
    finally:
        night.close()
    assert night.parent.returncode == 4, said
    assert "off, proof level A" in said
