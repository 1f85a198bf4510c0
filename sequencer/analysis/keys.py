"""The stable names of the figures, and the names of their conditions. Owns no number.

A key is ``quantity.which.step[.more]``; ``<n>`` is the step the figure was taken from, ``<mv>`` a
voltage in whole millivolts. A figure that cannot be told is left out or is NaN with flags; where
it is left out, ``Analysis.excluded`` or ``Analysis.warnings`` say why.

==================================  ======  ======================================================
key                                 unit    what it is
==================================  ======  ======================================================
charge-moved.<direction>.<n>        Ah      what a step moved, full or not (no pulses)
energy-moved.<direction>.<n>        Wh      the same as energy
capacity.discharge.<n>              Ah      what a FULL cell gave down to the cut-off it ended at
energy.discharge.<n>                Wh      the same as energy
capacity.charge.<n>                 Ah      what a cell emptied to the cut-off took until full
energy.charge.<n>                   Wh      the same as energy
capacity.cut-off.<n>.<mv>           Ah      what step n had given when it crossed that voltage
energy.cut-off.<n>.<mv>             Wh      the same as energy
capacity.recommended.<n>            Ah      down to the recommended cut-off, when n went lower
energy.recommended.<n>              Wh      the same as energy
residual.capacity.<n>               Ah      below the recommended cut-off, apart: in no other figure
residual.energy.<n>                 Wh      the same as energy
both-cut-offs.capacity.<n>          Ah      down to the recommended cut-off, and in step n, at a
                                            small current, to the one that is meant for it
both-cut-offs.energy.<n>            Wh      the same as energy
mean-voltage.<direction>.<n>        V       energy by charge
mass.<state>                        g       ``bare``, ``with-tabs``, ``with-leads``, ``data-sheet``;
                                            ``pack``: of the pack that the cell is out of
specific-energy.<state>.<n>         Wh/kg   energy.discharge.<n> by that mass
energy-density.<which>.<n>          Wh/L    by the ``data-sheet`` volume or by ``outer-size``
cc-charge.<n>, cv-charge.<n>        Ah      what the constant-current and -voltage parts put in
cv-share.<n>                        1       the part of the charge put in at constant voltage
not-put-in.<model>.<n>              Ah      what a shorter taper left out: ``one-exponential``,
                                            ``two-exponential``; to ``termination_a`` = 0.02 C
efficiency.coulombic.<n>            1       n is the discharge; ``charge_step`` its partner
efficiency.energy.<n>               1       the same as energy
from-full.charge.<n>                Ah      what a full cell gave down to the cut-off that step n
                                            ended at, in several steps: a trace, pulses
from-full.energy.<n>                Wh      the same as energy
from-full.time.<n>                  s       how long that took, rests included
state-of-charge.reached.<n>         1       where a step to a state of charge left the cell, in
                                            shares of ``capacity_ah``, which the run measured
resistance.pulse.<n>.<t>            Ohm     (U before - U at t) / I; t is ``0.1s 1s 10s 30s``
resistance.train.<n>.<t>            Ohm     in the middle of a train of pulses that begins at n
train-slope.<n>.<t>                 Ohm/Ah  how it changes with the charge in the cell
resistance.two-level.<n>            Ohm     IEC 61960: 0.2 It 10 s, then 1 It 1 s; n is the second
power.discharge.<n>.<t>             W       pulse power capability from resistance.pulse.<n>.<t>
power.charge.<n>.<t>                W       the same into the cell
open-circuit.<n>                    V       the last reading of a rest
relaxed.<n>                         V       where the two-exponential fit of a rest settles
relaxation.fast.<n>, .slow.<n>      s       its time constants
self-discharge.current.<n>          A       drift at rest by the slope of the open-circuit curve
self-discharge.month.<n>            1       the same as part of the capacity in 30 d
peukert.exponent                    1       over the complete discharges at several rates
fade.capacity.<rate>                Ah      per cycle, over equal complete discharges
fade.share.<rate>                   1       per cycle, as part of the first
temperature-rise.<direction>.<n>    K       the highest surface minus that at the beginning
temperature-highest.<direction>.<n> degC    the highest surface
wait.<n>                            s       how long a rest waited for a temperature
wait-end.<place>.<n>                degC    ``surface`` and ``room`` at the end of that rest
highest-current.<direction>         A       the highest current that was held for 1 s
highest-current.<direction>.<n>     A       a lower one that was held longer, or from end to end
charge-time.<n>                     s       from emptied to the cut-off until full
charge-time.<n>.<ma>mA              s       until the current had fallen to so much
cycles.<rate>                       cycles  made at one rate, with ``remaining`` of the capacity
cycles.<rate>.<share>%              cycles  after which that share of it was left
``<key>.lead-compensated``                  beside the figure that it corrects (two-wire sense)
==================================  ======  ======================================================

Conditions (each only where it is known): ``direction`` "charge" or "discharge"; ``cycle``;
``current_a`` mean over the step (positive), ``rate_c`` that by the rated capacity; ``rate_low_c``
and ``rate_high_c`` between which it changed, and ``power_w`` or ``resistance_ohm`` where the
journal says that this was held; ``cut_off_v``
where a discharge ended (the commanded one where the journal tells); ``charge_voltage_v``,
``termination_a`` and ``charge_rate_c`` of the charge before a discharge (of the charge itself, for
a charge); ``surface_c``, ``room_c`` mean over the step, ``surface_start_c`` at its beginning;
``rest_s`` the rest before it; ``state_of_charge`` (1) and ``state_of_charge_by`` "measured" or
"rated" capacity; ``rested_charge`` (1) by the voltage as it came on the stated open-circuit curve,
and ``rested_charge_within``, how far that may be off; ``pulse_s``; ``held_s`` how long a current
flowed, ``whole`` where it took the cell from one end to the other; ``remaining`` the part of the
first capacity that is left; ``rest_current_a`` and ``rest_v`` (the cell's voltage) before an edge;
``mass`` "bare", "with tabs", "with leads", "pack", "data sheet"; ``volume`` "data sheet",
"outer size"; ``pulses`` and ``steps`` how many; ``method``; ``label`` the author's.
"""

from typing import Final

CUT_OFF_STEP_V: Final = 0.05
"""Distance of the cut-offs whose yield is told (V)."""

PULSE_TIMES_S: Final = (0.1, 1.0, 10.0, 30.0)
"""Times after an edge at which a resistance is told (s; common practice)."""

STATES: Final = {
    "bare": "bare",
    "with tabs": "with-tabs",
    "with leads": "with-leads",
    "pack": "pack",
    "data sheet": "data-sheet",
}
"""A mass as conditions name it, and as keys do."""


def key(*parts: str | int) -> str:
    """The parts joined as a key: ``key("capacity", "discharge", 4)``."""
    return ".".join(str(part) for part in parts)


def millivolts(voltage_v: float) -> int:
    """A voltage as keys write it: whole millivolts."""
    return round(voltage_v * 1000)


def at(time_s: float) -> str:
    """A time as keys write it: ``0.1s``, ``10s``."""
    return f"{time_s:g}s"
