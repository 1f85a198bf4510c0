"""A run in the executive's process: what happens when the executive itself fails."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sequencer.assembly import night
from sequencer.assembly.child import told
from sequencer.assembly.run_result import bug
from sequencer.vocabulary.faults import RefusedError, UsageError
from sequencer.vocabulary.verdict import Exit
from tests.builders import CHANNELS, LIMITS, FixedPlan, rest


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (RefusedError(["the watchdog does not hold the safing plan"]), Exit.REFUSED),
        (ValueError("a bug of ours"), Exit.BUG),
    ],
)
def test_a_run_that_never_began_has_an_end_in_its_journal(error, code, monkeypatch, tmp_path):
    """The watchdog is gone before it holds the plan: refused, with the reason; and closed."""
    told: list[tuple[str, dict[str, Any]]] = []

    def note(kind: str, entry: dict[str, Any]) -> None:
        told.append((kind, entry))

    def refuse(_folder: object) -> None:
        raise error

    monkeypatch.setattr(night, "start_entry", lambda *_: {})
    monkeypatch.setattr(night, "likely_end", lambda *_: {})
    record = SimpleNamespace(note=note, path=tmp_path, close=lambda: told.append(("closed", {})))
    made: Any = night.Night.__new__(night.Night)
    made._run_documents = SimpleNamespace(plan=FixedPlan("x", LIMITS, [rest(1)]))
    made._resumes = None
    made._attendant = SimpleNamespace(announce_folder=refuse)
    monkeypatch.setattr(made, "_make_record", lambda *_: record)
    monkeypatch.setattr(made, "_hold_folder", lambda _: None)
    opened = SimpleNamespace(clock=SimpleNamespace(now_ns=lambda: 7), safing=None)
    with pytest.raises(type(error)):
        made._run_on(opened, CHANNELS, tmp_path, "Enter")
    end = {"at_ns": 7, "ending": "refused", "exit": int(code), "reason": str(error)}
    assert told == [("start", {}), ("end", end), ("closed", {})]


def test_an_executive_that_raises_hands_the_bench_to_the_watchdog(monkeypatch, tmp_path):
    """It never should; if it does, nobody may believe that the outputs are off."""

    def fail(*_args: object, **_more: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr(night, "Execution", fail)
    monkeypatch.setattr(night, "make_panel", lambda *_, **_more: None)
    monkeypatch.setattr(night, "start_entry", lambda *_: {})
    monkeypatch.setattr(night, "likely_end", lambda *_: {})
    record = SimpleNamespace(note=lambda *_: None, path=tmp_path)
    made: Any = night.Night.__new__(night.Night)
    made._run_documents = SimpleNamespace(plan=SimpleNamespace(limits=None), already_in_ah=0.0)
    made._resumes, made._attended = None, False
    made._attendant = SimpleNamespace(announce_folder=lambda _: None, request=str, beat=None)
    monkeypatch.setattr(made, "_make_record", lambda *_: record)
    monkeypatch.setattr(made, "_hold_folder", lambda _: None)
    monkeypatch.setattr(made, "_announce_safing", lambda *_: None)
    monkeypatch.setattr(made, "_questions", lambda *_: None)
    methods = ("protect", "perform", "read", "make_safe", "prove_off", "close", "let_go")
    bench = SimpleNamespace(**dict.fromkeys(methods))
    opened = SimpleNamespace(bench=bench, clock=SimpleNamespace(now_ns=int), safing=None)
    last = made._run_on(opened, None, tmp_path, "Enter")
    assert (last.exit, last.off) == (Exit.BUG, False)
    assert "ZeroDivisionError" in (tmp_path / "bug.txt").read_text(encoding="utf-8")


def test_a_bug_is_kept_elsewhere_when_the_run_folder_takes_nothing():
    """A full or vanished disk does not lose it."""
    last = bug(ValueError("x"), Path("/proc/nightbench"))
    kept = Path(last.lines[1].removeprefix("details: "))
    assert "ValueError: x" in kept.read_text(encoding="utf-8")
    kept.unlink()
    kept.parent.rmdir()


@pytest.mark.parametrize(
    ("error", "code"),
    [(UsageError("exists"), Exit.USAGE), (RefusedError(["not fit"]), Exit.REFUSED)],
)
def test_what_is_refused_before_anything_is_energised_is_off(error, code):
    """The watchdog has nothing to do then."""

    def fail() -> None:
        raise error

    last = told(fail)
    assert (last.exit, last.off, list(last.lines)) == (code, True, [str(error)])
