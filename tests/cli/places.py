"""Shipped documents and a short profile that the tests of the command line share."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CELL = ROOT / "profiles" / "cells" / "lamp-pouch.yaml"
BENCH = ROOT / "sim_configs" / "benches" / "demonstration.yaml"

SHORT = """\
profile: Short
limits:
  charge temperature: {low: 12 degC, high: 40 degC}
sampling:
  every: 1 s
steps:
  - step: rest
    for: 10 s
  - step: charge
    current: 0.5 C
    voltage: recommended
    termination current: 0.05 C
    for: 60 s
  - step: discharge
    current: 0.5 C
    cut-off voltage: recommended
    for: 60 s
"""
