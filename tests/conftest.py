"""What holds for every test: timing never decides one, and a found example is found again."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "house",
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("house")

# PyBaMM would send telemetry at its first import otherwise.
os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
