"""What an analysis is given and what it says; values only, every one of them JSON in the end.

Sign: current and charge are positive when they charge the cell; a capacity, an energy and a
resistance are positive whichever way the current flows, and their conditions name the direction.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from sequencer.documents.bench import BenchDocument
from sequencer.documents.cell import CellDocument
from sequencer.documents.claim import Claim
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.specimen import SpecimenDocument
from sequencer.vocabulary.table import Floats, Table


class JournaledStop(NamedTuple):
    """A stop as the journal has it: its kind (``voltage_below``, ``current_below``, ``time`` and so
    on) and its value (s, V, A, Ah, Wh, degC)."""

    kind: str
    value: float


class ChargeCounted(NamedTuple):
    """What the run had counted when a step to the state of charge ``to`` (1) was over.

    ``capacity_ah`` was measured at ``measured_at_a`` down to ``measured_down_to_v``, in step
    ``measured_in`` (0: by the run that this one goes on from). It is counted from ``from_share``
    (1: full, 0: empty), where step ``since`` left the cell.
    """

    to: float
    capacity_ah: float
    measured_at_a: float
    measured_down_to_v: float
    measured_in: int
    from_share: float
    since: int


@dataclass(frozen=True, slots=True)
class StepEnd:
    """What the journal says of one step: the sentence of the plan, what stopped it, and what had
    moved at test time ``ended_s`` (NaN: at its end).

    ``direction``, ``current_a`` and ``voltage_v`` are the drive's: charge, discharge or rest; the
    bounds of current (A, positive) and voltage (V). ``held`` is what it holds (current, voltage,
    power or resistance), ``held_value`` how much (A, V, W, Ohm). ``stops`` are all that may end
    the step, ``stopped_by`` is the one that did. ``follows_table``: its current follows the cell
    document's table, and ``current_a`` is only the largest. ``paused_s``: when a person paused it
    first (test time; NaN: nobody did). ``counted``: of the last step to a state of charge.
    """

    step: int
    sentence: str
    label: str
    reason: str
    charge_in_ah: float
    charge_out_ah: float
    energy_in_wh: float
    energy_out_wh: float
    ended_s: float = math.nan
    direction: str = ""
    current_a: float = math.nan
    voltage_v: float = math.nan
    held: str = ""
    held_value: float = math.nan
    stops: tuple[JournaledStop, ...] = ()
    stopped_by: JournaledStop | None = None
    is_skipped: bool = False
    is_begun_again: bool = False
    follows_table: bool = False
    paused_s: float = math.nan
    counted: ChargeCounted | None = None


@dataclass(frozen=True, slots=True)
class RunEvent:
    """One thing that happened: a trip, a request, a fault, the end; at test time, in words."""

    time_s: float
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Tested:
    """All that an analysis rests on. What is None or empty was not in the folder; ``missing`` says
    so in words, and what was found faulty, for whoever reports."""

    table: Table
    cell: CellDocument | None = None
    specimen: SpecimenDocument | None = None
    bench: BenchDocument | None = None
    definitions: Mapping[str, InstrumentDefinition] = field(default_factory=dict)
    step_ends: Mapping[int, StepEnd] = field(default_factory=dict)
    events: tuple[RunEvent, ...] = ()
    current_zero_a: Mapping[str, float] = field(default_factory=dict)
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget: where it comes from, in words, and what it adds to the standard
    uncertainty (the number's unit, never negative; the root of the squares' sum is the whole)."""

    source: str
    standard: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True)
class Figure:
    """One number. ``key`` is its stable name for machines, ``label`` plain words.

    A value that cannot be told is NaN, and ``flags`` say why. ``standard_uncertainty`` is NaN when
    nothing is known of the instruments. ``low`` and ``high`` bound the 95 % interval.
    ``conditions`` are plain values with the unit in the key (``rate_c``, ``cut_off_v``,
    ``surface_c``, ``direction``, ``mass`` = "bare" ...), and ``condition_standards`` the standard
    uncertainties of those that an instrument read. ``step`` is the step it was taken from.
    """

    key: str
    label: str
    value: float
    unit: str
    standard_uncertainty: float = math.nan
    low: float = math.nan
    high: float = math.nan
    degrees_of_freedom: float = math.inf
    contributions: tuple[Contribution, ...] = ()
    conditions: Mapping[str, float | str] = field(default_factory=dict)
    condition_standards: Mapping[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    step: int | None = None
    headline: bool = False


@dataclass(frozen=True, slots=True)
class Curve:
    """One line of a picture: two arrays of one length, and what they are."""

    key: str
    label: str
    x: Floats
    y: Floats
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    note: str = ""


class VerdictWord(Enum):
    """The four words of a verdict."""

    SUPPORTED = "supported"
    NOT_SUPPORTED = "not supported"
    CANNOT_TELL = "cannot tell with this bench"
    NOT_COMPARABLE = "not comparable"


@dataclass(frozen=True, slots=True)
class VerdictPart:
    """One part of a shortfall, in the claim's unit; the parts sum to the whole exactly."""

    name: str
    value: float
    standard_uncertainty: float
    words: str = ""


class Extrapolated(NamedTuple):
    """The least and the most that was extrapolated where nothing was measured, in the claim's unit
    (NaN: no bound on that side), and the key of the figure from which."""

    low: float
    high: float
    figure: str


@dataclass(frozen=True, slots=True)
class Judged:
    """A claim with its verdict: the word, why, the probability of conformity after JCGM 106 (NaN
    when nothing could be compared), the measured figure's key, and the shortfall's parts.
    ``under`` says under which conditions it was judged: those given, or the kindest reasonable.
    ``what`` is claimed, in words; ``promised`` is what decides, the printed number's rounding
    granted. ``extrapolated`` bounds what was not measured, and decides nothing."""

    claim: Claim
    number: int
    claimed: float
    unit: str
    word: VerdictWord
    why: str
    under: str
    figure: str = ""
    measured: float = math.nan
    standard_uncertainty: float = math.nan
    probability: float = math.nan
    parts: tuple[VerdictPart, ...] = ()
    what: str = ""
    promised: float = math.nan
    extrapolated: Extrapolated | None = None

    @property
    def is_impossible(self) -> bool:
        """Whether no cell can keep the claim, so that no figure was looked at."""
        return self.word is VerdictWord.NOT_SUPPORTED and not self.figure


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything that is said about one run."""

    figures: tuple[Figure, ...]
    curves: tuple[Curve, ...] = ()
    verdicts: tuple[Judged, ...] = ()
    decision_rule: str = ""
    excluded: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    events: tuple[RunEvent, ...] = ()

    def figure(self, key: str) -> Figure | None:
        """The figure of that key, or None."""
        return next((one for one in self.figures if one.key == key), None)
