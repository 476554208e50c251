#!/usr/bin/env python3
"""Sends images with plants to the board over a serial port.

The wire is described in controller-core/LINK.md. Images are read as JSON lines:

    {"detector": 0, "number": 300, "captured_us": 12345678, "error_us": 350,
     "seen_mm": [0, 800], "plants": [{"x_mm": 412, "y_mm": -730, "length_mm": 60, "width_mm": 45}]}

`captured_us` is by this computer's clock (time.monotonic) unless --board-clock is given;
`"frame": 70000` in its place names the frame of a strobe. A plant may have `id` and `row_us`.
To a board that is told the time, lines {"pulse_us": 12345678} and {"until_us": 12345678} tell it.
"""

import argparse
import json
import sys
import time
import zlib

from cobs import cobs

VERSION = 4
MAX_FRAME = 1280
MAX_PLANTS = 64
PING_EVERY_S = 0.1
ANSWER_S = 10
AGAIN_S = 1.0  # without an answer for so long: sent again
AHEAD = 512  # bytes on the way that any board's port is believed to buffer
READ_S = 0.02
WINDOW = 200  # exchanges that the clock remembers


# The postcard format: varints, zig-zag for signed numbers.


def varint(value, bits=64):
    if not 0 <= value < 1 << bits:
        raise ValueError(f"{value} does not fit into {bits} bits without a sign")
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def signed(value, bits):
    if not -(1 << bits - 1) <= value < 1 << bits - 1:
        raise ValueError(f"{value} does not fit into {bits} bits with a sign")
    return varint(value << 1 if value >= 0 else (-value << 1) - 1, bits)


def read_varint(data, at):
    value = shift = 0
    while True:
        byte = data[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return value, at


# Messages to the board, by their numbers.


def ping(sent_us):
    return varint(3) + varint(sent_us)


def strobe(detector, frame):
    return varint(2) + bytes([detector]) + varint(frame, 32)


def pulse(at_us):
    return varint(13) + varint(at_us)


def until(at_us):
    return varint(14) + varint(at_us)


def plain_plant(plant):
    return (
        signed(plant["x_mm"], 16)
        + signed(plant["y_mm"], 16)
        + varint(plant["length_mm"], 16)
        + varint(plant["width_mm"], 16)
    )


def full_plant(plant):
    identity = plant.get("id")
    known = b"\0" if identity is None else b"\1" + varint(identity, 16)
    return plain_plant(plant) + known + signed(plant.get("row_us", 0), 32)


def image(detector, number, captured, seen_mm, plants):
    """`captured` is ("frame", n) or ("at", board µs, bound of its error in µs)."""
    if len(plants) > MAX_PLANTS:
        raise ValueError(f"{len(plants)} plants in one image; send several of at most {MAX_PLANTS}")
    full = any("id" in plant or "row_us" in plant for plant in plants)
    if captured[0] == "frame":
        when = b"\1" + varint(captured[1], 32)
    else:
        when = b"\0" + varint(captured[1]) + varint(min(captured[2], 0xFFFF), 16)
    head = varint(1) + bytes([detector]) + varint(number & 0xFFFF, 16) + when
    head += signed(seen_mm[0], 16) + signed(seen_mm[1], 16)
    write = full_plant if full else plain_plant
    return head + bytes([full, len(plants)]) + b"".join(write(plant) for plant in plants)


# Frames.


def seal(sequence, body):
    frame = bytes([VERSION]) + (sequence & 0xFFFF).to_bytes(2, "little") + body
    frame += zlib.crc32(frame).to_bytes(4, "little")
    if len(frame) > MAX_FRAME:
        raise ValueError(f"a frame of {len(frame)} bytes; the most is {MAX_FRAME}")
    return b"\0" + cobs.encode(frame) + b"\0"


def unseal(stuffed):
    """The body of what stood between two zeros; None when it was no good frame."""
    try:
        frame = cobs.decode(stuffed)
    except cobs.DecodeError:
        return None
    if len(frame) < 7 or frame[0] != VERSION:
        return None
    if zlib.crc32(frame[:-4]) != int.from_bytes(frame[-4:], "little"):
        return None
    return frame[3:-4]


class Clock:
    """The board's clock against this one: the quickest frame each way of a window.

    Without drift: at 50 ppm and a window of 20 s that is up to 0.5 ms. The Rust side
    (controller_core::link::ClockFilter) also follows drift.
    """

    def __init__(self):
        self.ways = []

    def add(self, sent, received, replied, returned):
        if returned - sent >= replied - received >= 0:
            self.ways = self.ways[1 - WINDOW :] + [(received - sent, replied - returned)]

    def to_board(self, own_us):
        """Board's µs, and the most that it can be off; None before the first exchange."""
        if not self.ways:
            return None
        out = min(way[0] for way in self.ways)
        back = max(way[1] for way in self.ways)
        return own_us + (out + back) // 2, max(0, (out - back + 1) // 2)


class Sender:
    """Numbers frames, writes them to a port, and keeps the clock."""

    def __init__(self, port):
        self.port, self.sequence, self.clock, self.taken = port, 0, Clock(), bytearray()
        self.heard = None
        # Frames that will be answered, each with its bytes and those of the frames before it
        # that will not; and the bytes since the last of them.
        self.open, self.loose = {}, 0
        self.again = {}

    def send(self, body):
        """Sends a body; its number, by which the board answers."""
        number, frame = self.sequence, seal(self.sequence, body)
        self.port.write(frame)
        self.port.flush()
        self.sequence = number + 1 & 0xFFFF
        self.loose += len(frame)
        return number

    def send_ahead(self, body):
        """Sends what the board answers; waits while much is unconfirmed: neither outruns the other."""
        number = self.send(body)
        self.open[number], self.loose = self.loose, 0
        self.again[number] = body
        self.settle(AHEAD)

    def settle(self, most=0):
        """Listens until no more than so many bytes are unconfirmed."""
        left, end = len(self.open), time.monotonic() + ANSWER_S
        ask = time.monotonic() + AGAIN_S
        while sum(self.open.values()) > most:
            if len(self.open) < left:
                left, end = len(self.open), time.monotonic() + ANSWER_S
                ask = time.monotonic() + AGAIN_S
            if time.monotonic() > ask:
                # The frame or its answer was lost on the way: the same again, by its own number.
                number = next(iter(self.open))  # the oldest, also where numbers wrap
                self.port.write(seal(number, self.again[number]))
                self.port.flush()
                ask = time.monotonic() + AGAIN_S
            if time.monotonic() > end:
                raise ValueError(f"frame {next(iter(self.open))} was not answered in {ANSWER_S} s")
            # Waits for a byte without turning in circles, which would cost an emulator its time.
            self.taken += self.take(1)
            self.listen(now_us())

    def take(self, most):
        """Bytes from the port. One that wakes without any is asked again: only silence counts."""
        try:
            return self.port.read(most)
        except OSError:
            time.sleep(0.01)
            return b""

    def listen(self, now_us):
        """Reads what has come; pongs go into the clock, refusals to stderr."""
        self.taken += self.take(self.port.in_waiting)
        *frames, self.taken = self.taken.split(b"\0")
        for body in filter(None, map(unseal, filter(None, frames))):
            if self.heard:
                print(body.hex(), file=self.heard)
            if body[0] == 1:
                sent, at = read_varint(body, 1)
                received, at = read_varint(body, at)
                replied, at = read_varint(body, at)
                self.clock.add(sent, received, replied, now_us)
            elif body[0] == 2:
                number, at = read_varint(body, 1)
                self.open.pop(number, None)
                self.again.pop(number, None)
                if body[at]:
                    print(f"frame {number} refused, reason {body[at + 1]}", file=sys.stderr)


def now_us():
    return time.monotonic_ns() // 1000


def captured(line, sender, board_clock):
    if "frame" in line:
        return "frame", line["frame"]
    if board_clock:
        return "at", line["captured_us"], line.get("error_us", 0)
    known = sender.clock.to_board(line["captured_us"])
    if known is None:
        raise ValueError("the board has not answered any ping yet; is it there, at this baud rate?")
    return "at", known[0], known[1] + line.get("error_us", 0)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("images", help="JSON lines; - is standard input")
    parser.add_argument("--port", required=True, help="serial port; - is standard output, for tests")
    parser.add_argument("--baud", type=int, default=921600)
    parser.add_argument("--board-clock", action="store_true", help="captured_us is the board's already")
    parser.add_argument("--heard", metavar="FILE", help="keep what the board says, a body in hexadecimal a line")
    wish = parser.parse_args()
    if wish.port == "-":
        if not wish.board_clock:
            parser.error("standard output answers no pings: give --board-clock")
        sender, listens = Sender(sys.stdout.buffer), False
    else:
        import serial

        sender, listens = Sender(serial.Serial(wish.port, wish.baud, timeout=READ_S)), True
        if wish.heard:
            sender.heard = open(wish.heard, "w", encoding="utf-8")
        for _ in range(0 if wish.board_clock else 20):  # two seconds, so that the clock is known
            sender.send(ping(now_us()))
            end = time.monotonic() + PING_EVERY_S
            while time.monotonic() < end:
                sender.listen(now_us())
                time.sleep(0.0005)
    lines = sys.stdin if wish.images == "-" else open(wish.images, encoding="utf-8")
    last_ping = time.monotonic()
    for count, text in enumerate(lines, 1):
        try:
            line = json.loads(text)
            if "pulse_us" in line:
                sender.send(pulse(line["pulse_us"]))
                if listens and sender.loose > AHEAD // 2:  # pulses are not answered: keep in step
                    sender.send_ahead(until(line["pulse_us"]))
                continue
            if "until_us" in line:
                (sender.send_ahead if listens else sender.send)(until(line["until_us"]))
                continue
            when = captured(line, sender, wish.board_clock)
            sender.send(image(line["detector"], line["number"], when, line["seen_mm"], line["plants"]))
        except (ValueError, KeyError, TypeError, OSError) as error:
            sys.exit(f"{wish.images}: line {count}: {error!r}; see the top of {sys.argv[0]}")
        if listens:
            sender.listen(now_us())
            if time.monotonic() - last_ping > PING_EVERY_S:
                sender.send(ping(now_us()))
                last_ping = time.monotonic()
    try:
        sender.settle()
    except (ValueError, OSError) as error:
        sys.exit(f"{wish.images}: {error}")


if __name__ == "__main__":
    main()
