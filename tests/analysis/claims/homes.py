"""Cells in ordinary homes: 10 to 30 degC, two wires, meters without a sign. Which words are wrong?

``python -m tests.analysis.claims.homes --count 4000`` judges one claim for each of so many cells
that give 50 to 105 % of it, and prints a table by room and by shortfall. With ``--results FILE`` a
line a home is kept, and the same command goes on behind the last one. Every cell is charged and
discharged on a bench whose instruments err within their data sheets (those of
``tests.analysis.uncertainty``), in a room that is not the claim's; one home in four has no sensor.

What such a cell gives on the claim's own terms (25 degC, charged to the full voltage at the cell
itself) is worked out here, from a cell of closed form. The world is drawn from what is said here of
cells: by the room, 0 to 0.3 % a kelvin at 0.2 C and to 0.6 % at 1 C, twice below 15 degC; by the
charge voltage, 0.4 to 1 of the capacity a volt. One cell in ten is drawn from up to twice that.
Nothing of ``sequencer.analysis.claims`` but its verdict is used.

Every room and every shortfall get the same number of cells, so that the borderline of a claim is
visited more often than a draw over 50 to 105 % would. The aim is that no bin is above 5 % at 95 %
confidence, and does not say of what. The rule of decision states its risk for a claim that is
judged, before anybody knows the word: that of a *home*. A bin is *not shown* to be below 5 % when
95 % confidence does not exclude more: 4,000 homes are 250 a bin, of which six wrong words are still
shown to be below. Who has got one of the two words asks for the risk of a *word*. It is higher
where most homes stay undecided, and is printed too where it is not shown to be below; a bin is
*missed* where 95 % confidence shows it above.
"""

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.stats import beta

from sequencer.analysis.analyse import analyse
from sequencer.analysis.results import Tested, VerdictWord
from sequencer.documents.specimen import SpecimenDocument
from sequencer.vocabulary.table import StepName, Table
from tests.analysis.claims.figures import cell as document_of
from tests.analysis.uncertainty.erring import Erring, ammeter_sheet, voltmeter_sheet
from tests.analysis.uncertainty.pretended import bench, definitions
from tests.analysis.uncertainty.true_night import Cell, Night

ROOMS_C = (10.0, 15.0, 20.0, 25.0, 30.0)
SHORTFALLS = (-0.05, 0.0, 0.05, 0.275, 0.50)
"""Edges of the bins: beyond 5 % two of one width, so that those cells are an even draw."""
RATED_AH = 3.0
LEAD_OHM = 0.030
SENSOR_K = 0.4
WRONG_OF_WORDS = 0.02
RISK = 0.05
UNDECIDED = 0.15
KINDS = {"capacity": "Ah", "energy": "Wh", "energy per mass": "Wh/kg"}


@dataclass(frozen=True)
class Home:
    """One cell judged: the room (degC), by which share the cell falls short of the claim, the rate,
    what the claim is about, and the word."""

    seed: int
    room_c: float
    shortfall: float
    rate_c: float
    about: str
    word: VerdictWord
    why: str = ""

    @property
    def is_decided(self) -> bool:
        """It got one of the two words that can be wrong."""
        return self.word in (VerdictWord.SUPPORTED, VerdictWord.NOT_SUPPORTED)

    @property
    def is_wrong(self) -> bool:
        """The word says what is not so."""
        kept = self.shortfall <= 0.0
        return self.word is (VerdictWord.NOT_SUPPORTED if kept else VerdictWord.SUPPORTED)


def lost(room_c: float, rate_c: float, felt: float) -> float:
    """Which share of what it gives at 25 degC a cell does not give in that room (below zero: it
    gives more): ``felt`` times the most that is allowed, kelvin by kelvin."""
    kelvins = np.arange(0.005, abs(25.0 - room_c), 0.01)
    places = 25.0 - kelvins if room_c < 25.0 else 25.0 + kelvins
    most = {0.2: 0.003, 1.0: 0.006}[rate_c] * np.where(places < 15.0, 2.0, 1.0)
    more = float(most.sum()) * 0.01 * felt
    return more / (1.0 + more) if room_c < 25.0 else -more / (1.0 - more)


def _curve(rng, twice: float) -> tuple[float, ...]:
    """An open-circuit curve that ends as steeply as drawn: 0.4 to 1 of the charge a volt."""
    last = 0.1 / rng.uniform(0.4, 1.0 * twice)
    middle = min(4.00, 4.2 - last - 0.03)
    return (
        2.70,
        2.95,
        3.18,
        3.32,
        3.42,
        3.53,
        3.60,
        3.65,
        3.72,
        3.81,
        middle - 0.03 * (middle < 4.0),
        middle,
        4.2 - last,
        4.2,
    )


def home(seed: int) -> Home:
    """The cell of that seed, judged."""
    rng = np.random.default_rng([2029, seed])
    room_c = _within(rng, ROOMS_C, seed)
    shortfall = _within(rng, SHORTFALLS, seed // (len(ROOMS_C) - 1))
    rate_c, about = float(rng.choice([0.2, 1.0])), str(rng.choice(list(KINDS)))
    twice = 2.0 if rng.random() < 0.1 else 1.0
    end_a, claimed_end_a = rng.choice([0.10, 0.15]), rng.choice([0.06, 0.10, 0.15])
    at_25 = Cell(
        ah=RATED_AH * (1.0 - shortfall) * rng.uniform(0.99, 1.05),
        r0=rng.uniform(0.015, 0.045),
        r1=rng.uniform(0.005, 0.025),
        tau_s=rng.uniform(15.0, 60.0),
        mass_g=rng.uniform(42.0, 52.0),
        kept=rng.uniform(0.994, 0.9995),
        curve_v=_curve(rng, twice),
    )
    truth = _truth(at_25, rate_c, claimed_end_a)[about]
    tested = _tested(rng, at_25, room_c, rate_c, end_a, rng.uniform(0.0, twice))
    claimed = truth / (1.0 - shortfall)
    terms = (
        f"{{rate: {rate_c} C, cut-off: 3 V, charge voltage: 4.2 V, "
        f"termination current: {claimed_end_a} A, temperature: 25 degC}}"
    )
    document = document_of((f"{about}: {claimed:.9f} {KINDS[about]}", terms))
    document = document.model_copy(update={"mass": at_25.mass_g})
    (found,) = analyse(replace(tested, cell=document)).verdicts
    return Home(seed, room_c, shortfall, rate_c, about, found.word, found.why)


def _within(rng, edges: Sequence[float], number: int) -> float:
    place = number % (len(edges) - 1)
    return float(rng.uniform(edges[place], edges[place + 1]))


def _truth(cell: Cell, rate_c: float, end_a: float) -> dict[str, float]:
    """What the cell gives on the claim's own terms, nothing in between."""
    night = _night(cell, 4.2, rate_c, lambda amps: amps <= end_a, lambda volts: volts <= 3.0)
    given = night.steps[2].more
    ah, wh = given["cut_off_ah"], given["cut_off_wh"]
    return {"capacity": ah, "energy": wh, "energy per mass": 1000.0 * wh / cell.mass_g}


def _night(cell: Cell, held_v: float, rate_c: float, full, empty) -> Night:
    """Filled, rested, emptied, rested."""
    night = Night(cell, 0.10)
    night.hold("CC-CV charge", held_v, 0.5 * RATED_AH * min(1.0, cell.ah / RATED_AH), full)
    night.go("rest", "rest", 0.0, 300)
    night.until("CC discharge", -rate_c * RATED_AH, empty, 21_000 / rate_c / 5.0)
    night.go("rest", "rest", 0.0, 300)
    return night


def _tested(rng, at_25: Cell, room_c: float, rate_c: float, end_a: float, felt: float) -> Tested:
    """The night as this home's instruments show it. The cell stands behind its leads: what the
    meter and the supply see is the voltage at their other end."""
    sheets = {
        "supply_current": ammeter_sheet(rng, coarse=rng.random() < 0.2),
        "load_current": ammeter_sheet(rng),
        "meter_voltage": voltmeter_sheet(rng),
    }
    gauges = {name: Erring(rng, one, room_c) for name, one in sheets.items()}
    lead = LEAD_OHM * (1.0 + rng.uniform(-0.1, 0.1))
    behind = at_25._replace(ah=at_25.ah * (1.0 - lost(room_c, rate_c, felt)), r0=at_25.r0 + lead)
    volts, amps = gauges["meter_voltage"], gauges["supply_current"]
    night = _night(
        behind,
        4.2 * (1.0 + rng.uniform(-0.003, 0.003)),
        rate_c,
        lambda true: amps.read(true) <= end_a,
        lambda true: volts.read(true) <= 3.0,
    )
    zeros = {}
    if rng.random() < 0.5:
        zeros = {name: gauges[f"{name[:-2]}_current"].zero() for name in ("supply_a", "load_a")}
    seen_c = room_c + rng.uniform(-SENSOR_K, SENSOR_K) if rng.random() < 0.75 else np.nan
    weighed = {"mass": f"{at_25.mass_g + rng.uniform(-0.05, 0.05):.1f} g", "of": "bare"}
    return Tested(
        _recorded(night, gauges, seen_c),
        specimen=SpecimenDocument.model_validate(
            {"specimen": "x", "cell": "x", "weighings": [weighed]}
        ),
        bench=bench(sense="two-wire", lead=f"{1000 * LEAD_OHM:g} mOhm"),
        definitions=definitions(**sheets),
        current_zero_a=zeros,
    )


def _recorded(night: Night, gauges, seen_c: float) -> Table:
    """The table that a recorder writes: the row at an edge holds what was before it."""
    steps = night.steps
    time_s, volts, amps = (
        np.concatenate([getattr(one, name)[:-1] for one in steps])
        for name in ("time_s", "voltage_v", "current_a")
    )
    number = np.repeat(np.arange(1, len(steps) + 1), [len(one.time_s) - 1 for one in steps])
    filled = np.where(amps > 0.0, gauges["supply_current"].read(np.maximum(amps, 0.0)), 0.0)
    drawn = np.where(amps < 0.0, gauges["load_current"].read(np.maximum(-amps, 0.0)), 0.0)
    nothing = np.full(len(time_s), np.nan)
    return Table(
        time_s,
        gauges["meter_voltage"].read(volts),
        filled - drawn,
        time_s,
        time_s,
        number,
        np.ones(len(time_s), int),
        nothing,
        nothing,
        np.full(len(time_s), seen_c),
        {i + 1: StepName(one.kind, one.name) for i, one in enumerate(steps)},
    )


# What came of it


@dataclass(frozen=True)
class Bin:
    """The homes of one room and one shortfall: how many, how many words, how many of them wrong."""

    room: str
    shortfall: str
    homes: int
    words: int
    wrong: int

    @property
    def at_most(self) -> float:
        """The risk of a home that 95 % confidence does not exclude."""
        return _at_most(self.wrong, self.homes)

    @property
    def of_words_at_most(self) -> float:
        """The same of a word that was given."""
        return _at_most(self.wrong, self.words)

    @property
    def of_words_at_least(self) -> float:
        """The risk of a word below which 95 % confidence does not believe it to be."""
        right = self.words - self.wrong
        return float(beta.ppf(0.05, self.wrong, right + 1)) if self.wrong else 0.0


def _at_most(wrong: int, of: int) -> float:
    """The upper end of Clopper and Pearson's interval, one-sided."""
    return float(beta.ppf(0.95, wrong + 1, of - wrong)) if of > wrong else 1.0


def _said(edges: Sequence[float], value: float, say) -> str:
    for low, high in pairwise(edges):
        if low <= value < high or value == edges[-1] == high:
            return f"{say(low)} to {say(high)}"
    raise ValueError(value)


def bins(found: Sequence[Home]) -> list[Bin]:
    """All of them, by room and shortfall."""
    grouped: dict[tuple[str, str], list[Home]] = {}
    for one in sorted(found, key=lambda each: each.shortfall):
        room = _said(ROOMS_C, one.room_c, lambda c: f"{c:g}")
        short = _said(SHORTFALLS, one.shortfall, lambda share: f"{100 * share:g}")
        grouped.setdefault((room, short), []).append(one)
    return [
        Bin(room, short, len(all_), sum(h.is_decided for h in all_), sum(h.is_wrong for h in all_))
        for (room, short), all_ in grouped.items()
    ]


@dataclass(frozen=True)
class Campaign:
    """What came of all homes."""

    homes: int
    words: int
    wrong: int
    short: int
    undecided: int
    bins: tuple[Bin, ...]

    @classmethod
    def of(cls, found: Sequence[Home]) -> "Campaign":
        """Counted; ``short`` are the cells that fall short by more than 5 %."""
        short = [one for one in found if one.shortfall > RISK]
        return cls(
            len(found),
            sum(one.is_decided for one in found),
            sum(one.is_wrong for one in found),
            len(short),
            sum(not one.is_decided for one in short),
            tuple(bins(found)),
        )

    @property
    def unshown(self) -> list[str]:
        """The bins of which so many homes do not show that the risk of a home is below 5 %."""
        return [_doubted(one, one.homes, one.at_most) for one in self.bins if one.at_most > RISK]

    @property
    def unshown_words(self) -> list[str]:
        """The bins of which so few words do not show that the risk of a word is below 5 %."""
        return [
            _doubted(one, one.words, one.of_words_at_most)
            for one in self.bins
            if one.of_words_at_most > RISK
        ]

    @property
    def broken(self) -> list[str]:
        """The aims that were missed for sure, in words: a bin by the risk of its words (that of its
        homes is never higher), all words together, and the undecided."""
        missed = [
            f"{one.room} degC, {one.shortfall} %: {one.wrong} of {one.words} words wrong"
            for one in self.bins
            if one.of_words_at_least > RISK
        ]
        if self.wrong > WRONG_OF_WORDS * self.words:
            missed.append(f"{self.wrong} of {self.words} words wrong")
        if self.undecided > UNDECIDED * self.short:
            missed.append(f"{self.undecided} of {self.short} undecided beyond 5 %")
        return missed

    def table(self) -> str:
        """For a person: one line a room, one column a shortfall."""
        columns = list(dict.fromkeys(one.shortfall for one in self.bins))
        head = "".join(f"{f'short by {name} %':>24}" for name in columns)
        lines = [f"{'room (degC)':12}{head}", f"{'':12}" + f"{'words wrong of  at most':>24}" * 4]
        for room in sorted({one.room for one in self.bins}):
            cells = {one.shortfall: one for one in self.bins if one.room == room}
            lines.append(f"{room:12}" + "".join(_cell(cells.get(name)) for name in columns))
        lines.append(
            f"{self.wrong} of {self.words} words wrong ({self.wrong / max(self.words, 1):.2%}); "
            f"{self.undecided} of {self.short} undecided where it is more than 5 % short "
            f"({self.undecided / max(self.short, 1):.1%})"
        )
        return "\n".join(lines)


def _doubted(one: Bin, of: int, at_most: float) -> str:
    return (
        f"{one.room} degC, {one.shortfall} %: {one.wrong} of {of} wrong, which may be "
        f"{100.0 * at_most:.1f} %"
    )


def _cell(one: Bin | None) -> str:
    if one is None:
        return f"{'-':>24}"
    return f"{one.words:7}{one.wrong:6}{one.homes:4}{one.at_most:7.1%}"


def homes(count: int, kept: Path | None) -> list[Home]:
    """The homes of the first ``count`` seeds; those in ``kept`` are not made again."""
    lines = (
        kept.read_text(encoding="utf-8").splitlines() if kept is not None and kept.exists() else []
    )
    found = [Home(**{**one, "word": VerdictWord(one["word"])}) for one in map(json.loads, lines)]
    for seed in range(len(found), count):
        found.append(home(seed))
        if kept is not None:
            with kept.open("a") as file:
                file.write(json.dumps({**vars(found[-1]), "word": found[-1].word.value}) + "\n")
    return found[:count]


def main() -> None:
    """Run the campaign, print its table and every wrong word; exit 1 when an aim is missed or not
    shown to be met."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=4000)
    parser.add_argument("--results", type=Path, default=None, help="a line a home; goes on from it")
    given = parser.parse_args()
    found = homes(given.count, given.results)
    campaign = Campaign.of(found)
    wrong = [f"wrong, seed {one.seed}: {one.why}" for one in found if one.is_wrong]
    unshown = [f"not shown to be below {RISK:.0%}: {one}" for one in campaign.unshown]
    words = [f"of its words not shown below {RISK:.0%}: {one}" for one in campaign.unshown_words]
    broken = [f"missed: {one}" for one in campaign.broken]
    print("\n".join([campaign.table(), *broken, *unshown, *words, *wrong]))
    raise SystemExit(1 if campaign.broken or unshown else 0)


if __name__ == "__main__":
    main()
