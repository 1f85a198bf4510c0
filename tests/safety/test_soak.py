"""A short soak (``python -m tests.safety.soak`` is the long one): nothing grows."""

from tests.safety.soak import Holding, findings, growth, reconnect, soak

TICKS = 3000
RECONNECTS = 100


def test_thousands_of_ticks_over_sockets_hold_no_more_than_before(tmp_path):
    """Real executive, drivers and recorder: no handle and no thread more, memory as it was."""
    seen, _ = soak(TICKS, tmp_path)
    assert list(findings(growth(seen))) == []
    assert growth(seen).tick > TICKS // 2


def test_sessions_made_anew_hold_no_more_than_before():
    """Each instrument reconnected a hundred times: the library's old sessions are let go."""
    assert list(findings(growth(reconnect(RECONNECTS)))) == []


def test_what_grows_is_told():
    """A handle more at every look, a thread more, and ten megabytes."""
    seen = [Holding(n, 10_000_000 + n * 200_000, 20 + n, 3 + n // 50) for n in range(100)]
    assert list(findings(growth(seen))) == [
        "memory grew by 15.0 MB",
        "75 handles more",
        "1 threads more",
    ]
