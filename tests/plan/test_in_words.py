"""A profile in plain words without a cell: every kind of step, every end, as it was written."""

from typing import get_args

import pytest

from sequencer.documents.profile import Charge, Discharge, ProfileDocument, Step
from sequencer.documents.repeat_until import RepeatUntil
from sequencer.documents.rests import Rest
from sequencer.plan.in_words import _LOOP_ENDS, _SENTENCES, _STOPS, in_words
from sequencer.source.loading import load_text
from tests.plan.documents import profile

STEPS = """
- step: rest
  for: 6 h
  until temperature: {high: 28 degC}
  until relaxed: {below: 0.2 mV, in: 10 min}
- {step: wait, for: person, at most: 8 h, says: put it into the oven}
- step: charge
  label: fill
  current: 50 % of recommended
  voltage: recommended less 50 mV
  termination current: 0.05 C
- {step: charge, current: 1 A, until charge: 50 %, until warmed to: 38 degC}
- {step: charge, voltage: 4.1 V, for: 1 h}
- step: repeat
  times: 3
  until: {cut-off voltage: recommended plus 0.1 V, time: 2 h, charge out: 1 Ah}
  steps:
    - {step: discharge, power: 5 W, for: 6 min}
    - {step: repeat, times: 2, steps: [{step: discharge, resistance: 8 Ohm, for: 6 min}]}
- step: for each
  rates: [0.2 C, 1 C]
  steps:
    - step: discharge
      current: each rate
      cut-off voltage: recommended for small currents
      until slope: {voltage: 10 mV/min, in: 2 min}
- {step: discharge, current: 1 C, cut-off voltage: 3.2 V, termination current: 0.1 C}
- step: pulse train
  direction: discharge
  current: 1 C
  for: 10 s
  rest between: 40 s
  repeated: 5
- step: pulse
  direction: charge
  levels: [{current: 0.2 C, for: 10 s}, {current: 1 C, for: 1 s}]
- {step: trace, file: lamp.csv, times: 9, until: {cut-off voltage: 3.2 V}, label: lamp}
- {step: adjust state of charge, to: 30 %, current: 0.4 C}
- {step: finish at storage charge}
"""
TRACES = 'traces: {lamp.csv: ["time / s,power / W", "0,5", "60,0.5", "600,0", "900,0"]}'
WORDS = """\
1. Rest, outputs off
   stops when 6 h have passed or the voltage has moved by less than 0.20 mV in 10 min or the surface temperature is at 28 degC or below
2. Wait for a person, outputs off: put it into the oven
   stops when a person says that it goes on; trips after 8 h
3. Charge at 50 % of the recommended current to the recommended charge voltage less 50 mV, then hold it [fill]
   stops when the current has fallen to 0.05 C
4. Charge at 1 A
   stops when 50 % have been moved or the surface temperature is at 38 degC or above or the voltage has risen to the recommended charge voltage
5. Hold 4.10 V
   stops when 1 h have passed
6. At most 3 times, until the voltage has fallen to the recommended cut-off plus 100 mV or 2 h have passed or 1 Ah have been taken out:
   6.1. Discharge at 5.0 W
      stops when 6 min have passed or the voltage has fallen to the recommended cut-off
   6.2. 2 times:
      6.2.1. Discharge at 8.00 Ohm
         stops when 6 min have passed or the voltage has fallen to the recommended cut-off
7. For each of the rates 0.2 C, 1 C ('each rate'):
   7.1. Discharge at each rate
      stops when the voltage has fallen to the recommended cut-off for small currents or the voltage falls by 10 mV/min or faster in 2 min
8. Discharge at 1 C, then hold the cut-off
   stops when the current has fallen to 0.1 C or the voltage has fallen to 3.20 V
9. Pulse: discharge at 1 C for 10 s; 5 times, with a rest of 40 s between
   stops when its time is over or the voltage reaches the recommended cut-off
10. Pulse: charge at 0.2 C for 10 s, then at 1 C for 1 s
   stops when its time is over or the voltage reaches the recommended charge voltage
11. At most 9 times, until the voltage has fallen to 3.20 V: draw what lamp.csv says (3 values in 15 min) [lamp]
12. Bring the cell at 0.4 C to 30 % of the capacity measured before, counted
13. Bring the cell to its storage voltage
"""  # noqa: E501 - as a terminal shows them


def test_every_kind_of_step_in_words():
    """One sentence a step, what stops it beneath."""
    text = f"profile: test\n{TRACES}\nsteps:{STEPS}"
    made = load_text(text, "profile.yaml", ProfileDocument).document
    assert "\n".join(in_words(made.steps)) + "\n" == WORDS


def test_no_kind_of_step_and_no_end_is_left_out():
    """A new kind, or a new end, needs its words."""
    kinds = get_args(get_args(Step)[0])
    assert set(kinds) == set(_SENTENCES)
    assert set(RepeatUntil.model_fields) == set(_LOOP_ENDS)
    ends = {name for kind in (Rest, Charge, Discharge) for name in kind.model_fields}
    ends = {name for name in ends if name.startswith("until")}
    assert ends - set(_STOPS) == {"until_slope", "until_relaxed", "until_temperature"}


@pytest.mark.parametrize(("written", "said"), [("1200 mAh", "1.2 Ah"), ("12.5 %", "12.5 %")])
def test_a_charge_is_said_as_it_was_meant(written, said):
    """In its inside unit; a share of the rated capacity in percent."""
    (_, stops) = in_words(
        profile(f"- {{step: discharge, current: 1 A, until charge: {written}}}").steps
    )
    assert f"when {said} have been moved" in stops
