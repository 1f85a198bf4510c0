"""Every test of a screen is in a place of its own, in UTC."""

import time

import pytest


@pytest.fixture(autouse=True)
def _utc(monkeypatch, tmp_path):
    """Local time is UTC, and the run is ``run``, whatever the machine and its folders."""
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.chdir(tmp_path)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()
