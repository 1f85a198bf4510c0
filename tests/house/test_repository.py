"""What a fresh clone needs: its README's command, its CI, and nothing from outside itself."""

import os
import re

from tests.house.tree import ROOT, tracked

COMMAND = (
    "python3 -m venv .venv && .venv/bin/pip install --quiet --editable '.[test]'"
    " && .venv/bin/python -m tests"
)


def test_the_readme_states_the_test_command():
    """CI runs the README's command word for word: it stands in a block after the marker."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"^<!-- test command -->\n+```[a-z]*\n(.*?)\n```", text, re.M | re.S)
    assert block is not None
    assert block.group(1) == COMMAND


def test_ci_can_be_run():
    """``.ci/run`` is executable and takes its command from the README."""
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    assert "README.md" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_nothing_needs_a_folder_outside_the_repository():
    """A clone stands alone: the founders' common folder is named nowhere."""
    outside = re.compile("|".join(("/work/" + "shared", r"\.\./" + "shared", "shared" + "/[A-Z]")))
    naming = []
    for path in tracked():
        raw = (ROOT / path).read_bytes()
        if outside.search(raw.decode("utf-8", "ignore")):
            naming.append(str(path))
    assert naming == []
