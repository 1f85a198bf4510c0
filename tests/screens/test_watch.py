"""What a person sees of a run, from its folder alone."""

import io
import os
import signal
from itertools import pairwise
from pathlib import Path

import pytest
from rich.console import Console

from sequencer.recording.folder import MANIFEST, SAMPLES
from sequencer.screens.watch import watch
from tests.screens.console import seen
from tests.screens.invented_night import (
    NO_REPLY,
    REFUTED,
    SENTENCE,
    START,
    TRIP,
    begin,
    charge,
    finish,
    state_of,
)


def test_a_charge_at_three_in_the_morning():
    """What runs, which step, what stops it, readings with ages and headroom, when it is over."""
    run = begin(Path("run"))
    charge(run)
    lines = seen(Path("run"), once=True)
    assert len(lines) <= 24
    text = [line for line in lines if "┤" not in line]
    assert [line for line in text if line] == [
        "overnight rates",
        "cell Lamp pouch 3 Ah, specimen LP-07, bench attic",
        "─" * 80,
        "CHARGING   step 2 of 9: CC-CV charge (first fill)",
        "Charge at 2.10 A (0.7 C) to 4.200 V, then hold 4.200 V until the current is",
        "0.150 A",
        "ends at termination current 0.150 A; trips after 4 h 30 min",
        "9 min 59 s in this step; 0.349 Ah, 1.40 Wh put in",
        "voltage   4.1321 V  0.0 s old  118 mV below the limit of 4.250 V",
        "current  +2.1000 A  0.0 s old  0.900 A below the limit of 3.00 A",
        "surface  26.1 degC  0.0 s old  13.9 K below the limit of 40 degC; highest 26.1",
        "outputs  supply on, load off, contactor closed",
        "voltage, all 11 min",
        "10 min 59 s elapsed; it is Thu 09:04; at the latest Fri 12:40, in 1 d 3 h",
        "to end it safely: nightbench abort run",
    ]
    assert sum("┤" in line for line in lines) >= 3


def test_an_old_reading_and_a_silent_instrument_are_loud_in_words():
    """No colour is needed to see that a sensor has not answered for ten minutes."""
    run = begin(Path("run"))
    charge(run, quiet_sensor=True, faults=(NO_REPLY,))
    lines = seen(Path("run"), once=True)
    assert any(line.startswith("surface  26.1 degC  OLD: 599.0 s old") for line in lines)
    assert "logger: no reply (surface temperature): none in 0.5 s" in lines


def test_a_tripped_night_says_the_first_cause_and_the_proof():
    """The ending, in which step, the first cause, off with its evidence, the steps, the totals."""
    run = begin(Path("run"))
    charge(run)
    finish(run, "tripped", 5, trip=TRIP)
    assert seen(Path("run"), alive=False, once=True, width=84)[3:] == [
        "1 rest; ended by time 60 s",
        "    1 min, 3.600 to 3.600 V, max 26.0 degC",
        "",
        "10 min 59 s elapsed; it is Thu 09:04; 660 samples recorded",
        "",
        " TRIPPED: a limit was met",
        "it was in step 2 of 9: CC-CV charge (first fill)",
        "first cause, after 11 min 40 s: temperature high: surface 40.3 degC is not between",
        "12 degC and 40 degC",
        "off is proven (level A; the cell is parted from everything):",
        "  contactor feedback open",
        "  supply reads 0.000 A, output off",
    ]


def test_off_not_proven_says_what_to_do():
    """Evidence against off is the loudest thing on the screen, with what a person can do."""
    run = begin(Path("run"))
    charge(run)
    finish(run, "not proven off", 7, proof=REFUTED, trip=TRIP)
    for options in ({"once": True}, {"plain": True}):
        text = "\n".join(seen(Path("run"), alive=False, **options))
        assert "NOT PROVEN OFF" in text
        assert "off is CONTRADICTED by what is measured:\n  load reads 2.9 A" in text
        assert "Switch supply and load off at their own switches, now." in text


@pytest.mark.parametrize("is_asked", [True, False])
def test_a_refusal_on_a_silent_bench_calls_a_person(is_asked):
    """Off was asked for and nobody answered: what to do. Where nothing was asked, nothing is
    said."""
    run = begin(Path("run"))
    silence = {**REFUTED, "level": "none", "contradicted": False}
    run.note("proof", {**silence, "evidence": ["supply: no reply"] if is_asked else []})
    run.note("end", {"ending": "refused", "exit": 3, "reason": "no reply", "at_ns": None})
    run.close()
    text = "\n".join(seen(Path("run"), alive=False, once=True))
    assert "REFUSED before anything was switched on" in text
    assert ("Switch supply and load off at their own switches, now." in text) is is_asked


def test_while_making_safe_off_is_not_claimed():
    """Between trip and proof the screen says so; a proof from before the charge counts nothing."""
    run = begin(Path("run"))
    charge(run)
    run.note("trip", TRIP)
    lines = seen(Path("run"), once=True)
    assert " MAKING SAFE" in lines
    assert "off is not proven yet" in lines
    assert not any("contactor feedback" in line for line in lines)


def test_a_run_without_an_end_and_without_a_process_is_interrupted():
    """Nobody is left to prove off: the watcher ends, and a person is called."""
    run = begin(Path("run"))
    charge(run)
    for options in ({"once": True}, {"plain": True}, {}):
        text = "\n".join(seen(Path("run"), alive=False, **options))
        assert "INTERRUPTED: the record has no end, and no process owns this run" in text
        assert "off is NOT proven" in text
        assert "Switch supply and load off" in text


def test_plain_lines_tell_the_night_in_order():
    """Into a pipe: a line an event, each with its time, and no more than a line in ten minutes."""
    run = begin(Path("run"))
    charge(run)
    finish(run, "done", 0)
    numbers = "10 min, 3.600 to 4.200 V, 0.150 A, +0.350 Ah, +1.400 Wh, max 27.0 degC"
    assert seen(Path("run"), plain=True) == [
        "overnight rates: cell Lamp pouch 3 Ah, specimen LP-07, bench attic",
        "  0:00:00  step 1 of 9: Rest for 1 min",
        "  0:00:00  voltage 3.6000 V, current +0.0000 A, surface 26.1 degC",
        "  0:01:00  ended: 1 rest; ended by time 60 s; 1 min, 3.600 to 3.600 V, max 26.0 degC",
        f"  0:01:00  step 2 of 9: {SENTENCE}",
        "  0:10:00  voltage 4.1174 V, current +2.1000 A, surface 26.1 degC",
        f"  0:11:00  ended: 2 CC-CV charge; ended by termination current 0.150 A; {numbers}",
        "  0:11:50  DONE",
        "off is proven (level A; the cell is parted from everything):",
        "  contactor feedback open",
        "  supply reads 0.000 A, output off",
        "11 min 50 s in all, 660 samples recorded",
    ]


def test_a_pause_is_told_until_the_step_that_goes_on():
    """Into a pipe: when it was paused, what lets it go on, and with which step it went on; on the
    screen: the state, and the command."""
    run = begin(Path("run"))
    charge(run, 60)
    for state, second in (("paused", 120), ("changeover", 400), ("charging", 401)):
        state_of(run, state, second)
    finish(run, "done", 0)
    lines = seen(Path("run"), plain=True)
    assert [line for line in lines if "pause" in line.lower()] == [
        "  0:02:00  PAUSED: outputs switched off; 'nightbench continue' lets it go on",
        f"  0:06:41  goes on after the pause: step 2 of 9: {SENTENCE}",
    ]
    again = begin(Path("again"))
    charge(again, 60)
    state_of(again, "paused", 120)
    lines = seen(Path("again"), once=True)
    assert any(line.startswith("PAUSED   step 2 of 9") for line in lines)
    assert "to let it go on: nightbench continue again" in lines
    assert "to end it safely: nightbench abort again" in lines


@pytest.mark.parametrize(
    ("places", "told"),
    [
        ((), ["surface  not watched", "no limit on temperature holds on this bench"]),
        (("room",), ["room   no reading  OLD: never read", "surface  not watched"]),
        (("surface",), ["surface  no reading  OLD: never read"]),
    ],
)
def test_a_bench_that_watches_no_temperature_is_said_to(places, told):
    """No limit is shown that nothing holds; a sensor that is there and was never read is loud."""
    bench = {"bench": "attic", "wiring": {"sensors": [{"place": one} for one in places]}}
    run = begin(Path("run"), bench=bench)
    charge(run, sensorless=True)
    squeezed = [" ".join(one.split()) for one in seen(Path("run"), once=True, width=110)]
    assert all(any(" ".join(one.split()) in line for line in squeezed) for one in told)
    assert not any("limit of 40 degC" in line for line in squeezed)
    plain = seen(Path("run"), plain=True, alive=False)
    unwatched = "no sensor sits on the cell: no limit on temperature holds on this bench"
    assert (plain[1] == unwatched) is ("surface" not in places)


def test_one_sample_is_not_many():
    """A run that was refused after its first sample."""
    run = begin(Path("run"))
    charge(run, 0, resting=1)
    run.note("end", {"ending": "refused", "exit": 3, "reason": "no", "at_ns": START.bench_ns})
    run.close()
    assert seen(Path("run"), plain=True)[-1] == "0 s in all, 1 sample recorded"
    assert any("; 1 sample recorded" in line for line in seen(Path("run"), once=True))


def test_a_person_who_ends_a_run_trips_nothing():
    """The lines and the ending say who wanted it, not which rule was broken."""
    run = begin(Path("run"))
    charge(run)
    asked = {**TRIP, "interlock": "person", "reason": "asked to abort", "ending": "aborted"}
    finish(run, "aborted", 4, trip=asked)
    assert "  0:11:40  ENDING: asked to abort" in seen(Path("run"), plain=True)
    assert "after 11 min 40 s: asked to abort" in seen(Path("run"), alive=False, once=True)


def test_two_endings_at_once_are_told_as_the_last_one():
    """A run that could not prove off, and was made safe by its watchdog, has two."""
    run = begin(Path("run"))
    charge(run)
    for ending, code in (("not proven off", 7), ("instrument or computer fault", 6)):
        run.note("end", {"ending": ending, "exit": code, "reason": "x", "at_ns": START.bench_ns})
    run.close()
    lines = seen(Path("run"), plain=True)
    assert len([line for line in lines if line.endswith("recorded")]) == 1


def test_a_watchdog_that_does_not_answer_is_told_until_it_does():
    """In capitals on the screen and in the lines, with why; then that it answers again."""
    run = begin(Path("run"))
    charge(run)
    run.note("watchdog", {"state": "silent", "why": "no answer for 5 s"})
    assert any("ALARM: no answer for 5 s" in line for line in seen(Path("run"), once=True))
    run.note("watchdog", {"state": "", "why": "it answers again"})
    assert not any("ALARM" in line for line in seen(Path("run"), once=True))
    finish(run, "done", 0)
    lines = seen(Path("run"), plain=True)
    assert lines.index("ALARM: no answer for 5 s") < lines.index("it answers again")


def test_a_wide_terminal_gets_a_table():
    """Every step in a row with its numbers under words, not codes."""
    run = begin(Path("run"))
    charge(run)
    finish(run, "done", 0)
    lines = seen(Path("run"), once=True, width=140)
    head = next(line for line in lines if line.startswith("step "))
    assert head.split("  ")[0] == "step"
    for title in ("lasted", "V from", "V to", "A at end", "Ah", "Wh", "highest degC", "stopped by"):
        assert title in head
    row = next(line for line in lines if line.startswith("2 CC-CV charge"))
    assert "3.600  4.200     0.150  +0.350  +1.400" in row
    assert row.endswith("termination current 0.150 A")


def test_a_terminal_without_the_dots_gets_stars():
    """An ASCII terminal is served too; nothing is sent that it cannot show."""
    run = begin(Path("run"))
    charge(run)
    lines = seen(Path("run"), once=True, encoding="ascii")
    assert any("|" in line and "*" in line for line in lines)


def test_a_folder_that_is_not_there_is_waited_for():
    """Nothing yet is no error."""
    assert seen(Path("later"), once=True) == ["waiting for a run in later"]


def test_a_damaged_folder_is_shown_and_never_raises():
    """Cut anywhere, the screen still says what is known."""
    run = begin(Path("run"))
    charge(run, 20)
    finish(run, "done", 0)
    raw = (Path("run") / SAMPLES).read_bytes()
    for cut in range(0, len(raw), 997):
        (Path("run") / SAMPLES).write_bytes(raw[:cut])
        assert "DONE" in seen(Path("run"), once=True, alive=False)
    (Path("run") / SAMPLES).write_bytes(raw[:5000] + b"\0" * 300 + raw[5300:])
    lines = seen(Path("run"), once=True, alive=False)
    assert any("not sound in the record: samples.csv" in line for line in lines)


def test_words_in_documents_are_not_markup():
    """A title with brackets is shown as it is written."""
    run = begin(Path("run"), title="[bold]rates[/bold] [red]")
    assert seen(Path("run"), once=True)[0] == "[bold]rates[/bold] [red]"
    run.close()


def test_a_live_screen_follows_and_leaves_the_ending():
    """On a terminal the screen is drawn while the run goes on, and its ending stays."""
    run = begin(Path("run"))
    charge(run, 30)
    file = io.StringIO()
    console = Console(file=file, width=80, height=24, force_terminal=True, color_system=None)
    looks = []

    def wait(_seconds):
        looks.append(file.tell())
        if len(looks) == 1:
            finish(run, "done", 0)

    picture = watch(Path("run"), console, is_alive=lambda: True, wait=wait)
    text = file.getvalue()
    assert picture.end is not None
    assert "CHARGING" in text
    assert text.index("CHARGING") < text.index("90 samples recorded") < text.rindex("DONE")


def test_a_silent_run_is_told():
    """When nothing comes for long, the watcher says so instead of showing old values as new."""
    run = begin(Path("run"))
    charge(run, 30)
    file, told = io.StringIO(), []
    console = Console(file=file, width=80, height=24, force_terminal=True, color_system=None)

    def wait(_seconds):
        told.append(1)
        if len(told) == 60:
            finish(run, "done", 0)

    watch(Path("run"), console, is_alive=lambda: True, wait=wait)
    assert "NOTHING NEW for" in file.getvalue()


def test_the_screen_is_drawn_when_something_came_and_not_otherwise():
    """Four looks a second cost no drawing: neither while a run rests between rows, nor while the
    same words of waiting stand there."""
    file, sizes = io.StringIO(), []
    console = Console(file=file, width=80, height=24, force_terminal=True, color_system=None)
    runs = []

    def wait(_seconds):
        sizes.append(file.tell())
        if len(sizes) == 8:
            runs.append(begin(Path("run")))
            charge(runs[0], 30)
        if len(sizes) == 16:
            finish(runs[0], "done", 0)

    watch(Path("run"), console, is_alive=lambda: True, wait=wait)
    drawn = [look for look, (was, now) in enumerate(pairwise(sizes), start=2) if now != was]
    assert sizes[0] > 0
    assert drawn == [9, 17]


def test_leaving_the_screen_is_quiet():
    """Ctrl-C ends the watching and nothing else."""
    begin(Path("run")).close()

    def wait(_seconds):
        raise KeyboardInterrupt

    console = Console(file=io.StringIO(), force_terminal=True)
    assert watch(Path("run"), console, is_alive=lambda: True, wait=wait).end is None


def test_a_manifest_that_cannot_be_read_is_waited_for():
    """A half-written manifest is not yet a run."""
    run = begin(Path("run"))
    run.close()
    path = Path("run") / MANIFEST
    os.chmod(path, 0o644)
    path.write_text(path.read_text(encoding="utf-8")[:50])
    assert seen(Path("run"), once=True)[0].startswith("waiting for a run in")


def test_a_terminal_gets_its_page_back_when_the_screen_is_terminated():
    """SIGTERM leaves the other page and shows the cursor again (ECMA-48 private modes 1049, 25)."""
    charge(begin(Path("run")), 5)
    file, before = io.StringIO(), signal.getsignal(signal.SIGTERM)
    console = Console(file=file, width=80, height=24, force_terminal=True)

    def wait(_seconds):
        signal.raise_signal(signal.SIGTERM)

    watch(Path("run"), console, is_alive=lambda: True, wait=wait)
    text = file.getvalue()
    assert "\x1b[?1049h" in text
    assert text.rindex("\x1b[?1049l") > text.rindex("\x1b[?1049h")
    assert text.rindex("\x1b[?25h") > text.rindex("\x1b[?25l")
    assert signal.getsignal(signal.SIGTERM) is before
