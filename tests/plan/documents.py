"""Short documents for tests of plans: steps as YAML text, on a cell of round numbers."""

from textwrap import dedent

from sequencer.documents.cell import CellDocument
from sequencer.documents.profile import ProfileDocument
from sequencer.plan.against_cell import find_breaches
from sequencer.plan.make import make_plan
from sequencer.plan.tree import TreePlan
from sequencer.source.loading import Loaded, load_text

CELL_TEXT = """
cell: Round numbers
chemistry: NMC
rated capacity: 2 Ah
mass: 50 g
expected resistance: 30 mOhm
recommended:
  charge voltage: 4.20 V
  cut-off voltage: 3.00 V
  charge current: 1 C
  discharge current: 2 C
  charge temperature: {low: 10 degC, high: 40 degC}
  discharge temperature: {low: 0 degC, high: 50 degC}
absolute:
  charge voltage: 4.25 V
  cut-off voltage: 2.50 V
  charge current: 2 C
  discharge current: 4 C
  charge temperature: {low: 5 degC, high: 45 degC}
  discharge temperature: {low: -10 degC, high: 60 degC}
storage voltage: 3.80 V
"""


def cell(more: str = "") -> CellDocument:
    """The cell of round numbers: 2 Ah, 3.0 to 4.2 V recommended, 2.5 to 4.25 V absolute."""
    return load_text(CELL_TEXT + dedent(more), "cell.yaml", CellDocument).document


CELL = cell()


def loaded(steps: str, limits: str = "") -> Loaded[ProfileDocument]:
    """A profile of these steps (a YAML list) and limits (YAML lines), with its places."""
    body = "profile: test\n"
    if limits:
        body += "limits:\n" + _indented(limits)
    return load_text(body + "steps:\n" + _indented(steps), "profile.yaml", ProfileDocument)


def profile(steps: str, limits: str = "") -> ProfileDocument:
    """As ``loaded``, without places."""
    return loaded(steps, limits).document


def plan(steps: str, limits: str = "") -> TreePlan:
    """The plan of these steps for the cell of round numbers; they must break no rule."""
    made = profile(steps, limits)
    assert find_breaches(made, CELL) == []
    return make_plan(made, CELL)


def told(steps: str, limits: str = "", of: CellDocument = CELL) -> list[str]:
    """Every broken rule as a person reads it: place in the profile, message, culprit."""
    one = loaded(steps, limits)
    return [
        f"{':'.join(map(str, one.place(*breach.path)[1:]))}: {breach.message}"
        + (f" <{breach.culprit[0]}: {_key(breach.culprit[1])}>" if breach.culprit else "")
        for breach in find_breaches(one.document, of)
    ]


def _key(path: tuple[str | int, ...]) -> str:
    return " / ".join(map(str, path))


def _indented(text: str) -> str:
    lines = dedent(text).strip("\n").splitlines()
    return "".join(f"  {line}\n" for line in lines)
