"""A sheet of a circuit diagram: strokes and words, written as SVG.

A sheet also looks itself over (`Sheet.faults`), so that a drawing which can't be read or
does not connect is never written: words that lie on strokes, on each other or beyond the
edge; a wire's end that touches nothing or that runs through a part; a branch without its dot.

Lengths are pixels, x to the right, y down. Only Python's standard library is needed.
"""

from html import escape

INK = "#1a1a1a"
QUIET = "#5a5a5a"
SIZE = 13
# Width of a letter over its height: above that of the fonts named below, so that the
# overlap check errs to the safe side.
LETTER = 0.58
FONT = "DejaVu Sans, Verdana, Arial, sans-serif"
NEAR = 0.6


def placed(x, y, way):
    """Maps (along, across) to the sheet for a part that starts at (x, y) and points `way`:
    r(ight), d(own), l(eft) or u(p). `across` is to the right hand of that way."""
    turn = {
        "r": lambda a, c: (x + a, y + c),
        "d": lambda a, c: (x - c, y + a),
        "l": lambda a, c: (x - a, y - c),
        "u": lambda a, c: (x + c, y - a),
    }
    return turn[way]


def number(value):
    """A coordinate, short and always the same."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


class Sheet:
    """Strokes, words, and what is known of them for the look over."""

    def __init__(self, name, title, desc, width, height):
        self.name, self.title, self.desc = name, title, desc
        self.width, self.height = width, height
        self.shapes, self.posts, self.words = [], [], []
        self.strokes, self.boxes, self.bodies = [], [], []
        self.wires, self.terminals, self.dots = [], [], []
        self.text(20, 30, title, size=17, bold=True)

    # Strokes

    def stroke(self, *points, wide=False, dashed=False, colour=INK):
        """A line through the points, part of a symbol."""
        path = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        extra = ' stroke-width="3"' if wide else ""
        extra += ' stroke-dasharray="5 4"' if dashed else ""
        extra += f' stroke="{colour}"' if colour != INK else ""
        self.shapes.append(f'<polyline points="{path}"{extra}/>')
        self.strokes += list(zip(points, points[1:]))

    def wire(self, *points, wide=False):
        """A wire; `wide` where it carries the valves' current."""
        self.stroke(*points, wide=wide)
        self.wires.append(points)

    def solid(self, *points):
        """A filled polygon."""
        path = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self.shapes.append(f'<polygon points="{path}" fill="{INK}"/>')
        self.strokes += list(zip(points, points[1:] + points[:1]))

    def rectangle(self, x, y, width, height, fill="#ffffff", dashed=False, counts=True):
        """A box, which no wire may cross. `counts`: words must keep off its edge."""
        self.bodies.append((x + 1.5, y + 1.5, x + width - 1.5, y + height - 1.5))
        extra = ' stroke-dasharray="6 4"' if dashed else ""
        self.shapes.append(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}" '
            f'height="{number(height)}" fill="{fill}"{extra}/>'
        )
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
        if counts:
            self.strokes += list(zip(corners, corners[1:] + corners[:1]))

    def arc(self, start, end, radius, sweep=1):
        """Part of a circle from start to end."""
        self.shapes.append(
            f'<path d="M{number(start[0])} {number(start[1])} A{number(radius)} '
            f'{number(radius)} 0 0 {sweep} {number(end[0])} {number(end[1])}"/>'
        )
        self.strokes.append((start, end))

    def dot(self, x, y):
        """A joint."""
        self.shapes.append(f'<circle cx="{number(x)}" cy="{number(y)}" r="3.2" fill="{INK}"/>')
        self.dots.append((x, y))

    def terminal(self, *points):
        """Points where a wire may end."""
        self.terminals += points

    def post(self, x, y):
        """A screw or a plug: a small circle, where a wire ends."""
        # Above the wires, which run to its middle.
        self.posts.append(f'<circle cx="{number(x)}" cy="{number(y)}" r="3.5" fill="#ffffff"/>')
        self.terminal((x, y))

    # Words

    def text(self, x, y, words, anchor="start", size=SIZE, bold=False, colour=INK):
        """One line of words; y is the foot of the letters."""
        extra = ' font-weight="bold"' if bold else ""
        extra += f' text-anchor="{anchor}"' if anchor != "start" else ""
        extra += f' font-size="{size}"' if size != SIZE else ""
        extra += f' fill="{colour}"' if colour != INK else ""
        self.words.append(f'<text x="{number(x)}" y="{number(y)}"{extra}>{escape(words)}</text>')
        wide = len(words) * size * LETTER * (1.08 if bold else 1)
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[anchor]
        self.boxes.append((left, y - size * 0.78, left + wide, y + size * 0.22, words))

    def lines(self, x, y, *words, anchor="start", size=SIZE, colour=INK):
        """Several lines of words, the first at y."""
        for row, line in enumerate(words):
            self.text(x, y + row * (size + 4), line, anchor=anchor, size=size, colour=colour)

    def note(self, x, y, *words):
        """Remarks, small and grey."""
        self.lines(x, y, *words, size=12, colour=QUIET)

    # Out

    def svg(self):
        """The file."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}" '
            f'height="{self.height}" viewBox="0 0 {self.width} {self.height}" '
            f'role="img" aria-labelledby="title desc">\n'
            f'<title id="title">{escape(self.title)}</title>\n'
            f'<desc id="desc">{escape(self.desc)}</desc>\n'
            f'<rect width="{self.width}" height="{self.height}" fill="#ffffff"/>\n'
            f'<g fill="none" stroke="{INK}" stroke-width="1.6" stroke-linecap="round" '
            f'stroke-linejoin="round">\n'
        )
        words = f'</g>\n<g font-family="{FONT}" font-size="{SIZE}" fill="{INK}">\n'
        return head + "\n".join(self.shapes + self.posts) + "\n" + words + "\n".join(self.words) + "\n</g>\n</svg>\n"

    # The look over

    def faults(self):
        """What a reader would stumble over, a line each."""
        found = []
        for index, (left, top, right, foot, words) in enumerate(self.boxes):
            if left < 4 or top < 4 or right > self.width - 4 or foot > self.height - 4:
                found.append(f"words beyond the edge: '{words}'")
            for other in self.boxes[index + 1 :]:
                if left < other[2] and other[0] < right and top < other[3] and other[1] < foot:
                    found.append(f"words on words: '{words}' and '{other[4]}'")
            box = (left + 1, top + 1, right - 1, foot - 1)
            for start, end in self.strokes:
                if crosses(box, start, end):
                    found.append(f"words on a stroke: '{words}' at {start} to {end}")
                    break
        for index, wire in enumerate(self.wires):
            others = self.wires[:index] + self.wires[index + 1 :]
            for end in (wire[0], wire[-1]):
                found += self.loose(end, others)
            for body in self.bodies:
                if any(crosses(body, a, b) for a, b in zip(wire, wire[1:])):
                    found.append(f"a wire through a part at {body[:2]}: {wire}")
        for dot in self.dots:
            if not any(on(dot, a, b) for w in self.wires for a, b in zip(w, w[1:])):
                found.append(f"a dot on no wire at {dot}")
        return [f"{self.name}: {fault}" for fault in found]

    def loose(self, end, others):
        """Faults of a wire's end."""
        if any(near(end, t) for t in self.terminals) or any(near(end, d) for d in self.dots):
            return []
        if any(near(end, other[0]) or near(end, other[-1]) for other in others):
            return []
        if any(on(end, a, b) for other in others for a, b in zip(other, other[1:])):
            return [f"a branch without a dot at {end}"]
        return [f"a wire that ends on nothing at {end}"]


def near(a, b):
    """The same point."""
    return abs(a[0] - b[0]) < NEAR and abs(a[1] - b[1]) < NEAR


def on(point, start, end):
    """Whether a point lies on an upright or level stretch."""
    (x, y), (ax, ay), (bx, by) = point, start, end
    level = abs(ay - by) < NEAR and abs(y - ay) < NEAR
    upright = abs(ax - bx) < NEAR and abs(x - ax) < NEAR
    return (level and min(ax, bx) - NEAR <= x <= max(ax, bx) + NEAR) or (
        upright and min(ay, by) - NEAR <= y <= max(ay, by) + NEAR
    )


def crosses(box, start, end):
    """Whether a stretch passes through a box (clipped side by side, after Liang and Barsky)."""
    left, top, right, foot = box
    (x, y), (dx, dy) = start, (end[0] - start[0], end[1] - start[1])
    enter, leave = 0.0, 1.0
    for way, room in ((-dx, x - left), (dx, right - x), (-dy, y - top), (dy, foot - y)):
        if way == 0:
            if room < 0:
                return False
        elif way < 0:
            enter = max(enter, room / way)
        else:
            leave = min(leave, room / way)
    return enter <= leave
