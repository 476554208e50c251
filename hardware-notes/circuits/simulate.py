#!/usr/bin/env python3
"""The circuits in a circuit simulator, against the formulas behind the tables.

    simulate.py    needs ngspice (apt-get install ngspice); exit status 1 where one is off

Not part of the test command, which must do with Python alone. Run it after changing a
circuit or a formula. Parts are generic: switches or first-level transistors, diodes of some
0.8 V at an ampere.
"""

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import budget as b
import formulas as f

MODELS = """
.model sw sw(ron=0.01 roff=1e9 vt=1.5 vh=0.1)
.model d d(is=1e-14 n=1 rs=0.005)
.model schottky d(is=1e-7 n=1.05 rs=1)
.model z24 d(is=1e-14 n=1 rs=0.05 bv=24 ibv=10m)
.model z51 d(is=1e-14 n=1 rs=0.05 bv=51 ibv=10m)
.model nm nmos(vto=1.8 kp=20)
.model pm pmos(vto=-1.8 kp=20)
"""


def run(title, circuit, seconds, step, measures):
    """Measured values by name."""
    lines = [f"* {title}", MODELS, circuit, f".tran {step} {seconds} 0 {step}"]
    lines += [f".meas tran {name} {what}" for name, what in measures.items()] + [".end"]
    with tempfile.TemporaryDirectory() as folder:
        deck = Path(folder) / "deck.cir"
        deck.write_text("\n".join(lines) + "\n", encoding="ascii")
        out = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, check=False)
    found = {}
    for name in measures:
        value = re.search(rf"^{name}\s*=\s*(\S+)", out.stdout, re.M)
        if not value:
            raise SystemExit(f"{title}: no {name} from ngspice:\n{out.stdout}{out.stderr}")
        found[name] = float(value[1])
    return found


COIL = f"vs bus 0 {b.SUPPLY}\nl1 bus mid {b.YOURS.henry}\nr1 mid node {b.YOURS.ohm}\n"
OFF = 0.03


def clamp(kind, volts, parts):
    """Time to drop-out and the highest voltage at the transistor."""
    circuit = COIL + f"s1 node 0 gate 0 sw\nvg gate 0 pulse(0 3.3 0 1n 1n {OFF} 1)\n" + parts
    got = run(kind, circuit, OFF + 0.01, "2u", {
        "late": f"when i(l1)={b.YOURS.drop_out} fall=1", "high": "max v(node)"})
    return got["late"] - OFF, got["high"]


def clamps():
    """The table of clamps."""
    for (name, kind, volts), parts in zip(
        [b.CLAMPS[0], b.CLAMPS[2], b.CLAMPS[3]],
        ["d1 node bus d\n", "d1 node a d\nd2 bus a z24\n", "d3 0 node z51\n"],
    ):
        late, high = clamp(name, volts, parts)
        yield f"{name}: ms to drop-out", 1000 * late, 1000 * b.clamp_times(b.YOURS, kind, volts)[0], 0.05
        yield f"{name}: V at the transistor", high, b.across_switch(kind, volts, b.SUPPLY), 0.05


def opening():
    """The table of openings, one of it."""
    got = run("opening", COIL + "s1 node 0 gate 0 sw\nvg gate 0 pulse(0 3.3 0 1n 1n 1 2)\n", 0.005, "1u",
              {"up": f"when i(l1)={b.YOURS.pull_in} rise=1"})
    yield "opening: ms to pull-in", 1000 * got["up"], 1000 * f.rise_time(
        b.SUPPLY, b.YOURS.ohm, b.YOURS.henry, b.YOURS.pull_in), 0.01


def hold():
    """Peak and hold, drawing B, with the transistors' body diodes."""
    duty = b.hold_duty(b.SUPPLY, b.YOURS.ohm)
    # Peak to 9 ms, pulses at 5 kHz to 60 ms, then everything off.
    circuit = COIL + f"""
vp pk 0 pulse(0 3.3 0 1n 1n 9m 1)
vd pw 0 pulse(0 3.3 9m 100n 100n {duty * 200e-6} 200u)
vb bit 0 pulse(0 3.3 0 1n 1n 60m 1)
bg gate 0 v = v(bit) > 1 ? max(v(pk), v(pw)) : 0
m1 node gate 0 0 nm
db1 0 node d
dz 0 node z51
d2 node src d
m2 bus g2 src src pm
db2 bus src d
rg src g2 10k
rq g2 q 15k
m3 q bit 0 0 nm
db3 0 q d
"""
    got = run("peak and hold", circuit, 0.063, "1u", {
        "mean": "avg i(l1) from=50m to=60m", "high": "max i(l1) from=50m to=60m",
        "low": "min i(l1) from=50m to=60m", "late": f"when i(l1)={b.YOURS.drop_out} fall=last",
        "volts": "max v(node)"})
    yield "hold: A", got["mean"], b.HOLD, 0.03
    yield "hold: mA of ripple", 1000 * (got["high"] - got["low"]), 1000 * (b.SUPPLY + b.DIODE) * duty * (
        1 - duty) / (b.YOURS.henry * 5000), 0.10
    yield "hold: V at closing", got["volts"], 51.0, 0.05
    limit = 1000 * f.fall_time(b.HOLD, 0.9 * b.YOURS.drop_out, b.YOURS.ohm, b.YOURS.henry, 37.2)
    yield "hold: ms to drop-out, below", min(1000 * (got["late"] - 0.06), limit), 1000 * (
        got["late"] - 0.06), 1e-6


def reversal():
    """The battery the wrong way round: with and without Q1 of the supply."""
    coil = f"l1 bus mid {b.YOURS.henry}\nr1 mid node {b.YOURS.ohm}\ns1 node 0 off 0 sw\nvo off 0 0\ndb 0 node d\ndz 0 node z51\n"
    got = run("reversal", "vs bus 0 -13.8\n" + coil, 0.05, "10u", {"last": "find i(l1) at=49m"})
    yield "reversed, no Q1: A through a coil", -got["last"], (b.SUPPLY - b.DIODE) / b.YOURS.ohm, 0.03
    guard = "vs bat 0 -13.8\nm1 bat g bus bus pm\ndb1 bat bus d\nrg g 0 100k\ndz1 g bus z24\n"
    got = run("reversal guarded", guard + coil, 0.05, "10u", {"last": "find i(l1) at=49m"})
    yield "reversed, Q1: 1 + A through a coil", 1 - got["last"], 1.0, 1e-3
    right = guard.replace("-13.8", "13.8")
    got = run("right way", right + "rl bus 0 10\n", 0.01, "10u", {"last": "find v(bus) at=9m"})
    yield "right way round, Q1: V behind it", got["last"], b.SUPPLY, 0.01


def pulses():
    """Delay of the falling edge at the Schmitt input, both drawings."""
    low = "when v(pin)=0.9 fall=1"
    sensor = "s1 in 0 c 0 sw\nvc c 0 pulse(0 3.3 1m 10n 10n 400u 1)\nvl log 0 3.3\n"
    drawn = {
        b.PULSE_FILTERS[0]: "r1 log in 4.7k\nr2 in pin 1k\nc1 pin 0 1n\n",
        b.PULSE_FILTERS[1]: "vs bat 0 13.8\nr1 bat in 2.2k\nr2 in pin 15k\nr3 pin 0 6.8k\nc1 pin 0 2.2n\n"
        "d1 pin log schottky\nd2 0 pin schottky\n",
    }
    for (name, _, farad, falling), parts in drawn.items():
        got = run(name, sensor + parts, 0.002, "0.2u", {"at": low, "high": "max v(pin)"})
        # From where the pin rests: the clamp lets it a little above 3.3 V.
        want = f.decay_to(falling, farad, got["high"], 0.9)
        yield f"{name}: µs of the edge", 1e6 * (got["at"] - 1e-3), 1e6 * want, 0.05
        yield f"{name}: V at the pin at most", min(got["high"], 3.7), got["high"], 1e-6


def stop_loop():
    """The relay coils' clamp must not tear at the optocoupler's diode."""
    circuit = """
vs a 0 13.8
s1 a top c 0 sw
vc c 0 pulse(0 3.3 0 1n 1n 30m 1)
l1 top x 0.3
r1 x 0 90
d1 0 y d
dz top y z24
r2 top led 2.2k
dl led 0 d
dr 0 led d
"""
    got = run("stop loop", circuit, 0.06, "5u", {
        "back": "min v(led)", "coil": "min v(top)", "late": "when i(l1)=0.02 fall=1"})
    yield "stop loop: V back at the LED, at most", max(got["back"], -1.0), got["back"], 1e-6
    yield "stop loop: V at the coil", -got["coil"], 24 + b.DIODE, 0.05
    yield "stop loop: ms to 20 mA", 1000 * (got["late"] - 0.03), 1000 * f.fall_time(
        13.8 / 90, 0.02, 90, 0.3, 24 + b.DIODE), 0.10


def main():
    """Exit status."""
    if not shutil.which("ngspice"):
        print("simulate.py needs ngspice: apt-get install --no-install-recommends ngspice", file=sys.stderr)
        return 2
    off = 0
    print(f"{'':48}{'simulated':>10}{'formula':>10}")
    for part in (clamps, opening, hold, reversal, pulses, stop_loop):
        for what, got, want, tolerance in part():
            good = abs(got - want) <= tolerance * abs(want)
            off += not good
            print(f"{what:48}{got:10.3f}{want:10.3f}{'' if good else '   OFF'}")
    print("simulate.py: all within their tolerance" if not off else f"simulate.py: {off} off")
    return 1 if off else 0


if __name__ == "__main__":
    sys.exit(main())
