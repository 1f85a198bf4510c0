"""What is of the wrong sort is passed over and said; what we write ourselves is never touched."""

from sequencer.recording.journal import JournalEntry
from sequencer.recording.reading import JournalReader
from sequencer.recording.run import read_manifest
from sequencer.recording.wellformed import sound_entries, sound_manifest
from tests.recording.invented import write_run


def entry(kind, **told):
    """A journal entry."""
    return JournalEntry(1, 0, kind, told)


def test_our_own_record_is_sound(tmp_path):
    """Every entry and the manifest come back as they are, and nothing is said."""
    folder = write_run(tmp_path / "run", 20)
    entries = JournalReader().feed((folder / "journal.jsonl").read_bytes())
    assert sound_entries(entries) == (list(entries), [])
    manifest = read_manifest(folder)
    assert sound_manifest(manifest) == (manifest, [])


def test_a_value_of_the_wrong_sort_is_passed_over_and_said():
    """A time that is a word, a number that is none, evidence that is no list; the rest stays."""
    bent = [
        entry("state", at_ns="soon", step=True, sentence="Rest"),
        entry("step ended", step=1, charge_in_ah=float("inf"), end_v=3.7),
        entry("rescue", why="lost", proof={"level": "A", "evidence": 5}),
    ]
    kept, said = sound_entries(bent)
    assert [one.entry for one in kept] == [
        {"sentence": "Rest"},
        {"step": 1, "end_v": 3.7},
        {"why": "lost", "proof": {"level": "A"}},
    ]
    assert [words.partition(" is not")[0] for words in said] == [
        "journal.jsonl: 'at_ns' of a 'state'",
        "journal.jsonl: 'step' of a 'state'",
        "journal.jsonl: 'charge_in_ah' of a 'step ended'",
        "journal.jsonl: 'evidence' of a 'rescue'",
    ]


def test_what_was_not_known_is_left_out_without_a_word():
    """None is how we write it."""
    kept, said = sound_entries([entry("step ended", step=1, end_v=None)])
    assert ([one.entry for one in kept], said) == ([{"step": 1}], [])


def test_a_manifest_keeps_what_is_sound_of_it():
    """Also inside the specimen."""
    bent = {"run": "x", "versions": 3, "specimen": {"specimen": "a", "weighings": [5]}}
    assert sound_manifest(bent) == (
        {"run": "x", "specimen": {"specimen": "a"}},
        [
            "manifest.json: 'versions' is not what it should be, and is passed over",
            "manifest.json: 'weighings' is not what it should be, and is passed over",
        ],
    )
