"""Drawings of supply, emergency stop and the boom's wiring."""

import budget
import symbols as sy
from sheet import Sheet


def supply():
    s = Sheet(
        "supply", "Supply: fuse, reversal, load dump, brown-out",
        "From the battery through a main fuse, past a load-dump suppressor of both directions, "
        "and through a p-channel MOSFET against reversal to a node. From there one fused branch feeds the valves through "
        "the emergency stop; another feeds the logic through a diode, a reservoir capacitor and "
        "a regulator. A comparator watches the voltage and closes a contact while it is sound.",
        1000, 560)
    sy.battery(s, 70, 150, None)
    s.text(96, 184, "12 V")
    s.wire((70, 150), (70, 110), (85, 110), wide=True)
    sy.fuse(s, 85, 110, "r", ["F1", "at the battery"], length=70)
    s.wire((155, 110), (390, 110), wide=True)
    # Load dump, and pulses below 0 V.
    s.dot(200, 110)
    s.wire((200, 110), (200, 140))
    sy.diode(s, 200, 140, "d", ["D1, load dump", "stands off 26 V", "clamps below 45 V,", "both ways"],
             kind="both", length=70)
    s.wire((200, 210), (200, 240))
    sy.ground(s, 200, 240)
    q = sy.mosfet(s, 420, 150, "u", channel="p", source="b", body=True, wide=True)
    s.wire((390, 110), q["a"], wide=True)
    s.text(420, 62, "Q1, p-channel, 80 V", anchor="middle")
    s.wire(q["b"], (960, 110), wide=True)
    # Gate of Q1.
    s.wire((420, 150), (420, 180))
    s.dot(420, 180)
    sy.resistor(s, 420, 180, "d", "100 kΩ", length=60, side="r")
    sy.ground(s, 420, 240)
    s.wire((420, 180), (480, 180), (480, 175))
    sy.diode(s, 480, 175, "u", ["12 V", "zener"], length=50, kind="zener")
    s.wire((480, 125), (480, 110))
    s.dot(480, 110)
    s.wire((70, 210), (70, 240), wide=True)
    sy.ground(s, 70, 240, "star point")
    # Valves.
    s.dot(620, 110)
    s.wire((620, 110), (620, 122), wide=True)
    sy.fuse(s, 620, 122, "d", ["F2", "main, valves"], length=66)
    s.wire((620, 188), (620, 215), wide=True)
    s.post(620, 215)
    s.lines(634, 219, "to the emergency", "stop and the valves")
    # Logic.
    s.wire((960, 110), (960, 330), (900, 330))
    sy.fuse(s, 900, 330, "l", ["F3, 2 A"], length=70, wide=False)
    sy.diode(s, 830, 330, "l", "D2", length=60)
    s.wire((770, 330), (690, 330))
    s.dot(730, 330)
    s.wire((730, 330), (730, 350))
    sy.capacitor(s, 730, 350, "d", ["C1, 2200 µF", "63 V"], length=60, polar=True)
    sy.logic_ground(s, 730, 410)
    sy.coil(s, 690, 330, "l", "10 µH", length=70)
    r = sy.chip(s, 450, 280, 140, 74, ["regulator", "input to 60 V"], left=["out"], right=["in"], rows=24)
    s.wire((620, 330), r["in"])
    s.wire(r["out"], (400, r["out"][1]))
    s.post(400, r["out"][1])
    s.text(388, r["out"][1] + 4, "+5 V, +3.3 V logic", anchor="end")
    # Monitor, fed from in front of the diode.
    s.dot(960, 330)
    s.wire((960, 330), (960, 484), (930, 484))
    m = sy.chip(s, 776, 434, 140, 80, ["comparator", "with hysteresis"], left=["open drain"],
                right=["9.5 V"], rows=24)
    s.wire(m["open drain"], (640, m["open drain"][1]))
    s.post(640, m["open drain"][1])
    s.lines(628, m["open drain"][1] - 4, "supply monitor pin, pull-up there:", "closed to ground while sound",
            anchor="end")
    s.note(40, 400, "Reversed, without Q1: current would flow", "through the drivers' body diodes and the",
           "coils, and every valve would open.")
    s.note(40, 470, "D2 and C1 keep the logic up while valves", "close; see the table of capacitors.")
    return s


def emergency_stop():
    s = Sheet(
        "emergency-stop", "Emergency stop: a loop that cuts the valves' power",
        "Two mushroom buttons with normally closed contacts and a reset button feed the coils "
        "of two relays, which hold themselves. Their contacts stand in series in the valves' "
        "supply. An optocoupler across the coils tells the controller that the loop is closed.",
        1000, 540)
    s.text(20, 62, "control loop", bold=True)
    s.post(50, 110)
    s.lines(40, 134, "+12 V,", "own 2 A", size=12)
    s.wire((50, 110), (100, 110))
    sy.contact(s, 100, 110, "r", None, closed=True, button="stop", length=70)
    s.lines(135, 130, "S1", "stop, cab", size=12, anchor="middle")
    s.wire((170, 110), (200, 110))
    sy.contact(s, 200, 110, "r", None, closed=True, button="stop", length=70)
    s.lines(235, 130, "S2", "stop, boom", size=12, anchor="middle")
    s.wire((270, 110), (330, 110))
    s.dot(310, 110)
    sy.contact(s, 330, 110, "r", None, button="push", length=70)
    s.lines(365, 130, "S3, reset", size=12, anchor="middle")
    s.wire((400, 110), (450, 110))
    s.dot(420, 110)
    s.wire((310, 110), (310, 190), (320, 190))
    sy.contact(s, 320, 190, "r", "K1.2", length=50, side="b")
    sy.contact(s, 370, 190, "r", "K2.2", length=50, side="b")
    s.wire((420, 190), (420, 110))
    s.wire((450, 110), (740, 110))
    # Coils
    for x, name in ((520, "K1"), (600, "K2")):
        s.dot(x, 110)
        s.wire((x, 110), (x, 125))
        sy.relay_coil(s, x, 125, "d", None, length=70)
        s.text(x + 24, 164, name)
        s.wire((x, 195), (x, 230))
    s.dot(680, 110)
    s.wire((680, 110), (680, 115))
    sy.diode(s, 680, 115, "d", None, kind="zener", length=45)
    sy.diode(s, 680, 205, "u", None, length=45)
    s.text(695, 142, "24 V")
    s.wire((680, 205), (680, 230))
    s.wire((520, 230), (800, 230))
    for x in (600, 680):
        s.dot(x, 230)
    s.wire((520, 230), (520, 240))
    sy.ground(s, 520, 240)
    # Sense
    sy.resistor(s, 740, 110, "r", "2.2 kΩ", length=50, side="b")
    o = sy.coupler(s, 860, 98)
    s.wire((790, 110), (860, 110))
    s.dot(825, 110)
    s.dot(825, 176)
    sy.diode(s, 825, 176, "u", None, length=66)
    s.wire((800, 230), (800, 176), (825, 176))
    s.wire((825, 176), (860, 176))
    s.wire(o["emitter"], (976, o["emitter"][1]), (976, 206))
    sy.logic_ground(s, 976, 206)
    s.wire(o["collector"], (976, 110))
    s.post(976, 110)
    s.lines(988, 70, "stop pin, with its pull-up:", "closed = not pressed", anchor="end", size=12)
    # Power
    s.stroke((20, 290), (980, 290), dashed=True, colour="#b0b0b0")
    s.text(20, 320, "valve power", bold=True)
    s.post(60, 380)
    s.text(60, 366, "+12 V from F2", size=12, anchor="start")
    s.wire((60, 380), (180, 380), wide=True)
    sy.contact(s, 180, 380, "r", "K1.1", length=80, side="b", wide=True)
    s.wire((260, 380), (300, 380), wide=True)
    sy.contact(s, 300, 380, "r", "K2.1", length=80, side="b", wide=True)
    s.wire((380, 380), (740, 380), wide=True)
    for x, name in ((500, "group 1"), (620, "group 2"), (740, "group n")):
        s.dot(x, 380)
        sy.fuse(s, x, 380, "d", name, length=70)
        s.post(x, 450)
    s.lines(850, 376, "The pump: a relay", "in the same loop,", "own fuse and feed", size=12)
    s.note(40, 490, "A pulled-out button alone gives no power back: a person presses S3, looks, and then "
           "acknowledges at the controller.",
           "No large capacitor behind K2.1: it would hold valves open after the stop. This loop is no "
           "rated safety function; where the law", "asks for one, use rated parts and somebody qualified.")
    return s


def boom_wiring():
    s = Sheet(
        "boom-wiring", "48 nozzles: three feeds, six groups, one star",
        "Battery with main fuse and star point; emergency-stop relays; a fuse block with three "
        "feeds of thick wire to three driver boxes on the boom; each box has two fused trunks to "
        "groups of eight valves by twisted pairs. Every return goes back beside its feed to the "
        "star. Logic and sensors have their own pair and shield.", 1000, 570)
    # Sizes as in the table of wires.
    sizes = budget.runs(budget.BOOMS[2])
    (_, _, _, _, main, _), (_, _, _, feed, feed_fuse, _) = sizes[:2]
    (_, _, _, trunk, trunk_fuse, _), (_, _, _, pair, _, _) = sizes[2:]
    box = "#f3f5f7"

    def block(x, y, w, h, *words):
        s.rectangle(x, y, w, h, fill=box)
        s.lines(x + w / 2, y + h / 2 + 4.5 - (len(words) - 1) * 8.5, *words, anchor="middle")

    block(40, 80, 110, 60, "battery", f"F1, {main:g} A")
    block(230, 80, 110, 60, "reversal,", "load dump")
    block(420, 80, 120, 60, "emergency stop", "K1, K2")
    block(620, 80, 130, 60, "fuse block", f"3 × {feed_fuse:g} A")
    for x in (150, 340, 540):
        end = {150: 230, 340: 420, 540: 620}[x]
        s.terminal((x, 100), (end, 100))
        s.wire((x, 100), (end, 100), wide=True)
    # Feeds: upper wire of each pair supplies, lower returns.
    centres = (170, 500, 830)
    for row, x in enumerate(centres):
        lane = 190 + 22 * row
        top = 280
        start = 650 + 35 * row
        s.terminal((start, 140), (x - 12, top))
        s.wire((start, 140), (start, lane), (x - 12, lane), (x - 12, top), wide=True)
        block(x - 100, top, 200, 60, f"driver box {row + 1}", "16 drivers, registers")
        for side in (-1, 1):
            gx = x + 75 * side
            s.terminal((gx, 340), (gx, 420))
            s.wire((gx, 340), (gx, 420), wide=True)
            block(gx - 62, 420, 124, 44, f"group {2 * row + (3 + side) // 2}", f"fuse {trunk_fuse:g} A")
            for valve in range(8):
                vx = gx - 49 + 14 * valve
                s.terminal((vx, 464), (vx, 490))
                s.wire((vx, 464), (vx, 490))
                s.stroke((vx, 490), (vx - 4, 500), (vx + 4, 500), (vx, 490))
    s.text(170, 183, f"each thick line is a pair, supply and return; feeds {feed:g} mm²", size=12)
    # Data, one line for all its pairs.
    lane = 258
    s.terminal((920, 140), *((x + 45, 280) for x in centres))
    for x in centres:
        s.stroke((x + 45, 280), (x + 45, lane), dashed=True)
    s.stroke((920, 140), (920, lane), (centres[0] + 45, lane), dashed=True)
    s.lines(908, 170, "data, clock, latch,", "output-enable", anchor="end", size=12)
    # Star.
    s.terminal((95, 140), (95, 170))
    s.wire((95, 140), (95, 170), wide=True)
    sy.ground(s, 95, 170)
    s.lines(20, 216, "star: all returns", "meet here", size=12)
    # Logic
    block(830, 80, 150, 60, "controller,", "logic fuse 2 A")
    s.note(40, 540, f"Trunks {trunk:g} mm², twisted pairs of {pair:g} mm² to the valves. Data as twisted pairs with ground, by line "
           "drivers beyond a metre.",
           "Wheel and strobe in shielded pairs of their own, 30 cm from the feeds, crossing them at a right angle. The chassis is no return.")
    return s
