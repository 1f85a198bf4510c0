"""A use document and its trace, read."""

import pytest

from sequencer.analysis.results import Analysis
from sequencer.assembly.product import in_product
from sequencer.vocabulary.faults import DocumentError
from tests.analysis.pretending import ran, rest


@pytest.mark.parametrize(
    ("raw", "rule"),
    [
        (b"\xef\xbb\xbftime / s,power / W\n0,1\n9,0\n", "lamp.csv:1:1: begins with a byte-order"),
        (b"\xff\xfet\0", "lamp.csv:1:1: is UTF-16 text"),
        (b"time / s,power / W\n0,1\n9,\xb5\n", "lamp.csv:3:3: the byte 0xB5 is not UTF-8 text"),
    ],
)
def test_a_trace_that_is_no_plain_text_is_told_with_its_place(tmp_path, raw, rule):
    """A spreadsheet puts a mark before the heading, which nobody sees."""
    (tmp_path / "lamp.csv").write_bytes(raw)
    (tmp_path / "use.yaml").write_text("use: lamp\ntrace: lamp.csv\n", encoding="utf-8")
    tested = ran([rest(60.0, 3.7)])
    with pytest.raises(DocumentError) as refused:
        in_product(tested, Analysis(()), tmp_path / "use.yaml")
    assert rule in str(refused.value)
