"""Reads drawings of `farrier connections` with Python's own XML parser, as somebody who knows nothing of how they were made.

For each file, one JSON object a line: `nets` (pins that wires and parts in them join, found from the coordinates alone), `crossings` (wires of
different nets that touch), `overlaps` (texts that stand on one another or on a wire), `outside` (what does not fit the page), `texts`.
"""
import json
import re
import sys
import xml.etree.ElementTree as ET

SVG = "{http://www.w3.org/2000/svg}"
# Widths of a character by its size; measured on DejaVu Sans, the widest of the families that the drawing names.
PLAIN, BOLD = 0.60, 0.68


def numbers(text):
    return [float(n) for n in re.findall(r"-?[0-9.]+", text)]


def points(path):
    flat = numbers(path.get("d"))
    return list(zip(flat[::2], flat[1::2]))


def stretches(root):
    for path in root.iter(SVG + "path"):
        if path.get("class") == "wire":
            corners = points(path)
            yield from zip(corners, corners[1:])


def touch(one, other):
    """Whether two level or upright stretches share a point; the area between them if both are boxes."""
    (ax, ay), (bx, by) = one
    (cx, cy), (dx, dy) = other
    return (
        min(ax, bx) <= max(cx, dx) and min(cx, dx) <= max(ax, bx) and min(ay, by) <= max(cy, dy) and min(cy, dy) <= max(ay, by)
    )


class Nets:
    def __init__(self):
        self.parent = {}

    def find(self, point):
        self.parent.setdefault(point, point)
        while self.parent[point] != point:
            point = self.parent[point]
        return point

    def join(self, one, other):
        self.parent[self.find(one)] = self.find(other)


def box(text):
    size, x, y = float(text.get("font-size")), float(text.get("x")), float(text.get("y"))
    width = len(text.text) * size * (BOLD if text.get("font-weight") else PLAIN)
    left = {"middle": x - width / 2, "end": x - width}.get(text.get("text-anchor"), x)
    return (left, y - 0.75 * size), (left + width, y + 0.22 * size)


def look(name):
    root = ET.parse(name).getroot()
    _, _, page_width, page_height = numbers(root.get("viewBox"))
    nets = Nets()
    wires = list(stretches(root))
    for one, other in wires:
        nets.join(one, other)
    for part in root.iter(SVG + "g"):
        ax, ay, bx, by = numbers(part.get("data-ends"))
        nets.join((ax, ay), (bx, by))
    pins = {}
    for element in root.iter():
        if element.get("data-pin"):
            at = tuple(numbers(element.get("data-at")))
            pins.setdefault(nets.find(at), []).append([element.get("class"), element.get("data-pin")])
    crossings = [
        [one, other] for n, one in enumerate(wires) for other in wires[:n] if touch(one, other) and nets.find(one[0]) != nets.find(other[0])
    ]
    texts = [(text.text, box(text)) for text in root.iter(SVG + "text")]
    overlaps = [[a, b] for n, (a, one) in enumerate(texts) for b, other in texts[:n] if touch(one, other)]
    overlaps += [[a, str(wire)] for a, one in texts for wire in wires if touch(one, wire)]
    outside = [a for a, ((left, top), (right, bottom)) in texts if left < 5 or top < 5 or right > page_width - 5 or bottom > page_height - 5]
    outside += [str(wire) for wire in wires for x, y in wire if not (5 < x < page_width - 5 and 5 < y < page_height - 5)]
    return {
        "nets": sorted(sorted(net) for net in pins.values()),
        "crossings": crossings,
        "overlaps": overlaps,
        "outside": outside,
        "texts": [a for a, _ in texts],
    }


for name in sys.argv[1:]:
    print(json.dumps(look(name)))
