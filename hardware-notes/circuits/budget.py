#!/usr/bin/env python3
"""Tables of the builder's pages: clamps, opening, currents, wires, fuses, filters.

    budget.py            prints the tables
    budget.py --check    compares them with those in the pages, and the formulas with values
                         from elsewhere; exit status 1 where something differs
    budget.py --write    puts them into the pages

Change the numbers of `YOURS` to those of your valve and print your own. Only Python's
standard library is needed.
"""

import re
import sys
from dataclasses import dataclass
from pathlib import Path

import check_values
import formulas as f

HERE = Path(__file__).resolve().parent
PAGES = [HERE / "README.md", HERE / "wiring.md"]


@dataclass(frozen=True)
class Valve:
    """An invented valve with the coil that the firmware's docs name. Measure yours."""

    ohm: float = 10.0  # at 20 °C, across its plug
    henry: float = 0.020  # plunger at rest
    pull_in: float = 0.70  # A, at which it opens
    drop_out: float = 0.30  # A, at which it lets go
    hot: float = 80.0  # °C of the coil after an hour of work


YOURS = Valve()
SUPPLY = 13.8  # V, engine running
LOW, HIGH = 11.0, 14.4  # V, of an old battery and of a full charge
DUMP = 45.0  # V, the supply's own suppressor in a load dump
DIODE = 0.8  # V, a silicon diode at an ampere
MARGIN = 1.25  # rating over the highest voltage: common practice, no source
SPEED = 5.0  # m/s
HOLD = 0.45  # A, of peak-and-hold; above drop-out

# (name, voltage that opposes the coil, volts of the transistor at a supply, clamps at 0 V)
CLAMPS = [
    ("plain diode across the coil", None, 0.0),
    ("diode and 15 V zener across the coil", "coil", 15.0),
    ("diode and 24 V zener across the coil", "coil", 24.0),
    ("51 V suppressor across the transistor", "switch", 51.0),
    ("68 V suppressor across the transistor", "switch", 68.0),
]
E12 = [4.7, 5.6, 6.8, 8.2, 10, 12, 15, 18, 22, 27, 33, 39, 47]  # ohm
RATINGS = [30, 40, 55, 60, 80, 100, 150]

# mm² and A: for single wires in a bundle in free air on a machine; common practice, no
# source. Your wire's maker and your code come first.
SIZES = [
    (0.75, 7.5), (1.0, 10), (1.5, 15), (2.5, 20), (4.0, 30), (6.0, 40), (10.0, 60), (16.0, 80),
    (25.0, 110), (35.0, 140),
]
FUSES = [2, 3, 5, 7.5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 100, 125]
WIRE_DEGREES = 50.0
FUSE_OVER = 1.25  # fuse over lasting current: common practice, no source
DROP = 0.08  # of the supply, with all valves open: common practice, no source


@dataclass(frozen=True)
class Boom:
    """How a boom is wired: fuse block at the battery to box, box to group, group to valve,
    metres one way."""

    nozzles: int
    feeds: int
    groups: int
    feed: float
    trunk: float
    lead: float


BOOMS = [
    Boom(4, 1, 1, 4.0, 0.0, 3.0), Boom(16, 1, 2, 6.0, 3.0, 2.5), Boom(48, 3, 6, 8.0, 6.0, 2.5)
]


def table(head, rows):
    """Markdown."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(str(c) for c in row) + " |" for row in rows])


def ms(seconds, digits=2):
    """Milliseconds, as text."""
    return f"{1000 * seconds:.{digits}f}"


def opposing(kind, volts, supply):
    """Voltage across the coil while its current falls."""
    if kind is None:
        return DIODE
    return volts + DIODE if kind == "coil" else volts - supply


def across_switch(kind, volts, supply):
    """Highest voltage across the transistor."""
    if kind == "switch":
        return volts
    return supply + (0 if kind is None else volts) + DIODE


def rating(volts):
    """The next usual rating."""
    return next(r for r in RATINGS if r >= MARGIN * volts)


def clamp_times(valve, kind, volts):
    """Fall to drop-out in s: cold coil and the supply, and the spread over supply and heat."""
    hot = f.copper_at(valve.ohm, valve.hot)
    usual = f.fall_time(
        SUPPLY / valve.ohm, valve.drop_out, valve.ohm, valve.henry, opposing(kind, volts, SUPPLY)
    )
    ends = [
        f.fall_time(u / r, valve.drop_out, r, valve.henry, opposing(kind, volts, u))
        for u in (LOW, HIGH)
        for r in (valve.ohm, hot)
    ]
    return usual, min(ends), max(ends)


def clamps():
    """What a clamp costs and needs."""
    rows = []
    for name, kind, volts in CLAMPS:
        usual, least, most = clamp_times(YOURS, kind, volts)
        charge = f.charge_of_fall(
            SUPPLY / YOURS.ohm, YOURS.ohm, YOURS.henry, opposing(kind, volts, SUPPLY)
        )
        # A clamp across the transistor takes the supply's share too.
        energy = charge * (volts if kind == "switch" else opposing(kind, volts, SUPPLY))
        at_dump = across_switch(kind, volts, DUMP)
        rows.append([
            name, f"{opposing(kind, volts, SUPPLY):.1f}", ms(usual), f"{ms(least)} to {ms(most)}",
            f"{1000 * SPEED * (most - least):.1f}", f"{1000 * energy:.0f}", f"{10 * energy:.2f}",
            f"{at_dump:.1f}", rating(at_dump),
        ])
    head = [
        "clamp", "V against the coil", "to drop-out, ms", "over supply and heat, ms",
        f"spread at {SPEED:g} m/s, mm", "mJ a closing", "W at 10 closings a second",
        "V at the transistor, load dump", "rating, V",
    ]
    return table(head, rows)


def opening():
    """Supply and heat against the time to pull in."""
    rows = []
    for degrees in (0.0, 20.0, YOURS.hot):
        ohm = f.copper_at(YOURS.ohm, degrees)
        row = [f"{degrees:g} °C, {ohm:.1f} Ω"]
        for volts in (8.5, LOW, 12.0, SUPPLY, HIGH):
            time = f.rise_time(volts, ohm, YOURS.henry, YOURS.pull_in)
            row.append("never" if time is None else ms(time))
        rows.append(row)
    return table(["coil", "8.5 V", f"{LOW:g} V", "12 V", f"{SUPPLY:g} V", f"{HIGH:g} V"], rows)


def hold_duty(volts, ohm):
    """Share of time at the supply so that the mean current is `HOLD`, where it runs on through
    a diode between: D V - (1 - D) Vd = I R."""
    return (HOLD * ohm + DIODE) / (volts + DIODE)


def hold():
    """Peak-and-hold: resistor or duty, and what is saved."""
    rows = []
    hot = f.copper_at(YOURS.ohm, YOURS.hot)
    # Must hold at the lowest supply with the hottest coil.
    resistor = next(r for r in reversed(E12) if r <= LOW / HOLD - hot)
    for volts, degrees in ((LOW, YOURS.hot), (12.0, 20.0), (SUPPLY, 20.0), (HIGH, 20.0)):
        ohm = f.copper_at(YOURS.ohm, degrees)
        amperes = volts / (ohm + resistor)
        duty = hold_duty(volts, ohm)
        # Of a coil whose current runs on between pulses: V D (1 - D) / (L f), V with the diode.
        ripple = (volts + DIODE) * duty * (1 - duty) / (YOURS.henry * 5000)
        rows.append([
            f"{volts:g} V, {degrees:g} °C", f"{amperes:.2f}", f"{amperes**2 * resistor:.1f}",
            f"{amperes**2 * ohm:.1f}", f"{100 * duty:.0f}", f"{1000 * ripple:.0f}",
            f"{HOLD**2 * ohm:.1f}", f"{volts**2 / ohm:.1f}",
        ])
    head = [
        "supply and coil", f"A held by {resistor:g} Ω", "W in it", "W in the coil",
        f"or duty for {HOLD:g} A, %", "ripple at 5 kHz, mA", "W in the coil by duty", "W without hold",
    ]
    fall = [
        f.fall_time(i, YOURS.drop_out, YOURS.ohm, YOURS.henry, opposing("switch", 51.0, SUPPLY))
        for i in (SUPPLY / YOURS.ohm, HOLD)
    ]
    rows = table(head, rows)
    return (
        rows + f"\n\nFrom {HOLD:g} A a valve lets go after {ms(fall[1])} ms instead of "
        f"{ms(fall[0])} from full current (51 V suppressor, {SUPPLY:g} V)."
    )


def currents():
    """What a boom draws."""
    rows = []
    hot = f.copper_at(YOURS.ohm, YOURS.hot)
    for boom in BOOMS:
        n = boom.nozzles
        rows.append([
            n, f"{n * SUPPLY / YOURS.ohm:.1f}", f"{n * HIGH / YOURS.ohm:.1f}",
            f"{n * SUPPLY / hot:.1f}", f"{n * HOLD:.1f}", f"{n * SUPPLY**2 / YOURS.ohm:.0f}",
            f"{n * HOLD * SUPPLY:.0f}",
        ])
    head = [
        "nozzles, all open", f"A cold, {SUPPLY:g} V", f"A cold, {HIGH:g} V",
        f"A hot, {SUPPLY:g} V", f"A held at {HOLD:g} A", "W cold", "W held, by duty",
    ]
    return table(head, rows)


def size_for(amperes, metres, drop):
    """The thinnest wire whose fuse fits and whose drop, there and back, is within `drop` V."""
    fuse = next(a for a in FUSES if a >= FUSE_OVER * amperes)
    for square, most in SIZES:
        volts = 2 * amperes * f.wire_ohm(metres, square, WIRE_DEGREES)
        if most >= fuse and volts <= drop:
            return square, fuse, volts
    raise ValueError(f"no wire for {amperes} A over {metres} m")


def runs(boom):
    """Its runs from battery to valve: what, valves beyond, metres, mm², A of the fuse, V there
    and back. The allowed drop is shared out over them."""
    each, group = boom.nozzles // boom.feeds, boom.nozzles // boom.groups
    feed = "feed, fuse block to driver box" if boom.feeds == 1 else f"{boom.feeds} feeds of {each}, each"
    parts = [("main, battery post to fuse block", boom.nozzles, 1.0, 0.15), (feed, each, boom.feed, 0.40)]
    if boom.trunk:
        parts.append((f"{boom.groups} trunks, box to group of {group}, each", group, boom.trunk, 0.25))
    parts.append(("pair, group to valve", 1, boom.lead, 0.2))
    found = []
    for name, valves, metres, share in parts:
        square, fuse, volts = size_for(valves * SUPPLY / YOURS.ohm, metres, share * DROP * SUPPLY)
        found.append((name, valves, metres, square, fuse, volts))
    return found


def wires():
    """Wires and fuses by the drop, cold coils, all open, and what reaches the last valve."""
    rows = []
    for boom in BOOMS:
        sizes = runs(boom)
        loop = sum(valves * 2 * f.wire_ohm(metres, square, WIRE_DEGREES)
                   for _, valves, metres, square, _, _ in sizes)
        for row, (name, valves, metres, square, fuse, volts) in enumerate(sizes):
            amperes = valves * SUPPLY / YOURS.ohm
            rows.append([boom.nozzles if row == 0 else "", name, f"{amperes:.1f}", f"{metres:g}",
                         f"{square:g}", f"{volts:.2f}", f"{fuse:g}"])
        at_valve = SUPPLY * YOURS.ohm / (YOURS.ohm + loop)
        lost = SUPPLY - at_valve
        slow = f.rise_time(at_valve, YOURS.ohm, YOURS.henry, YOURS.pull_in) - f.rise_time(
            SUPPLY, YOURS.ohm, YOURS.henry, YOURS.pull_in
        )
        rows.append(["", f"**at the valve {at_valve:.2f} V**, {100 * lost / SUPPLY:.1f} % lost, "
                     f"opens {ms(slow)} ms later than alone", "", "", "", f"{lost:.2f}", ""])
    head = ["nozzles", "run", "A", "m one way", "mm²", "V there and back", "fuse, A"]
    return table(head, rows)


def together(count, most, slot, peak):
    """Valves in their peak at once, at worst, when `count` openings of one instant are spread
    by `most` a slot."""
    starts = [slot * (i // most) for i in range(count)]
    return max(sum(1 for s in starts if s <= t < s + peak) for t in starts)


def stagger():
    """Openings of one instant spread, as the firmware's inrush driver does it."""
    rows = []
    full = SUPPLY / YOURS.ohm
    for nozzles in (16, 48):
        for most, slot, reach in ((nozzles, 0.25, 0.0), (2, 0.25, 3.0), (1, 0.25, 6.0)):
            # Slots before and behind, and the one of the instant itself.
            room = most * (2 * int(reach / slot) + 1)
            if room < nozzles:
                raise ValueError(f"{nozzles} openings don't fit into {room} places")
            used = -(-nozzles // most)
            for peak in (3.0, 8.0):
                at_once = together(nozzles, most, slot, peak)
                amperes = at_once * full + (nozzles - at_once) * HOLD
                rows.append([
                    nozzles, "not spread" if most == nozzles else f"{most} in {slot:g} ms",
                    f"{slot * (used - 1):.1f}", f"{peak:g}", at_once, f"{amperes:.0f}",
                    f"{slot * (used // 2) * SPEED:.0f}",
                ])
    head = ["nozzles", "openings", "spread over, ms", "peak, ms", "in their peak at once",
            "A at worst", f"moved at most, mm at {SPEED:g} m/s"]
    return table(head, rows)


PULSE_FILTERS = [
    ("optocoupler, drawing A", 1000 + 4700, 1e-9, 1000),
    ("protected Schmitt input, drawing B", 4680, 2.2e-9, 4680),
]


def pulses():
    """Filters of the pulse input against the highest rate."""
    rows = []
    for name, rising, farad, falling in PULSE_FILTERS:
        for speed, per_metre in ((8.0, 50), (8.0, 130), (8.0, 500)):
            rate = speed * per_metre
            corner = f.corner_hz(max(rising, falling), farad)
            # The falling edge counts: from 3.3 V to the lower threshold of some 0.9 V.
            delay = f.decay_to(falling, farad, 3.3, 0.9)
            rows.append([name, f"{per_metre} at {speed:g} m/s", f"{rate:.0f}", f"{corner / 1000:.1f}",
                         f"{corner / rate:.0f}", f"{1e6 * delay:.0f}", f"{1000 * delay * speed:.2f}"])
    head = ["input", "pulses a metre", "Hz at most", "corner, kHz", "corner over rate",
            "delay of the edge, µs", "which is, mm"]
    return table(head, rows)


def brown_out():
    """Capacitance that carries the logic while valves close."""
    rows = []
    for amperes, seconds in ((0.1, 0.03), (0.2, 0.03), (0.5, 0.05)):
        farad = amperes * seconds / (9.5 - DIODE - 6.0)
        rows.append([f"{amperes:g}", f"{1000 * seconds:g}", f"{1e6 * farad:.0f}"])
    return table(["A of the logic, before its regulator", "ms to bridge", "µF at least"], rows)


TABLES = {
    "clamps": clamps, "opening": opening, "hold": hold, "currents": currents, "wires": wires,
    "stagger": stagger, "pulses": pulses, "brown-out": brown_out,
}
PLACE = re.compile(r"(<!-- table (\S+), printed by budget\.py -->\n)(.*?)(<!-- end -->)", re.S)


def main(arguments):
    """Exit status."""
    if arguments not in ([], ["--check"], ["--write"]):
        print(__doc__, file=sys.stderr)
        return 2
    if not arguments:
        for name, made in TABLES.items():
            print(f"{name}\n\n{made()}\n")
        return 0
    wrong = [f"formulas.py: {fault}" for fault in check_values.faults()]
    seen = set()
    for page in PAGES:
        text = page.read_text(encoding="utf-8")

        def put(found, page=page):
            name = found[2]
            seen.add(name)
            if name not in TABLES:
                wrong.append(f"{page.name}: there is no table '{name}'")
                return found[0]
            want = "\n" + TABLES[name]() + "\n\n"
            if found[3] != want and arguments == ["--check"]:
                wrong.extend(differences(page.name, name, found[3], want))
            return found[1] + want + found[4]

        new = PLACE.sub(put, text)
        if arguments == ["--write"] and new != text:
            page.write_text(new, encoding="utf-8")
            print(f"wrote {page.name}")
    wrong += [f"table '{name}' stands in no page" for name in TABLES if name not in seen]
    for fault in wrong:
        print(fault)
    if wrong:
        print("budget.py: the above differs; after a change that is meant, budget.py --write")
    elif arguments == ["--check"]:
        print(f"budget.py: {len(TABLES)} tables as in the pages, formulas as in check_values.py")
    return 1 if wrong else 0


def differences(page, name, have, want):
    """Lines that differ."""
    have, want = have.strip().splitlines(), want.strip().splitlines()
    gone = [f"{page}, table {name}: in the page   {x}" for x in have if x not in want]
    come = [f"{page}, table {name}: printed now   {x}" for x in want if x not in have]
    return gone + come or [f"{page}, table {name}: blank lines or order differ"]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
