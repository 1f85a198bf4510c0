"""The minute before a trip, in words for people."""

from pathlib import Path

from sequencer.recording.journal import JournalEntry
from sequencer.recording.run import RecordedRun
from sequencer.report.trip_events import near_trip

S = 1_000_000_000


def test_a_fault_names_its_channel_in_words():
    """A reader of a report knows no name that only the code has."""
    fault = {"kind": "no reply", "culprit": "meter", "channel": "voltage_v", "detail": "in 0.5 s"}
    entries = [
        JournalEntry(1, 1, "fault", {"at_ns": S, "faults": [fault]}),
        JournalEntry(
            2, 1, "trip", {"at_ns": 2 * S, "interlock": "instrument fault", "reason": "meter"}
        ),
    ]
    told = near_trip(RecordedRun(Path(), {}, entries))
    assert [one.words for one in told] == [
        "meter: no reply (cell voltage): in 0.5 s",
        "instrument fault: meter",
    ]
