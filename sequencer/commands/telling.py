"""Words and data that several commands share: times of day, what the bench can and cannot do."""

from typing import Any

from sequencer.assembly.papers import Papers


def clock_time_after(seconds: float) -> str:
    """The local time that many seconds from now."""
    from datetime import datetime, timedelta

    from sequencer.clocks import unix_ns

    now = datetime.fromtimestamp(unix_ns() / 1e9).astimezone()
    return f"{now + timedelta(seconds=seconds):%A %H:%M}"


def finding_lines(papers: Papers) -> list[str]:
    """What this bench can barely or not do of the plan."""
    return []


def finding_data(papers: Papers) -> list[dict[str, Any]]:
    """The same as plain data."""
    return []
