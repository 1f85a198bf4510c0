"""Proofs of off are held against the truth: the rules, seeded samples, and what is known."""

from concurrent.futures import ThreadPoolExecutor
from math import inf

import pytest

from sequencer.vocabulary.verdict import Exit
from tests.fakes import PROVEN
from tests.safety import virtual, wired
from tests.safety.outcomes import Job, Strike, Told, read, table
from tests.safety.small_night import TRUTH_BENCHES
from tests.safety.truth import Bounds, Truth, bounds_of, wrongs
from tests.safety.truths import make_runs

SEED = 8
VIRTUAL = 240
WIRED = 14
AT_ONCE = 5
"""Runs over wires at one time: most of each is waiting for what is silent."""
LIAR = frozenset({"supply"})


def _rules(monkeypatch, bounds: Bounds, truth: Truth, code: Exit = Exit.FAULTED) -> str:
    monkeypatch.setattr("tests.safety.truth.bounds_of", lambda _: bounds)
    return "".join(one.rule for one in wrongs(code, PROVEN, truth))


@pytest.mark.parametrize(
    ("bounds", "truth", "rules"),
    [
        (Bounds(0.01, inf), Truth(0.009), ""),
        (Bounds(0.01, inf), Truth(0.011), "a"),
        (Bounds(0.01, inf), Truth(0.011, leaks_a=0.002), ""),
        (Bounds(0.01, inf), Truth(2.0, liars=LIAR, driver="supply"), ""),
        (Bounds(0.01, 0.1), Truth(0.09, liars=LIAR, driver="supply"), ""),
        (Bounds(0.01, 0.1), Truth(0.11, liars=LIAR, driver="supply"), "b"),
        (Bounds(0.01, 0.1), Truth(0.11, liars=LIAR, driver="load"), ""),
        (Bounds(0.01, 0.1), Truth(0.11, liars=frozenset({"supply", "meter"})), ""),
        (Bounds(0.01, inf), Truth(0.0, has_witness=True), "c"),
        (Bounds(0.01, 0.0), Truth(0.0, has_witness=True), ""),
        (Bounds(0.01, inf), Truth(0.0, left_on=("supply",)), "d"),
        (Bounds(0.01, inf), Truth(0.0, left_on=("supply",), silent=LIAR), "d"),
        (Bounds(0.01, inf), Truth(0.0, left_on=("supply",), liars=LIAR), ""),
        (Bounds(0.01, inf), Truth(0.0, left_on=("load",), liars=LIAR), "d"),
    ],
)
def test_what_is_wrong_with_an_ending(monkeypatch, bounds, truth, rules):
    """Each rule on both sides; with exit 7 nothing is claimed, and nothing is wrong."""
    assert _rules(monkeypatch, bounds, truth) == rules
    assert _rules(monkeypatch, bounds, truth, Exit.UNPROVEN) == ""


def test_every_run_is_drawn_once_and_the_same_seed_draws_the_same():
    """Every pair in every phase on every bench, nothing twice."""
    for face in (virtual, wired):
        jobs = face.jobs(SEED)
        assert jobs == face.jobs(SEED)
        assert jobs != face.jobs(SEED + 1)
        assert len({one.key for one in jobs}) == len(jobs)
        assert {one.bench for one in jobs} == set(TRUTH_BENCHES)


def test_every_pair_about_off_occurs_over_the_wires_on_the_modest_bench():
    """At least 2,000 runs; every fault that concerns off, silence, a panel or a denial meets every
    other one."""
    jobs = wired.jobs(SEED)
    assert len(jobs) >= 2000
    here = [one for one in jobs if one.bench == "modest"]
    names = {one.struck[0].name for one in here if len(one.struck) == 1}
    met = {frozenset(strike.name for strike in one.struck) for one in here if len(one.struck) == 2}
    about_off = {name for name in names if wired.FAULTS[name].kind in wired.ABOUT_OFF}
    assert {frozenset((a, b)) for a in about_off for b in names - {a}} == met


def test_a_campaign_that_was_cut_off_goes_on_where_it_was(tmp_path):
    """A half line is no result; its run is made again, and no other."""
    jobs = [one for one in virtual.jobs(SEED) if one.bench == "bare"][:3]
    results = tmp_path / "results.jsonl"
    first = list(make_runs(jobs, virtual.run, results))
    assert [one.job for one in first] == jobs
    results.write_text(results.read_text(encoding="utf-8")[:-20])
    again = list(make_runs(jobs, virtual.run, results))
    assert again == first[-1:]
    assert sorted(read([results])) == sorted(first)
    assert list(make_runs(jobs, virtual.run, results)) == []


def test_the_table_counts_by_bench_fault_and_phase():
    """Exits, levels and wrongs of each fault, and where it was wrong."""
    job = Job("virtual", "modest", (Strike("21 x", "rest", 0), Strike("3 y", "CC", 1)))
    wrong = Told(job, 6, "B", 0.01, inf, 2.0, (), ("supply",), "no reply", (("d", "(d)"),))
    right = wrong._replace(job=job._replace(struck=job.struck[:1]), wrong=(), exit=7)
    lines = list(table([wrong, right]))
    assert "virtual, the modest bench: 2 runs, 1 wrong" in lines[0]
    (row,) = [line.split() for line in lines if line.startswith("21 x")]
    assert " ".join(row) == "21 x 2 1 - - - 1/2 - - - - 6:1 7:1; B:2"
    assert "2 runs, 1 wrong (rule d: 1)" in lines[-2]


def _told(results: list[Told]) -> str:
    return "\n".join(f"{one.job.key}: {words}" for one in results for _, words in one.wrong)


def test_a_sample_on_the_twin_proves_nothing_that_is_not_so():
    """Singles and pairs on three benches, drawn by seed."""
    results = [virtual.run(job) for job in virtual.jobs(SEED)[:VIRTUAL]]
    results += [virtual.run(job) for job in virtual.triples(SEED, VIRTUAL // 8)]
    assert _told(results) == ""


def test_a_sample_over_the_wires_proves_nothing_that_is_not_so():
    """The real drivers and the real safing, several runs at a time."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        results = list(pool.map(wired.run, wired.jobs(SEED)[:WIRED]))
    assert _told(results) == ""


ONCE_WRONG: tuple[tuple[str, str, list[tuple[str, str, int]]], ...] = (
    ("virtual", "modest", [("20 load denies, reads 0", "CC", 1)]),
    ("virtual", "bare", [("20 supply denies, reads 0", "checking", 1)]),
    (
        "virtual",
        "demonstration",
        [("20 contact welds, denies", "CC", 1), ("21 supply on, then silent", "CC", 1)],
    ),
    (
        "virtual",
        "modest",
        [("13 cell voltage", "changeover", 0), ("20 load denies, reads 0", "changeover", 2)],
    ),
    ("wired", "modest", [("panel-supply-on", "rest", 1), ("killed", "rest", 1)]),
    ("wired", "bare", [("output-denied", "CC", 1)]),
    (
        "wired",
        "demonstration",
        [("contactor-welded-denied", "CC", 1), ("on-and-silent", "rest", 1)],
    ),
)
"""Runs whose proofs said what was not so before every output had to answer, before a contact had to
be seen to part the cell, before a lie had a bound of its own, and while one output was judged by
what was read under the other."""


def test_what_was_once_wrong_is_so_no_more():
    """An output that denies, one that is on and silent, a welded contact that denies."""
    faces = {virtual.FACE: virtual, wired.FACE: wired}
    jobs = [
        Job(face, bench, tuple(Strike(*strike) for strike in shown))
        for face, bench, shown in ONCE_WRONG
    ]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        results = list(pool.map(lambda job: faces[job.face].run(job), jobs))
    assert _told(results) == ""


def test_a_proof_says_its_bounds_whatever_it_is_made_of():
    """Read in one place."""
    assert bounds_of(PROVEN) == Bounds(0.0, 0.0)
