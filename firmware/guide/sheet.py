"""A sheet of drawing paper that becomes one SVG file: lines, boxes, labels, and the signs of a wiring plan.

All coordinates are in the sheet's own units. Every line is a `polyline`, so that a test can follow it.
Colours follow the reader's choice of a light or a dark page.
"""

from xml.sax.saxutils import escape, quoteattr

STYLE = """
.paper{fill:#fff}.line,.box,.plate{stroke:#111;stroke-width:1.8;fill:none}.box{fill:#fff}.soft{fill:#eef1f4}
.dot,.head{fill:#111}text{fill:#111;font-family:sans-serif;font-size:15px}.name{font-weight:bold}.small{font-size:13px}
.title{font-size:20px;font-weight:bold}.thin{stroke:#555;stroke-width:1;fill:none}.dash{stroke-dasharray:7 5}
.food{fill:#c9a46a}.water{fill:#cfe6f7}
@media (prefers-color-scheme:dark){.paper,.box{fill:#14181c}.soft{fill:#252c33}.line,.box,.plate{stroke:#eee}
.dot,.head,text{fill:#eee}.thin{stroke:#aaa}.food{fill:#7d5f2e}.water{fill:#173a55}}
""".strip()


def number(value):
    """A coordinate as short text."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def attributes(data):
    return "".join(f" data-{name}={quoteattr(str(value))}" for name, value in data.items())


class Sheet:
    """One drawing. title and description are read aloud by screen readers."""

    def __init__(self, width, height, title, description):
        self.width, self.height = width, height
        self.title, self.description = title, description
        self.parts = []

    def add(self, element):
        self.parts.append(element)

    def line(self, points, style="line", **data):
        text = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self.add(f'<polyline class="{style}" points="{text}"{attributes(data)}/>')

    def area(self, points, style="box"):
        text = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self.add(f'<polygon class="{style}" points="{text}"/>')

    def box(self, x, y, width, height, style="box", **data):
        place = f'x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"'
        self.add(f'<rect class="{style}" {place} rx="3"{attributes(data)}/>')

    def circle(self, x, y, radius, style="line", **data):
        self.add(f'<circle class="{style}" cx="{number(x)}" cy="{number(y)}" r="{number(radius)}"{attributes(data)}/>')

    def text(self, x, y, words, style="", anchor="start", turned=False):
        place = f'x="{number(x)}" y="{number(y)}"'
        turn = f' transform="rotate(-90 {number(x)} {number(y)})"' if turned else ""
        kind = f' class="{style}"' if style else ""
        self.add(f'<text {place}{kind} text-anchor="{anchor}"{turn}>{escape(words)}</text>')

    # The signs of a wiring plan

    def joint(self, x, y):
        self.circle(x, y, 4, "dot")

    def supply(self, x, y, volts, length=24):
        """A supply's sign above the point (x, y)."""
        self.line([(x, y), (x, y - length)], net=volts)
        self.line([(x - 11, y - length), (x + 11, y - length)])
        self.text(x, y - length - 6, volts, "small", "middle")

    def ground(self, x, y, length=14):
        """The sign of ground below the point (x, y)."""
        self.line([(x, y), (x, y + length)], net="ground")
        for i, half in enumerate((12, 8, 4)):
            self.line([(x - half, y + length + 5 * i), (x + half, y + length + 5 * i)])

    def resistor(self, x, y0, y1, words, **data):
        """An upright resistor between (x, y0) and (x, y1), with its value to the right of it."""
        middle, half = (y0 + y1) / 2, 15
        low, high = min(y0, y1), max(y0, y1)
        self.line([(x, low), (x, middle - half)])
        self.box(x - 7, middle - half, 14, 2 * half, "box", resistor=words, **data)
        self.line([(x, middle + half), (x, high)])
        self.text(x + 14, middle + 5, words, "small")

    # A dimension of a mechanical drawing

    def dimension(self, a, b, words, shift=0, side=0):
        """An arrowed line from a to b, moved by `shift` at right angles, with thin lines back to what it measures;
        level or upright only. side: moves the words along the line, for short distances."""
        (x0, y0), (x1, y1) = a, b
        level = y0 == y1
        dx, dy = (0, shift) if level else (shift, 0)
        if shift:
            over = 5 if shift > 0 else -5
            for x, y in (a, b):
                self.line([(x, y), (x + dx + (0 if level else over), y + dy + (over if level else 0))], "thin")
        start, end = (x0 + dx, y0 + dy), (x1 + dx, y1 + dy)
        self.line([start, end], "thin")
        for (x, y), way in ((start, 1), (end, -1)):
            long = 8 * way if (x1 if level else y1) > (x0 if level else y0) else -8 * way
            tips = [(x, y), (x + long, y - 3), (x + long, y + 3)]
            if not level:
                tips = [(x, y), (x - 3, y + long), (x + 3, y + long)]
            self.area(tips, "head")
        if level:
            self.text((x0 + x1) / 2 + side, y0 + shift - 6, words, "small", "middle")
        else:
            self.text(x0 + shift - 6, (y0 + y1) / 2 + side, words, "small", "middle", turned=True)

    def svg(self):
        size = f'width="{self.width}" height="{self.height}" viewBox="0 0 {self.width} {self.height}"'
        head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-labelledby="t d">'
        lines = [head, f'<title id="t">{escape(self.title)}</title>', f'<desc id="d">{escape(self.description)}</desc>']
        lines += [f"<style>{STYLE}</style>", f'<rect class="paper" width="{self.width}" height="{self.height}"/>']
        return "\n".join([*lines, *self.parts, "</svg>", ""])
