"""What the manifest of a resumed run says of the run before it, and the plan that follows from it.

Owns the words kept under ``resumes``: numbers only, so that a replay makes the same plan again from
the folder alone.
"""

from collections.abc import Mapping
from typing import Any, Final

from sequencer.plan.counted_charge import account_from, plain_account
from sequencer.plan.loops import plain_state, state_from
from sequencer.plan.plan import RunAccount
from sequencer.plan.rest import Again, RestOfPlan, begun_again
from sequencer.run_documents.reading import RunDocuments

RESUMES: Final = "resumes"


def go_on(run_documents: RunDocuments, told: Mapping[str, Any] | None) -> RunDocuments:
    """The documents of a run that resumes another one, from ``told``; unchanged when it does not.

    ``first_step`` counts from 1 in the whole plan; ``again`` is what that step had done, or None;
    ``loops`` is what its loops had counted, ``charge`` from where a state of charge is counted;
    ``spent_s`` is taken off the time that the whole run may last.
    """
    if told is None:
        return run_documents
    whole, first = run_documents.plan, int(told["first_step"]) - 1
    left_s = whole.limits.total_time_s - float(told["spent_s"])
    limits = whole.limits._replace(total_time_s=left_s)
    done = told["again"]
    begun = None if done is None else begun_again(whole[first], _again(done))
    plan = RestOfPlan(whole, first, limits, begun, account_of(told))
    return run_documents._replace(plan=plan, already_in_ah=float(told["already_in_ah"]))


def account_of(told: Mapping[str, Any] | None) -> RunAccount:
    """What had been counted when the run before was broken off; nothing without one."""
    kept = told or {}
    return RunAccount(state_from(kept.get("loops")), account_from(kept.get("charge")))


def account_told(account: RunAccount) -> dict[str, Any]:
    """The same as it is kept."""
    return {"loops": plain_state(account.loops), "charge": plain_account(account.charge)}


def _again(done: Mapping[str, Any]) -> Again:
    return Again(float(done["lasted_s"]), float(done["charge_in_ah"]), float(done["energy_in_wh"]))
