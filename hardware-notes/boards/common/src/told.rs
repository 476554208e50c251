//! The board that is told the time: it reads, acts and answers, byte by byte.

use crate::board::{Board, set_up};
use crate::driver::Driver;
use crate::site::Site;
use controller_core::Controller;
use controller_core::link::MachineTable;

/// A serial port that waits.
pub trait Port {
    /// The next byte; waits for it. `None` when the far end is gone for good, which only a
    /// test's port ever says.
    fn read(&mut self) -> Option<u8>;
    /// Sends a byte, waiting for room.
    fn write(&mut self, byte: u8);
}

struct Told<'p, P>(&'p mut P);

impl<P: Port> Site for Told<'_, P> {
    fn send(&mut self, frame: &[u8]) {
        frame.iter().for_each(|&byte| self.0.write(byte));
    }
}

impl<const F: usize, const M: usize, const O: usize> Board<F, M, O> {
    /// Serves the port until its far end is gone: for at most `N` nozzles with `K` patches
    /// each, `H` remembered pulses, `D` detectors.
    pub fn run<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
    ) {
        // The frame that asked for the machine now built; answered when it is.
        let mut asked = None;
        loop {
            let table = self.table::<N, D>();
            asked = match &table {
                Some(table) => self.run_machine::<N, K, H, D>(port, table, asked),
                None => {
                    self.begin(&mut Told(port), asked, false);
                    self.serve::<N, K, H, D>(port, &mut None)
                }
            };
            if asked.is_none() {
                return;
            }
        }
    }

    // One controller on the stack, written where it stays: a second would not fit on a small
    // one.
    #[inline(never)]
    fn run_machine<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
        table: &MachineTable<N, D>,
        asked: Option<u16>,
    ) -> Option<u16> {
        let mut core = Controller::<'_, N, K, H, D>::blank();
        let ready = set_up(&mut core, table, false);
        let sections = table.config().sections;
        let mut driver = ready.ok().map(|()| Driver::new(&mut core, sections));
        self.begin(&mut Told(port), asked, driver.is_some());
        self.serve(port, &mut driver)
    }

    // Kept apart, so that its stack and that of building a controller don't add up.
    /// Serves until a new machine is there (the number of the frame that said so) or the far
    /// end is gone (`None`).
    #[inline(never)]
    fn serve<const N: usize, const K: usize, const H: usize, const D: usize>(
        &mut self,
        port: &mut impl Port,
        driver: &mut Option<Driver<'_, '_, N, K, H, D>>,
    ) -> Option<u16> {
        loop {
            let byte = port.read()?;
            let asked = self.take_byte(&mut Told(port), driver, byte);
            if asked.is_some() {
                return asked;
            }
        }
    }
}
