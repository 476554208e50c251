"""Drawings between the controller's outputs and the valves' coils."""

import budget
import symbols as sy
from sheet import Sheet


def ms_to_drop_out(index):
    """From the page's table, so that drawing and table can't differ."""
    _, kind, volts = budget.CLAMPS[index]
    return f"{1000 * budget.clamp_times(budget.YOURS, kind, volts)[0]:.1f} ms"


def volts_rated(index):
    """Rating that follows."""
    _, kind, volts = budget.CLAMPS[index]
    return f"{budget.rating(budget.across_switch(kind, volts, budget.DUMP))} V"


def gate(s, x, y, pin, resistor="100 Ω", pull="10 kΩ", foot=80):
    """Series resistor and pull-down of a gate; returns the gate's point and the pull's foot.
    From the post at (x, y) to the gate at (x + 130, y)."""
    s.post(x, y)
    s.text(x - 4, y + 21, pin, size=12)
    s.wire((x, y), (x + 20, y))
    sy.resistor(s, x + 20, y, "r", resistor, length=60)
    s.wire((x + 80, y), (x + 130, y))
    s.dot(x + 100, y)
    sy.resistor(s, x + 100, y, "d", pull, length=foot, side="l")
    return (x + 130, y), (x + 100, y + foot)


def low_side():
    s = Sheet(
        "low-side-driver", "Low-side driver, and three ways to clamp its coil",
        "One n-channel MOSFET for each valve switches the coil's lower end to 0 V. Its gate has "
        "a series resistor and a pull-down resistor. A: a plain diode across the coil. B: a "
        "diode and a zener diode in series across the coil. C: a suppressor diode across the "
        "transistor.", 1000, 470)
    s.post(40, 80)
    s.wire((40, 80), (960, 80), wide=True)
    s.post(960, 80)
    s.text(40, 68, "+12 V valves, behind fuse and emergency stop", size=12)
    names = [("A: plain diode", 0), ("B: diode and zener", 2), ("C: suppressor", 3)]
    for column, (name, index) in enumerate(names):
        x = 40 + 320 * column
        drain = x + 170
        sy.coil(s, drain, 80, "d", ["valve", "coil"], length=90, side="l")
        s.dot(drain, 80)
        s.wire((drain, 170), (drain, 200))
        g, pull = gate(s, x, 230, "valve pin")
        sy.mosfet(s, *g, "r", words=["Q1, logic level", f"rated {volts_rated(index)}"]
                  if column != 2 else None)
        s.wire((drain, 260), (drain, 310))
        s.wire(pull, (drain, 310))
        s.dot(drain, 310)
        sy.ground(s, drain, 310, "0 V valves")
        s.dot(drain, 185)
        clamp = drain + 65
        if column == 0:
            s.wire((drain, 185), (clamp, 185), (clamp, 160))
            sy.diode(s, clamp, 160, "u", "D1", length=80)
            s.dot(clamp, 80)
        elif column == 1:
            s.wire((drain, 185), (clamp, 185), (clamp, 180))
            sy.diode(s, clamp, 180, "u", "D1", length=50)
            sy.diode(s, clamp, 80, "d", "D2, 24 V", length=50, kind="zener")
            s.dot(clamp, 80)
        else:
            s.wire((drain, 185), (clamp, 185), (clamp, 200))
            sy.diode(s, clamp, 260, "u", "D3, 51 V", length=60, kind="zener")
            s.wire((clamp, 260), (clamp, 310), (drain, 310))
            s.text(drain + 8, 290, f"Q1 {volts_rated(index)}")
        s.text(x, 375, name, bold=True)
        kept = ["fewest parts, closes slowest", "closes quickly", "closes quickly; all at the board"]
        s.lines(x, 395, f"{ms_to_drop_out(index)} to drop-out, Q1 {volts_rated(index)}", kept[column])
    s.note(40, 445, "Coil of the tables: 10 Ω, 20 mH, drop-out at 0.3 A, 13.8 V. High opens; "
           "without a driven pin the 10 kΩ keep the valve closed.")
    return s


def peak_hold():
    s = Sheet(
        "peak-and-hold", "Peak and hold, in two ways",
        "A: two transistors for each valve; the first connects the coil straight to 0 V for the "
        "peak, the second through a hold resistor. B: one transistor switched quickly for the "
        "hold current; between its pulses the current runs on through a diode and a p-channel "
        "transistor, which opens at closing so that the suppressor takes the coil down.",
        1000, 560)
    s.post(40, 80)
    s.wire((40, 80), (960, 80), wide=True)
    s.post(960, 80)
    s.text(40, 68, "+12 V valves, behind fuse and emergency stop", size=12)
    # A
    node = 230
    sy.coil(s, node, 80, "d", ["valve", "coil"], length=90, side="l")
    s.dot(node, 80)
    s.wire((node, 170), (node, 300))
    s.dot(node, 200)
    g, pull = gate(s, 60, 330, "peak")
    sy.mosfet(s, *g, "r", words="Q1")
    s.wire((node, 360), (node, 410))
    s.wire(pull, (node, 410))
    s.dot(node, 410)
    sy.ground(s, node, 410, "0 V valves")
    hold = 450
    s.wire((node, 200), (hold, 200))
    sy.resistor(s, hold, 200, "d", ["hold resistor", "12 Ω, 10 W"], length=80)
    s.wire((hold, 280), (hold, 300))
    g2, pull2 = gate(s, 280, 330, "hold")
    sy.mosfet(s, *g2, "r", words="Q2")
    s.wire((hold, 360), (hold, 410), pull2)
    s.dot(380, 410)
    s.wire((380, 410), (node, 410))
    s.dot(330, 200)
    s.wire((330, 200), (330, 205))
    sy.diode(s, 330, 265, "u", ["D1", "51 V"], length=60, kind="zener", side="l")
    sy.ground(s, 330, 265)
    s.text(40, 480, "A: a resistor holds", bold=True)
    s.lines(40, 500, "peak and hold both on, then hold alone, then neither",
            "two outputs a valve, no fast switching")
    # B
    node = 720
    sy.coil(s, node, 80, "d", ["valve", "coil"], length=90, side="l")
    s.dot(node, 80)
    s.wire((node, 170), (node, 300))
    s.dot(node, 200)
    g, pull = gate(s, 550, 330, "pulses")
    sy.mosfet(s, *g, "r", words="Q1")
    s.wire((node, 360), (node, 410))
    s.wire(pull, (node, 410))
    s.dot(node, 410)
    sy.ground(s, node, 410, "0 V valves")
    # Suppressor across Q1.
    s.wire((node, 280), (785, 280))
    s.dot(node, 280)
    sy.diode(s, 785, 340, "u", None, length=60, kind="zener")
    s.lines(800, 375, "D1", "51 V")
    s.wire((785, 340), (785, 410), (node, 410))
    # Freewheel: D2, then Q2 with its source to D2.
    s.wire((node, 200), (760, 200))
    sy.diode(s, 760, 200, "r", "D2", length=60, side="b")
    s.wire((820, 200), (840, 200))
    s.dot(840, 200)
    q = sy.mosfet(s, 800, 140, "r", words=None, channel="p", source="b")
    s.wire(q["a"], (840, 80))
    s.dot(840, 80)
    s.wire(q["b"], (840, 200))
    s.text(850, 130, "Q2")
    # Gate of Q2: held at its source, pulled down by Q3.
    s.wire((800, 140), (790, 140), (790, 110), (930, 110), (930, 140))
    sy.resistor(s, 930, 140, "d", None, length=60)
    s.text(918, 175, "10 kΩ", anchor="end")
    s.wire((840, 200), (930, 200))
    s.dot(930, 110)
    s.wire((930, 110), (970, 110), (970, 220))
    sy.resistor(s, 970, 220, "d", "15 kΩ", length=60, side="l")
    q3 = sy.mosfet(s, 930, 330, "r")
    s.wire((970, 280), q3["a"])
    s.text(938, 305, "Q3", anchor="end")
    s.wire(q3["b"], (970, 410))
    sy.ground(s, 970, 410)
    s.wire((930, 330), (885, 330))
    s.post(885, 330)
    s.text(885, 352, "valve bit", anchor="middle", size=12)
    s.text(560, 480, "B: pulses hold", bold=True)
    s.lines(560, 500, "Q3, Q2 on from opening to closing: current runs on by D2",
            "at closing both off: D1 takes it down")
    s.note(40, 548, "Q2's source is at D2: turned round, its body diode would always let the current run on. "
           "Q3 has a pull-down at its gate as Q1 has.")
    return s


def shift_chain():
    s = Sheet(
        "shift-register-chain", "Chain of shift registers with a dead-man",
        "The controller's SPI data and clock go to a chain of shift registers; chip select is "
        "the latch. Output-enable of all registers has a pull-up to the logic supply and is "
        "held low by a retriggerable monostable, which the controller must turn over at every "
        "flush. Each output goes to a gate with a pull-down.", 1000, 600)
    c = sy.chip(s, 40, 190, 130, 210, ["controller"],
                right=["dead-man", None, "data", "clock", "chip select"], rows=32)
    # Monostable
    m = sy.chip(s, 290, 80, 160, 110, ["monostable", "retriggerable"], left=["!clear", "trigger"],
                right=["RC", "!Q"], rows=30)
    dead = c["dead-man"]
    s.wire(dead, (262, dead[1]), (262, m["trigger"][1]), m["trigger"])
    # Clear: low until the supply is there.
    level = m["clear"][1]
    s.wire(m["clear"], (250, level))
    s.dot(250, level)
    sy.resistor(s, 250, level - 50, "d", "10 kΩ", length=50, side="l")
    sy.supply(s, 250, level - 50, "+3.3 V")
    sy.capacitor(s, 250, level, "l", None, length=60)
    s.text(220, level + 28, "100 nF", anchor="middle")
    s.wire((190, level), (160, level))
    sy.logic_ground(s, 160, level)
    # Timing parts
    rc = m["RC"]
    s.wire(rc, (520, rc[1]))
    s.dot(520, rc[1])
    sy.resistor(s, 520, rc[1] - 54, "d", "100 kΩ", length=54)
    sy.supply(s, 520, rc[1] - 54, "+3.3 V")
    s.wire((520, rc[1]), (560, rc[1]))
    sy.capacitor(s, 560, rc[1], "r", "470 nF", length=50, side="b")
    s.wire((610, rc[1]), (640, rc[1]))
    sy.logic_ground(s, 640, rc[1])
    s.text(670, rc[1] + 4, "some 30 ms: R · C · factor of the part", size=12)
    # Registers
    regs = []
    for i, (x, name) in enumerate(((300, "register 1"), (530, "register 2"), (760, "last register"))):
        r = sy.chip(s, x, 300, 150, 140, [name], left=["data in", "clock", "latch", "!OE"],
                    right=["data out"] if i < 2 else [], foot=["Q0", "...", "Q7"], rows=27)
        regs.append(r)
    # Data
    data = c["data"]
    first = regs[0]["data in"]
    s.wire(data, (240, data[1]), (240, first[1]), first)
    for a, b in zip(regs, regs[1:]):
        if b is regs[2]:
            continue
        s.wire(a["data out"], b["data in"])
    out, into = regs[1]["data out"], regs[2]["data in"]
    s.wire(out, (out[0] + 8, out[1]))
    s.stroke((out[0] + 8, out[1]), (into[0] - 8, into[1]), dashed=True)
    s.terminal((out[0] + 8, out[1]), (into[0] - 8, into[1]))
    s.wire((into[0] - 8, into[1]), into)
    # Clock, latch and output-enable run below the registers, in lanes.
    for pin, source, lane in (("clock", "clock", 500), ("latch", "chip select", 520)):
        start = c[source]
        turn = {"clock": 225, "latch": 205}[pin]
        s.wire(start, (turn, start[1]), (turn, lane), (regs[2][pin][0] - {"clock": 0, "latch": 10}[pin], lane),
               (regs[2][pin][0] - {"clock": 0, "latch": 10}[pin], regs[2][pin][1]), regs[2][pin])
        for r in regs[:2]:
            x = r[pin][0] - {"clock": 0, "latch": 10}[pin]
            s.dot(x, lane)
            s.wire((x, lane), (x, r[pin][1]), r[pin])
    oe = m["Q"]
    s.wire(oe, (496, oe[1]), (496, 240))
    s.wire((272, 240), (726, 240))
    for i, r in enumerate(regs):
        x = r["OE"][0] - (20 if i else 14)
        s.wire((x, 240), (x, r["OE"][1]), r["OE"])
    s.dot(regs[1]["OE"][0] - 20, 240)
    s.wire((726, 240), (800, 240))
    s.dot(726, 240)
    s.text(506, 232, "output-enable, acts when low", size=12)
    sy.resistor(s, 800, 240, "r", "10 kΩ", length=60, side="b")
    s.lines(922, 236, "off at", "reset", size=12)
    s.wire((860, 240), (900, 240), (900, 215))
    sy.supply(s, 900, 215, "+3.3 V", anchor="middle")
    # Outputs
    for r, (low, high) in zip(regs, (("valve 0", "valve 7"), ("8", "15"), ("8 n - 8", "8 n - 1"))):
        for pin, words in (("Q0", low), ("Q7", high)):
            x, y = r[pin]
            s.post(x, y)
            s.text(x, y + 19, words, anchor="middle", size=11)
    s.note(40, 555, "Each output goes to a gate as in the low-side driver, its 10 kΩ to 0 V at the gate: "
           "with output-enable high the outputs float, and the",
           "pull-downs close. 100 nF at each register's supply. Chip select rises at the end of a write: "
           "that edge latches all at once.")
    return s
