"""A run folder that still grows, followed from outside: what became whole since the last look."""

from pathlib import Path
from typing import Any

from sequencer.recording.folder import JOURNAL, SAMPLES
from sequencer.recording.journal import JournalEntry
from sequencer.recording.reading import Inputs, JournalReader, Row, SampleReader
from sequencer.recording.run import read_manifest

_AT_ONCE = 4 << 20


class Follower:
    """Tails the folder of one run; a folder or file that is not there yet is simply empty.

    ``limit`` bounds the bytes taken from samples in one look.
    """

    def __init__(self, folder: Path, limit: int = _AT_ONCE) -> None:
        self.folder = folder
        self.manifest: dict[str, Any] = {}
        self._limit = limit
        self._inputs = Inputs()
        self._journal = JournalReader()
        self._samples: SampleReader | None = None
        self._held: list[JournalEntry] = []
        self._at = {SAMPLES: 0, JOURNAL: 0}

    def poll(self) -> tuple[list[Row], list[JournalEntry]]:
        """Rows and entries that became whole since the last call; never raises on damage.

        Samples are looked at first: what the journal says of a row was written before it. An
        entry comes no earlier than the rows that were written before it, while they still come.
        """
        if self._samples is None:
            self.manifest = read_manifest(self.folder)
            if not self.manifest:
                return [], []
            self._samples = SampleReader(self.manifest.get("start_bench_ns", 0), self._inputs)
        raw = self._more(SAMPLES)
        entries = self._journal.feed(self._more(JOURNAL))
        self._inputs.learn(entries)
        rows = self._samples.feed(raw)
        return rows, self._due(entries, rows[-1].number if rows else None)

    def _due(self, entries: list[JournalEntry], row: int | None) -> list[JournalEntry]:
        """The entries whose rows are there; all of them once no more rows come."""
        self._held += entries
        count = len(self._held)
        if row is not None:
            count = next((i for i, one in enumerate(self._held) if one.rows > row), count)
        due, self._held = self._held[:count], self._held[count:]
        return due

    @property
    def troubles(self) -> list[str]:
        """What could not be read so far, in words; a tail still being written counts."""
        return (self._samples.troubles if self._samples else []) + self._journal.troubles

    def _more(self, name: str) -> bytes:
        """The bytes after those already taken, up to the last line end."""
        try:
            with (self.folder / name).open("rb") as file:
                file.seek(self._at[name])
                raw = file.read(self._limit)
        except OSError:
            return b""
        whole = raw[: raw.rfind(b"\n") + 1]
        self._at[name] += len(whole)
        return whole
