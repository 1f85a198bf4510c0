"""A headless Chromium, driven as a plain process; what a page is made to tell about itself.

The browser must be there: without one these tests fail with words, and are never skipped.
"""

import html
import json
import re
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests import chromium

PATIENCE_S = 180.0
_QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--hide-scrollbars",
    "--force-device-scale-factor=1",
)

BROKEN_NUMBERS = r"""(() => {
  const broken = [], number = new RegExp(
    '[+\u2212-]?\\d[\\d.,]*([ \u00a0]\u00b1[ \u00a0][\\d.]+)?'
    + '[ \u00a0]'
    + '(Ah|mAh|Wh\\/kg|Wh\\/L|Wh|mWh|m\u03a9|V|mV|A|mA|W|g|\u00b0C|%|C|K|s|min|h)(?![\\w])',
    'g');
  const walker = page.createTreeWalker(page.body, NodeFilter.SHOW_TEXT);
  let seen = 0;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    if (node.parentElement.closest('svg, style, .unseen')) continue;
    for (const match of node.data.matchAll(number)) {
      const range = page.createRange();
      range.setStart(node, match.index);
      range.setEnd(node, match.index + match[0].length);
      const tops = [...range.getClientRects()].filter(one => one.width).map(one => one.top);
      if (!tops.length) continue;
      seen += 1;
      if (Math.max(...tops) - Math.min(...tops) > 3)
        broken.push(node.data.slice(Math.max(0, match.index - 20), match.index + 30));
    }
  }
  return {seen, broken};
})()"""
"""Every number with its unit that stands on two lines, and how many were looked at."""


def browse(page: Path, *words: str) -> str:
    """Load ``page`` with further switches, in a profile of its own; its standard output."""
    with tempfile.TemporaryDirectory(prefix="nightbench-chromium-") as profile:
        done = subprocess.run(
            [chromium.demand(), *_QUIET, f"--user-data-dir={profile}", *words, page.as_uri()],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    return done.stdout


def ask(page: Path, place: Path, program: str, *words: str, width: int = 1280) -> Any:
    """What ``program``, a JavaScript expression, is in the page, ``width`` CSS pixels wide."""
    return ask_all(page, place, [program], *words, width=width)[program]


def ask_all(
    page: Path, place: Path, programs: Sequence[str], *words: str, width: int = 1280
) -> dict[str, Any]:
    """The same of several programs in one load of the page: each with what it is there, or with
    the words of the error that it ended in.

    A copy of the page stands in a frame, because a headless window is never as narrow as a phone.
    Its policy against scripts is lifted in the copy, and only there.
    """
    source = re.sub(
        r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page.read_text("utf-8")
    )
    frame = place / f"frame-{width}.html"
    functions = ",\n".join(f"() => {program}" for program in programs)
    frame.write_text(
        f'<body><iframe style="width:{width}px;height:900px;border:0"'
        f' srcdoc="{html.escape(source)}"></iframe>'
        "<script>onload = () => {"
        "const frame = document.querySelector('iframe').contentWindow, page = frame.document;"
        "const answer = one => { try { return one(); } catch (error) { return String(error); } };"
        f"const told = [{functions}].map(answer);"
        "document.body.replaceChildren(document.createTextNode("
        "'{{{ANSWER' + JSON.stringify(told) + 'ANSWER}}}'));"
        "}</script></body>",
        encoding="utf-8",
    )
    dom = browse(frame, "--dump-dom", "--window-size=1600,1000", *words)
    found = re.search(r"\{\{\{ANSWER(.*)ANSWER\}\}\}", dom, re.DOTALL)
    assert found is not None, dom[-2000:]
    return dict(zip(programs, json.loads(html.unescape(found.group(1))), strict=True))


def picture_of(page: Path, place: Path, name: str, *words: str) -> Path:
    """A screenshot of the page's beginning as PNG."""
    file = place / name
    browse(page, f"--screenshot={file}", "--window-size=400,500", *words)
    return file


def printed(page: Path, place: Path) -> Path:
    """The page printed to PDF."""
    file = place / "printed.pdf"
    browse(page, "--no-pdf-header-footer", f"--print-to-pdf={file}")
    return file
