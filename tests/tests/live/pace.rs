//! Lets an emulated board run up to an instant of its own clock, and no further.
//!
//! A timer that its firmware leaves alone is set from outside; its interrupt asks the debugger for
//! something (`board_start::look`), for which the emulator stops by itself until it is answered.
//! The computer may take as long as it likes before it looks: the board's time stands. With
//! `-icount` its clock is the count of instructions and with `sleep=off` a sleeping processor's
//! time jumps to the next timer. What depends on the computer is a microsecond or two at each
//! stop, by which the board's clock may jump (`board_start::look`).

use std::io::{BufReader, Read, Write};
use std::os::unix::net::UnixStream;

/// Has the emulator send what the firmware asks for to the debugger.
pub const OPTIONS: [&str; 2] = ["-semihosting-config", "enable=on,target=gdb"];

/// The emulator's debug port.
pub struct Pace(BufReader<UnixStream>);

impl Pace {
    /// Takes an emulator that was started stopped (`-S`). `reset`: its first instruction, at
    /// which it stops after each reset too.
    pub fn new(port: UnixStream, reset: u32) -> Self {
        let mut pace = Self(BufReader::new(port));
        let answer = pace.ask(&format!("Z0,{:x},2", reset & !1));
        assert_eq!(answer, "OK", "a breakpoint");
        pace
    }

    /// Runs from a look to the next stop: a look again, or a reset.
    pub fn go_on(&mut self) {
        self.run("F0");
    }

    /// Runs from the first instruction to the next stop.
    pub fn start(&mut self) {
        // Over its breakpoint, without interrupts or time.
        self.run("s");
        self.run("c");
    }

    fn run(&mut self, how: &str) {
        let answer = self.ask(how);
        let stopped = answer.starts_with("T05") || answer.starts_with("Fsystem");
        assert!(stopped, "{how}: {answer}");
    }

    /// A packet of gdb's remote protocol and the answer to it: `$` body `#` and the sum of its
    /// bytes. A new packet confirms the answer before it.
    fn ask(&mut self, body: &str) -> String {
        let sum = body.bytes().fold(0_u8, u8::wrapping_add);
        let port = self.0.get_mut();
        write!(port, "${body}#{sum:02x}").expect("the emulator lives");
        let mut answer = Vec::new();
        let mut within = false;
        loop {
            let mut byte = [0];
            let read = self.0.read_exact(&mut byte);
            read.expect("the emulator lives");
            match byte[0] {
                b'$' => within = true,
                b'#' if within => break,
                byte if within => answer.push(byte),
                // The emulator's own confirmation.
                _ => {}
            }
        }
        let mut sum = [0; 2];
        self.0.read_exact(&mut sum).expect("a whole packet");
        String::from_utf8(answer).expect("a packet is text")
    }
}
