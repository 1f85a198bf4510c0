"""What holds for every test: timing never decides one, a found example is found again, and where
several workers share the tests the files that take longest come first.
"""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

LONGEST = (
    "safety/test_mutation.py", "nights/test_golden.py", "watchdog/test_endings.py",
    "cli/test_real_addresses.py", "resuming/test_at_the_bench.py", "nights/test_served.py",
    "safety/test_truths.py",
    "drivers/instruments/test_served.py", "drivers/off/test_served_off.py",
    "safety/test_campaign.py", "report/test_browser.py", "nights/test_outlooks.py",
    "analysis/claims/test_gaps.py", "safety/test_failing_on.py",
    "crash/test_kill_run.py", "recording/test_default_readers.py", "drivers/off/test_busy.py",
    "watchdog/test_parent.py", "replaying/test_folders.py", "drivers/served/test_bench.py",
    "source/test_fuzz.py", "instruments/test_two_channels.py", "cli/test_modbus_night.py",
    "nights/test_residual.py", "cli/test_timed_bursts.py", "cli/test_bench_alone.py",
)  # fmt: skip
"""Files of tests that take more than ten seconds: begun last, one would keep a worker alone."""

settings.register_profile(
    "house",
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("house")

# PyBaMM would send telemetry at its first import otherwise.
os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Among workers, the longest files first; else as they stand."""
    if hasattr(config, "workerinput"):
        here = Path(__file__).parent
        rank = {here / name: number for number, name in enumerate(LONGEST)}
        items.sort(key=lambda item: rank.get(item.path, len(LONGEST)))
