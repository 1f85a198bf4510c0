"""The files that ship with the report, and a picture of it as a file of its own."""

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
    style.text = shipped("picture.css")
    paper = ElementTree.Element("rect", {"width": "100%", "height": "100%", "fill": "var(--paper)"})
    root[:0] = [style, paper]
    return ElementTree.tostring(root, encoding="unicode") + "\n"
