"""Makes bench.vcd with the Python package pyvcd (0.5.1), a writer of value change dumps that shares
nothing with the reader under test: python3 make.py > bench.vcd

Ten openings of two valves with exact delays, on a wire each, a bus of four and a real.
"""
import sys
from vcd import VCDWriter

with VCDWriter(sys.stdout, timescale="1 us", date="none", comment="made by make.py") as writer:
    command = writer.register_var("bench.board", "command", "wire", size=1, init=0)
    bus = writer.register_var("bench.sensors", "flow", "reg", size=4, init=0)
    supply = writer.register_var("bench", "supply", "real", init=12.5)
    changes = []
    for k in range(10):
        at = 250_000 * k + 100_000
        changes += [(at, command, 1), (at + 60_000, command, 0)]
        # Valve 0 on wire 1 of the bus, valve 1 on wire 3: 20.1 and 23.7 ms, 15.2 and 17.9 ms.
        changes += [(at + 20_100, bus, 0b0010), (at + 23_700, bus, 0b1010)]
        changes += [(at + 75_200, bus, 0b1000), (at + 77_900, bus, 0b0000)]
        changes += [(at + 30_000, supply, 12.5 - 0.05 * k)]
    for at, variable, value in sorted(changes, key=lambda c: c[0]):
        writer.change(variable, at, value)
    writer.dump_off(2_700_000)
    writer.dump_on(2_800_000)
    writer.close(3_000_000)
