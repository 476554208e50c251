"""Symbols of circuit diagrams, in the shapes of IEC 60617 (drawn from memory of it).

Each function takes the sheet, the point of the first terminal and the way that the part
points, draws, and returns the point of the last terminal (transistors and boxes: a dict).
"""

from sheet import INK, placed


def label(s, p, half, way, words, side):
    """Words beside the middle of a part with two terminals."""
    if not words:
        return
    words = [words] if isinstance(words, str) else list(words)
    along = p[0]
    if way in "du":
        x, y = along[0], along[1] + 4.5 - (len(words) - 1) * 8.5
        shift, anchor = (half + 7, "start") if side != "l" else (-half - 7, "end")
        s.lines(x + shift, y, *words, anchor=anchor)
    else:
        x = along[0]
        y = along[1] - half - 7 - (len(words) - 1) * 17 if side != "b" else along[1] + half + 17
        s.lines(x, y, *words, anchor="middle")


def leads(s, at, length, half, wide=False):
    """The two leads of a part whose body is 2 * half long."""
    middle = length / 2
    s.stroke(at(0, 0), at(middle - half, 0), wide=wide)
    s.stroke(at(middle + half, 0), at(length, 0), wide=wide)
    s.terminal(at(0, 0), at(length, 0))


def box_along(s, at, length, half, high):
    """A rectangle around the middle of a part."""
    middle = length / 2
    corners = [at(middle - half, -high), at(middle + half, high)]
    x, y = min(c[0] for c in corners), min(c[1] for c in corners)
    s.rectangle(x, y, abs(corners[0][0] - corners[1][0]), abs(corners[0][1] - corners[1][1]))


def resistor(s, x, y, way, words=None, length=60, side="r"):
    at = placed(x, y, way)
    leads(s, at, length, 17)
    box_along(s, at, length, 17, 6)
    label(s, [at(length / 2, 0)], 6, way, words, side)
    return at(length, 0)


def fuse(s, x, y, way, words=None, length=60, side="r", wide=True):
    at = placed(x, y, way)
    leads(s, at, length, 17, wide)
    box_along(s, at, length, 17, 6)
    s.stroke(at(length / 2 - 17, 0), at(length / 2 + 17, 0))
    label(s, [at(length / 2, 0)], 6, way, words, side)
    return at(length, 0)


def capacitor(s, x, y, way, words=None, length=50, side="r", polar=False):
    """`polar`: the plus stands at the first terminal."""
    at = placed(x, y, way)
    middle = length / 2
    leads(s, at, length, 4)
    for off in (-4, 4):
        s.stroke(at(middle + off, -12), at(middle + off, 12))
    if polar:
        s.stroke(at(middle - 13, 7), at(middle - 13, 13))
        s.stroke(at(middle - 16, 10), at(middle - 10, 10))
    label(s, [at(middle, 0)], 12, way, words, side)
    return at(length, 0)


def coil(s, x, y, way, words=None, length=70, side="r", wide=False):
    """An inductor of four humps."""
    at = placed(x, y, way)
    start = length / 2 - 24
    leads(s, at, length, 24, wide)
    for hump in range(4):
        s.arc(at(start + 12 * hump, 0), at(start + 12 * (hump + 1), 0), 6)
    label(s, [at(length / 2, 0)], 8, way, words, side)
    return at(length, 0)


def relay_coil(s, x, y, way, words=None, length=60, side="r"):
    at = placed(x, y, way)
    leads(s, at, length, 10)
    box_along(s, at, length, 10, 18)
    label(s, [at(length / 2, 0)], 18, way, words, side)
    return at(length, 0)


def diode(s, x, y, way, words=None, length=60, side="r", kind="plain"):
    """Anode first. `kind`: plain, zener (also for a transient suppressor of one direction),
    both (a suppressor of both directions), or light."""
    at = placed(x, y, way)
    m = length / 2
    leads(s, at, length, 8 if kind != "both" else 14)
    if kind == "both":
        s.stroke(at(m - 14, -8), at(m - 14, 8), at(m, 0), at(m - 14, -8))
        s.stroke(at(m + 14, -8), at(m + 14, 8), at(m, 0), at(m + 14, -8))
        s.stroke(at(m - 5, -13), at(m, -9), at(m, 9), at(m + 5, 13))
    else:
        s.stroke(at(m - 8, -8), at(m - 8, 8), at(m + 8, 0), at(m - 8, -8))
        if kind == "zener":
            s.stroke(at(m + 3, -9), at(m + 8, -9), at(m + 8, 9), at(m + 13, 9))
        else:
            s.stroke(at(m + 8, -9), at(m + 8, 9))
    if kind == "light":
        for off in (-3, 5):
            tip = at(m + off + 6, -22)
            s.stroke(at(m + off, -12), tip)
            s.stroke(at(m + off + 0.5, -19.5), tip, at(m + off + 5.8, -16))
    label(s, [at(m, 0)], 13 if kind == "both" else 10, way, words, side)
    return at(length, 0)


def mosfet(s, x, y, way, words=None, channel="n", source="b", body=False, wide=False):
    """Gate first; terminals a (left hand of `way`) and b. `source`: which of them is the
    source; `body`: with its body diode."""
    at = placed(x, y, way)
    s.stroke(at(0, 0), at(20, 0))
    s.stroke(at(20, -12), at(20, 12))
    for low, high in ((-16, -7), (-4.5, 4.5), (7, 16)):
        s.stroke(at(26, low), at(26, high))
    s.stroke(at(26, -11), at(40, -11), at(40, -30), wide=wide)
    s.stroke(at(26, 11), at(40, 11), at(40, 30), wide=wide)
    near = 11 if source == "b" else -11
    s.stroke(at(26, 0), at(40, 0), at(40, near))
    # The arrow points to the channel in an n-channel part, away from it in a p-channel one.
    tip, back = (27, 34) if channel == "n" else (39, 32)
    s.solid(at(tip, 0), at(back, -4), at(back, 4))
    if body:
        # From source to drain in an n-channel part, the other way in a p-channel one.
        up = (source == "b") == (channel == "n")
        q = -1 if up else 1
        s.stroke(at(40, -24), at(56, -24), at(56, 24), at(40, 24))
        s.stroke(at(50, -5 * q), at(62, -5 * q), at(56, 5 * q), at(50, -5 * q))
        s.stroke(at(50, 5 * q), at(62, 5 * q))
    s.terminal(at(0, 0), at(40, -30), at(40, 30))
    if words:
        words = [words] if isinstance(words, str) else list(words)
        lx, ly = at(66 if body else 50, 0)
        if way == "u":
            s.lines(lx, ly - 8 - (len(words) - 1) * 17, *words, anchor="middle")
        else:
            s.lines(lx, ly + 4.5 - (len(words) - 1) * 8.5, *words)
    return {"gate": at(0, 0), "a": at(40, -30), "b": at(40, 30)}


def contact(s, x, y, way, words=None, closed=False, length=60, side="r", button=None, wide=False):
    """A contact, at rest open or closed. `button`: push or stop (mushroom head)."""
    at = placed(x, y, way)
    m = length / 2
    leads(s, at, length, 14, wide)
    if closed:
        s.stroke(at(m - 14, 0), at(m - 14, -9))
        s.stroke(at(m + 14, 0), at(m - 17, -8))
        rod = at(m, -4)
    else:
        s.stroke(at(m + 14, 0), at(m - 11, -12))
        rod = at(m, -7)
    if button:
        s.stroke(rod, at(m, -24), dashed=True)
        s.stroke(at(m - 8, -20), at(m - 8, -24), at(m + 8, -24), at(m + 8, -20))
        if button == "stop":
            s.arc(at(m - 8, -24), at(m + 8, -24), 9)
    label(s, [at(m, 0)], 8, way, words, side)
    return at(length, 0)


def ground(s, x, y, words=None):
    """Return of the valves' current."""
    s.stroke((x, y), (x, y + 8))
    for half, down in ((12, 8), (8, 13), (4, 18)):
        s.stroke((x - half, y + down), (x + half, y + down))
    s.terminal((x, y))
    if words:
        s.text(x, y + 34, words, anchor="middle", size=12)


def logic_ground(s, x, y):
    """Ground of the logic: joined to the other at one point only."""
    s.stroke((x, y), (x, y + 8))
    s.stroke((x - 9, y + 8), (x + 9, y + 8), (x, y + 18), (x - 9, y + 8))
    s.terminal((x, y))


def supply(s, x, y, words, anchor="middle"):
    """A rail's name on a short bar above the point."""
    s.stroke((x, y), (x, y - 10))
    s.stroke((x - 12, y - 10), (x + 12, y - 10), wide=True)
    s.text(x if anchor == "middle" else x - 12, y - 17, words, anchor=anchor, size=12)
    s.terminal((x, y))


def chip(s, x, y, width, height, name, left=(), right=(), top=(), foot=(), rows=24):
    """A box with pins; the first pin of a side stands 34 below the top. Returns the ends of
    the pins, 14 outside of the box, by name. A name with a `!` in front has a bar of its own:
    it acts when low."""
    s.rectangle(x, y, width, height, fill="#f3f5f7")
    if isinstance(name, str):
        name = [name]
    for row, words in enumerate(name):
        s.text(x + width / 2, y + 17 + 16 * row, words, anchor="middle", bold=True)
    ends = {}
    first = 18 + 16 * len(name)
    for side, pins in (("l", left), ("r", right)):
        for row, pin in enumerate(pins):
            if pin is None:
                continue
            py = y + first + rows * row
            edge, out = (x, x - 14) if side == "l" else (x + width, x + width + 14)
            s.stroke((edge, py), (out, py))
            mark(s, edge + (6 if side == "l" else -6), py + 4, pin, "start" if side == "l" else "end")
            ends[pin.lstrip("!")] = (out, py)
    for side, pins in (("t", top), ("f", foot)):
        for row, pin in enumerate(pins):
            px = x + width * (row + 1) / (len(pins) + 1)
            if pin == "...":
                mark(s, px, edge_row(side, y, height), pin, "middle")
                continue
            edge, out = (y, y - 14) if side == "t" else (y + height, y + height + 14)
            s.stroke((px, edge), (px, out))
            mark(s, px, edge_row(side, y, height), pin, "middle")
            ends[pin.lstrip("!")] = (px, out)
    s.terminal(*ends.values())
    return ends


def edge_row(side, y, height):
    """Where the names of pins at the top or foot stand."""
    return y + 15 if side == "t" else y + height - 6


def mark(s, x, y, pin, anchor):
    """A pin's name, with a bar above where it acts when low."""
    words = pin.lstrip("!")
    s.text(x, y, words, anchor=anchor, size=11)
    if pin.startswith("!"):
        wide = len(words) * 11 * 0.6
        left = x - {"start": 0, "middle": wide / 2, "end": wide}[anchor]
        # The bar belongs to its word, so it is no stroke that words must keep off.
        s.shapes.append(f'<path d="M{left:.1f} {y - 11:.1f} h{wide:.1f}"/>')


def coupler(s, x, y, words="optocoupler"):
    """An optocoupler, 100 wide and 90 high, its top left corner given."""
    s.rectangle(x, y, 100, 90, fill="#f3f5f7")
    diode(s, x + 26, y + 12, "d", kind="light", length=66)
    s.stroke((x + 26, y + 12), (x, y + 12))
    s.stroke((x + 26, y + 78), (x, y + 78))
    s.stroke((x + 70, y + 32), (x + 70, y + 58))
    s.stroke((x + 70, y + 40), (x + 84, y + 28), (x + 84, y + 12), (x + 100, y + 12))
    s.stroke((x + 70, y + 50), (x + 84, y + 62), (x + 84, y + 78), (x + 100, y + 78))
    s.solid((x + 84, y + 62), (x + 76, y + 60), (x + 80.5, y + 54.5))
    s.text(x + 50, y + 107, words, anchor="middle", size=12)
    ends = {
        "anode": (x, y + 12), "cathode": (x, y + 78),
        "collector": (x + 100, y + 12), "emitter": (x + 100, y + 78),
    }
    s.terminal(*ends.values())
    return ends


def schmitt(s, x, y, words=None, inverts=False):
    """A buffer with hysteresis; input at the point given, output 60 to the right."""
    s.stroke((x, y), (x + 10, y))
    s.stroke((x + 10, y - 18), (x + 10, y + 18), (x + 44, y), (x + 10, y - 18))
    s.stroke((x + 14, y + 4), (x + 20, y + 4), (x + 20, y - 4), (x + 27, y - 4))
    s.stroke((x + 17, y + 4), (x + 24, y + 4), (x + 24, y - 4))
    if inverts:
        s.shapes.append(f'<circle cx="{x + 48}" cy="{y}" r="4" fill="#ffffff"/>')
    s.stroke((x + (52 if inverts else 44), y), (x + 60, y))
    s.terminal((x, y), (x + 60, y))
    if words:
        s.text(x + 27, y + 36, words, anchor="middle", size=12)
    return (x + 60, y)


def battery(s, x, y, words=None, length=60):
    """Plus at the point given, minus `length` below."""
    m = y + length / 2
    s.stroke((x, y), (x, m - 9), wide=True)
    for off, half in ((-9, 14), (-3, 7), (3, 14), (9, 7)):
        s.stroke((x - half, m + off), (x + half, m + off))
    s.stroke((x, m + 9), (x, y + length), wide=True)
    s.terminal((x, y), (x, y + length))
    if words:
        s.text(x - 22, m + 4, words, anchor="end")
    return (x, y + length)


__all__ = [n for n, v in list(globals().items()) if callable(v)] + ["INK"]
