"""The files that ship with the report, and a picture of it as a file of its own."""

import re
from importlib.resources import files
from typing import Final
from xml.etree import ElementTree

from sequencer.report.drawing import LEFT
from sequencer.report.pictures import DrawnFigure

_ROW: Final = 24.0
_SAMPLE: Final = 54.0


def shipped(name: str) -> str:
    """A file that ships beside this one."""
    return files("sequencer.report").joinpath(name).read_text(encoding="utf-8")


def as_file(figure: DrawnFigure) -> str:
    """A picture that needs no page around it: with its style, its paper and its legend."""
    root = ElementTree.fromstring(figure.svg)
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    for number, key in enumerate(figure.legend):
        sample = ElementTree.fromstring(key.sample)
        y = height + _ROW * number
        sample.attrib |= {"x": f"{LEFT:g}", "y": f"{y - 1:g}"}
        root.append(sample)
        place = {"x": f"{LEFT + _SAMPLE:g}", "y": f"{y + 11:g}"}
        ElementTree.SubElement(root, "text", place).text = key.words
    tall = height + _ROW * len(figure.legend)
    root.attrib |= {
        "xmlns": "http://www.w3.org/2000/svg",
        "viewBox": f"0 0 {width:g} {tall:g}",
        "font-family": "sans-serif",
    }
    style = ElementTree.Element("style")
    style.text = _on_paper(shipped("picture.css"))
    paper = ElementTree.Element("rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})
    root[:0] = [style, paper]
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _on_paper(style: str) -> str:
    """The rules with the colours for white paper written out: most programs that show an SVG file
    know no variables of a style sheet, and draw all of it black."""
    named, _, _ = style.partition("@media")
    colours = dict(re.findall(r"(--[\w-]+): (#\w+);", named))
    rules = style[style.index("svg text") :]
    return re.sub(r"var\((--[\w-]+)\)", lambda found: colours[found[1]], rules)
