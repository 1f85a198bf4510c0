"""Signs that a console lacks, spelled with letters that every console has.

Owns the signs of the trade that the answers use, and no other: what else a console lacks is shown
as a question mark.
"""

import codecs
import io
from typing import Final, TextIO

SPELLED: Final = {
    "±": "+/-",
    "−": "-",
    "Ω": "Ohm",
    "ω": "ohm",
    "µ": "u",
    "μ": "u",
    "°": "deg ",
    "\N{NO-BREAK SPACE}": " ",
    "“": '"',
    "”": '"',
}


def spell_on(stream: TextIO) -> None:
    """From now on no sign stops or empties a word that is printed on this stream."""
    codecs.register_error("spelled", _spell)
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="spelled")


def is_unicode(stream: TextIO) -> bool:
    """Whether the stream takes every sign, as JSON between programs asks (RFC 8259, 8.1)."""
    return (stream.encoding or "").lower().startswith("utf")


def _spell(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    lacking = error.object[error.start : error.end]
    return "".join(SPELLED.get(sign, "?") for sign in lacking), error.end
