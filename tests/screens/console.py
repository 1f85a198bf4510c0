"""A console of a given size, and what a watcher leaves on it."""

import io

from rich.console import Console

from sequencer.screens.watch import watch


def seen(folder, *, width=80, height=24, alive=True, encoding="utf-8", terminal=False, **options):
    """The text that a watcher leaves, without colour, line by line."""
    raw = io.BytesIO()
    console = Console(
        file=io.TextIOWrapper(raw, encoding=encoding, errors="strict"),
        width=width,
        height=height,
        color_system=None,
        force_terminal=terminal,
        legacy_windows=False,
    )
    looks = []

    def wait(_seconds):
        looks.append(1)
        assert len(looks) < 200, "the watching does not end"

    watch(folder, console, is_alive=lambda: alive, wait=wait, **options)
    console.file.flush()
    return [line.rstrip() for line in raw.getvalue().decode(encoding).splitlines()]
