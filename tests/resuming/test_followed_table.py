"""A run that follows the maker's table, taken up again: nothing is known of the cell's charge."""

from sequencer.machine.machine import Machine
from sequencer.plan.soc_range import ANYWHERE
from sequencer.run_documents.channels import measuring_channels_of
from sequencer.run_documents.reading import RunOptions, read_run_documents
from sequencer.run_documents.remaining_plan import go_on
from sequencer.vocabulary.verdict import CLEAR
from tests.builders import sample
from tests.safety.small_night import CELL, ROOT

TOLD = {
    "first_step": 4,
    "spent_s": 3600.0,
    "again": None,
    "loops": None,
    "already_in_ah": 0.0,
}


def test_the_rest_of_the_plan_follows_the_table_and_begins_with_any_state_of_charge():
    """The whole plan knows the cell full before its discharge; the resumed one does not, and keeps
    to the row of a nearly empty cell until the cell is seen full again."""
    bench = ROOT / "sim_configs/benches/cold-room.yaml"
    whole = read_run_documents(RunOptions(ROOT / "profiles/cold-charge.yaml", CELL, bench))
    rest = go_on(whole, TOLD)
    assert rest.plan.limits.follows_table
    assert rest.plan[0].drive == whole.plan[3].drive
    machine = Machine(rest.plan, measuring_channels_of(rest))
    machine, _ = machine.advance(sample(1, 4.1), CLEAR)
    assert machine.estimate.soc == ANYWHERE
    assert machine.estimate.lowest_a(rest.plan[0].drive) == 4.5
    known = machine.estimate._replace(soc=ANYWHERE.filled())
    assert known.lowest_a(rest.plan[0].drive) > 4.5
