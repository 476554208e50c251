#!/usr/bin/env python3
"""Draws the circuits of the builder's pages as SVG.

    draw.py            writes them beside this file
    draw.py --check    compares the files with what it draws; exit status 1 where one differs
    draw.py --list     names them

A drawing whose words lie on strokes or on each other, or whose wires end on nothing, is not
written (`sheet.py`). Only Python's standard library is needed.
"""

import difflib
import sys
from pathlib import Path

import input_circuits
import power_circuits
import valve_circuits

HERE = Path(__file__).resolve().parent
DRAWINGS = [
    valve_circuits.low_side, valve_circuits.peak_hold, valve_circuits.shift_chain,
    input_circuits.pulse_input, input_circuits.bus_stub,
    power_circuits.supply, power_circuits.emergency_stop, power_circuits.boom_wiring,
]


def main(arguments):
    """Exit status."""
    if arguments not in ([], ["--check"], ["--list"]):
        print(__doc__, file=sys.stderr)
        return 2
    sheets = [drawing() for drawing in DRAWINGS]
    if arguments == ["--list"]:
        print("\n".join(f"{s.name}.svg: {s.title}" for s in sheets))
        return 0
    wrong = [fault for s in sheets for fault in s.faults()]
    for s in sheets:
        path = HERE / f"{s.name}.svg"
        want = s.svg()
        if arguments == ["--check"]:
            have = path.read_text(encoding="utf-8") if path.exists() else ""
            if have != want:
                wrong.append(f"{path.name}: not what draw.py draws:")
                changed = difflib.unified_diff(
                    have.splitlines(), want.splitlines(), "the file", "draw.py", n=0, lineterm="")
                wrong += list(changed)[:12]
        elif not any(fault.startswith(f"{s.name}:") for fault in wrong):
            path.write_text(want, encoding="utf-8")
    known = {f"{s.name}.svg" for s in sheets}
    wrong += [f"{p.name}: drawn by nothing" for p in sorted(HERE.glob("*.svg")) if p.name not in known]
    for fault in wrong:
        print(fault)
    if wrong:
        print("draw.py: the above is wrong; after a change that is meant, draw.py")
    elif arguments == ["--check"]:
        print(f"draw.py: {len(sheets)} drawings as drawn, no words on strokes, no loose wire")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
