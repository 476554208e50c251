"""Drawings of what comes in: wheel pulses and the tractor bus."""

import symbols as sy
from sheet import Sheet


def pulse_input():
    s = Sheet(
        "pulse-input", "Pulse input, isolated or protected",
        "A: the wheel sensor's open-collector output draws current through the light-emitting "
        "diode of an optocoupler; its transistor pulls the input down, followed by a filter of "
        "1 kilohm and 1 nanofarad and a Schmitt buffer. B: the same without isolation: pull-up "
        "at the plug, suppressor, divider, capacitor, clamp diodes, Schmitt buffer.", 1000, 620)
    s.text(20, 62, "A: isolated", bold=True)
    s.post(60, 120)
    s.text(50, 88, "+12 V, to the sensor too", size=12)
    s.wire((60, 120), (110, 120))
    sy.resistor(s, 110, 120, "r", "1.5 kΩ", length=70)
    s.wire((180, 120), (340, 120))
    s.dot(240, 120)
    o = sy.coupler(s, 340, 108)
    s.wire((240, 120), (240, 123))
    sy.diode(s, 240, 183, "u", "against reversal", length=60, side="l")
    s.wire((240, 183), (240, 186))
    s.dot(240, 186)
    s.wire((60, 186), (240, 186))
    s.wire((240, 186), (340, 186))
    s.post(60, 186)
    s.text(48, 190, "pulse", anchor="end", size=12)
    s.post(60, 240)
    s.text(48, 244, "0 V", anchor="end", size=12)
    s.wire((60, 240), (90, 240))
    sy.ground(s, 90, 240)
    s.text(112, 246, "sensor pulls to 0 V on each pulse", size=12)
    s.wire(o["emitter"], (480, o["emitter"][1]), (480, 216))
    sy.logic_ground(s, 480, 216)
    s.wire(o["collector"], (540, 120))
    s.dot(500, 120)
    sy.resistor(s, 500, 120, "u", "4.7 kΩ", length=50, side="l")
    sy.supply(s, 500, 70, "+3.3 V")
    sy.resistor(s, 540, 120, "r", "1 kΩ", length=60)
    s.wire((600, 120), (690, 120))
    s.dot(630, 120)
    s.wire((630, 120), (630, 140))
    sy.capacitor(s, 630, 140, "d", "1 nF", length=50)
    sy.logic_ground(s, 630, 190)
    sy.schmitt(s, 690, 120, "Schmitt buffer")
    s.wire((750, 120), (830, 120))
    s.post(830, 120)
    s.lines(842, 116, "wheel pin,", "falling edge")
    s.note(520, 250, "Filter while falling 1 µs, corner 27.9 kHz with the pull-up;",
           "add the optocoupler's own delay: some µs, the same each time.")
    # B
    s.stroke((20, 300), (980, 300), dashed=True, colour="#b0b0b0")
    s.text(20, 330, "B: protected, one ground", bold=True)
    y = 420
    sy.supply(s, 140, 370, "+12 V sensor", anchor="start")
    sy.resistor(s, 140, 370, "d", "2.2 kΩ", length=50)
    s.post(60, y)
    s.text(48, y + 4, "pulse", anchor="end", size=12)
    s.wire((60, y), (250, y))
    s.dot(140, y)
    s.wire((140, y), (140, y + 20))
    sy.diode(s, 140, y + 80, "u", ["suppressor", "24 V"], length=60, kind="zener")
    sy.ground(s, 140, y + 80)
    sy.resistor(s, 250, y, "r", "15 kΩ", length=70)
    s.wire((320, y), (690, y))
    for x in (350, 440, 560):
        s.dot(x, y)
    s.wire((350, y), (350, y + 20))
    sy.resistor(s, 350, y + 20, "d", "6.8 kΩ", length=60)
    sy.logic_ground(s, 350, y + 80)
    s.wire((440, y), (440, y + 25))
    sy.capacitor(s, 440, y + 25, "d", "2.2 nF", length=50)
    s.wire((440, y + 75), (440, y + 80))
    sy.logic_ground(s, 440, y + 80)
    s.wire((560, y), (560, y + 20))
    sy.diode(s, 560, y + 80, "u", None, length=60)
    sy.logic_ground(s, 560, y + 80)
    sy.diode(s, 560, y, "u", "Schottky diodes", length=50)
    sy.supply(s, 560, y - 50, "+3.3 V")
    sy.schmitt(s, 690, y, "Schmitt buffer")
    s.wire((750, y), (830, y))
    s.post(830, y)
    s.lines(842, y - 4, "wheel pin,", "falling edge")
    s.note(40, 575, "Divider and capacitor: 10 µs, corner 15.5 kHz. 13.8 V on the wire for ever is harmless: "
           "15 kΩ let less than 1 mA through.",
           "A reed switch bounces for a millisecond: it needs an RC of that size, and so a low "
           "pulse rate. Take a sensor without contacts.")
    return s


def bus_stub():
    s = Sheet(
        "bus-stub", "Tractor bus, listening on a stub",
        "The bus runs from terminator to terminator. The controller hangs on a short stub: a "
        "suppressor, a common-mode choke and a transceiver whose transmit input is tied high, so "
        "that it only listens. No terminator on the stub.", 1000, 420)
    for y, name in ((90, "CAN_H"), (130, "CAN_L")):
        s.wire((90, y), (910, y))
        s.text(220, y - 7, name, size=12)
    for x in (90, 910):
        sy.resistor(s, x, 90, "d", None, length=40)
    s.text(104, 114, "terminator", size=12)
    s.text(896, 114, "terminator", size=12, anchor="end")
    s.text(500, 62, "bus of the tractor, 250 kbit/s, as it is", anchor="middle", size=12)
    # Stub
    s.dot(330, 90)
    s.dot(370, 130)
    s.wire((330, 90), (330, 210))
    s.wire((370, 130), (370, 210))
    s.post(330, 210)
    s.post(370, 210)
    s.lines(385, 165, "twisted stub, as short as you can,", "1 m at most", size=12)
    s.wire((330, 210), (330, 290), (490, 290))
    s.wire((370, 210), (370, 250), (490, 250))
    for x, y in ((410, 250), (450, 290)):
        s.dot(x, y)
    s.wire((410, 250), (410, 310))
    s.wire((450, 290), (450, 310))
    for x in (410, 450):
        sy.diode(s, x, 310, "d", None, length=50, kind="both")
        sy.ground(s, x, 360)
    s.lines(395, 330, "suppressors,", "24 V", anchor="end", size=12)
    # Choke: two windings and the core between.
    sy.coil(s, 490, 250, "r", None, length=70)
    sy.coil(s, 490, 290, "r", None, length=70)
    for y in (264, 270):
        s.stroke((501, y), (549, y))
    s.text(525, 225, "common-mode choke", anchor="middle", size=12)
    t = sy.chip(s, 640, 200, 130, 130, ["transceiver", "3.3 V logic"], left=["CAN_L", "CAN_H"],
                right=["RX", "TX"], rows=40)
    s.wire((560, 250), t["CAN_L"])
    s.wire((560, 290), t["CAN_H"])
    s.wire(t["RX"], (820, t["RX"][1]), (820, 190), (850, 190))
    s.post(850, 190)
    s.lines(862, 186, "receive pin of the", "CAN controller", size=12)
    s.wire(t["TX"], (820, t["TX"][1]))
    sy.resistor(s, 820, t["TX"][1], "r", "10 kΩ", length=60, side="b")
    s.wire((880, t["TX"][1]), (940, t["TX"][1]), (940, 265))
    sy.supply(s, 940, 265, "+3.3 V")
    s.note(560, 385, "TX tied high: the node can't disturb the bus.",
           "It can't acknowledge either; other nodes do.")
    return s
