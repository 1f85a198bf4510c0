"""Off to everything on one port goes line by line, and each line waits a gap."""

import pytest

from sequencer.source.loading import Intake
from sequencer.source.sets import look_at_bench
from tests.source.samples import BENCH, TRUTH
from tests.source.test_sets import BOX, faults, shipped


@pytest.mark.parametrize(("gap", "told"), [("100 ms", ""), ("130 ms", "0.52 s")])
def test_gaps_on_one_port_keep_off_waiting_for_half_a_second_at_most(tmp_path, gap, told):
    """Off to two channels of one box goes line by line: each alone would be fast enough."""
    own = BOX.read_text(encoding="utf-8").replace("  baud rate: 115200", f"  gap: {gap}")
    (tmp_path / "truth.yaml").write_text(TRUTH, encoding="utf-8")
    bench = tmp_path / "bench.yaml"
    (tmp_path / "box.yaml").write_text(own.replace("[socket, serial]", "[socket]"), "utf-8")
    text = BENCH.replace(
        "{definition: generic-scpi-supply,", "{definition: ./box.yaml, channel: 1,"
    ).replace(
        "  load:", "  spare: {definition: ./box.yaml, channel: 2, address: served}\n  load:", 1
    )
    bench.write_text(text, encoding="utf-8")
    look_at_bench(bench, shipped, intake := Intake())
    if not told:
        intake.settle()
        return
    (fault,) = faults(bench)
    assert f"channel '2': off to all on this port would wait {told} in gaps (box.yaml:11" in fault
