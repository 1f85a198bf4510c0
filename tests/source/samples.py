"""Whole documents in few lines, for tests that spoil one thing in them."""

CELL = """\
cell: test cell
chemistry: NMC
rated capacity: 3 Ah
recommended:
  charge voltage: 4.2 V
  cut-off voltage: 3 V
  charge current: 0.5 C
  discharge current: 1 C
  charge temperature: {low: 10 degC, high: 40 degC}
  discharge temperature: {low: -10 degC, high: 50 degC}
absolute:
  charge voltage: 4.25 V
  cut-off voltage: 2.75 V
  charge current: 3.3 A
  discharge current: 6 A
  charge temperature: {low: 5 degC, high: 45 degC}
  discharge temperature: {low: -20 degC, high: 60 degC}
storage voltage: 3.8 V
current limits:
  - direction: charge
    current: 0.3 C
    temperature from: 5 degC
    temperature to: 15 degC
  - direction: discharge
    current: 1.5 C
    state of charge to: 15 %
claims:
  - said on: data sheet, page 2
    capacity: 3 Ah
    conditions: {rate: 0.2 C, cut-off: 3 V, charge voltage: 4.2 V}
  - said on: label
    mass: 48 g
    conditions: none given
"""

BENCH = """\
bench: test bench
instruments:
  supply: {definition: generic-scpi-supply, address: served}
  load: {definition: generic-scpi-load, address: served}
  meter: {definition: generic-scpi-multimeter, address: served}
  thermometer: {definition: generic-line-thermometer, address: served}
  contactor: {definition: generic-line-contactor, address: served}
wiring:
  charge: supply
  discharge: load
  voltage: {by: meter}
  contactor: contactor
  lead resistance: 30 mOhm
  sensors:
    - {place: surface, by: thermometer, channel: 1}
    - {place: room, by: thermometer, channel: 2}
simulation:
  cell: truth.yaml
  state of charge: 30 %
"""

TRUTH = """\
simulated cell: truth
capacity: 3 Ah
open-circuit:
  - {at: 0 %, voltage: 3 V}
  - {at: 100 %, voltage: 4.2 V}
ohmic: {resistance: 28 mOhm}
thermal: {core: 50 J/K, surface to room: 0.1 W/K}
"""

SPECIMEN = """\
specimen: A-07
cell: test cell
batch: "0712"
arrival: {voltage: 3.71 V, on: 2026-03-02}
weighings:
  - {mass: 47.9 g, of: bare, on: 2026-03-02}
  - {mass: 48.6 g, of: with tabs, on: 2026-03-03}
clamping: {adapter: brass bars, clamping: "1", resistance: 0.4 mOhm}
"""

PROFILE = """\
profile: test
steps:
  - step: rest
    for: 10 min
  - step: charge
    current: 0.5 C
    voltage: recommended
    termination current: 0.05 C
  - step: for each
    rates: [0.2 C, 1 C]
    steps:
      - step: discharge
        current: each rate
        cut-off voltage: recommended
"""

PARTS = """\
profile: Two rates
parameters: {pause: {default: 30 min, least: 1 min, most: 2 h}}
parts:
  full charge:
    - {step: charge, current: 0.5 C, voltage: recommended, termination current: 0.05 C}
    - part: settle
  settle:
    - {step: rest, for: parameter pause}
  at a rate:
    - {step: discharge, current: each rate, cut-off voltage: recommended}
    - part: settle
steps:
  - part: full charge
  - step: for each
    rates: [0.2 C, 1 C]
    steps:
      - part: at a rate
      - part: full charge
"""
