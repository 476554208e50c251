//! Switched valves: which cycles an open valve goes through, and what its wire does in them.
//!
//! A valve's cycles begin with its opening, and the share and length of a cycle are asked for when
//! that cycle begins. The replay asks the core; what follows from the answers is worked out here, without
//! the core's driver, so that a fault of that driver can't hide in a replay.

use std::collections::BTreeSet;

use crate::commands::ValveCommand;

/// What a valve was told for one of its cycles.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CycleDuty {
    /// When the cycle begins, µs on the recording's clock.
    pub t_us: u64,
    /// Nozzle by index from the left, from 0.
    pub nozzle: u16,
    /// Share of the cycle with current, thousandths.
    pub thousandths: u16,
}

/// Cycles that are still to begin.
#[derive(Debug, Clone)]
pub(crate) struct Cycles {
    cycle_us: u64,
    /// When the next cycle of a patch begins: instant, nozzle, patch.
    due: BTreeSet<(u64, u16, usize)>,
    /// When each patch ends; the last instant while that is not known.
    ends: Vec<u64>,
    /// The patch that each nozzle is in.
    patch_of: Vec<Option<usize>>,
    /// What was answered.
    pub duties: Vec<CycleDuty>,
}

impl Cycles {
    pub fn new(cycle_us: u64, nozzles: usize) -> Self {
        Self {
            cycle_us: cycle_us.max(1),
            due: BTreeSet::new(),
            ends: Vec::new(),
            patch_of: vec![None; nozzles],
            duties: Vec::new(),
        }
    }

    /// A command was given out.
    pub fn command(&mut self, command: &ValveCommand) {
        let Some(patch_of) = self.patch_of.get_mut(usize::from(command.nozzle)) else {
            return;
        };
        if command.open {
            *patch_of = Some(self.ends.len());
            self.due
                .insert((command.t_us, command.nozzle, self.ends.len()));
            self.ends.push(u64::MAX);
        } else if let Some(patch) = patch_of.take() {
            self.ends[patch] = command.t_us;
        }
    }

    /// When the next cycle begins.
    pub fn next(&self) -> Option<u64> {
        self.due.first().map(|due| due.0)
    }

    /// Asks for all cycles that begin by `t_us`, by nozzle and the instant at which each begins:
    /// its thousandths and its length, µs. Without an answer it is whole and flows fully.
    pub fn begin(&mut self, t_us: u64, mut ask: impl FnMut(u16, u64) -> Option<(u16, u64)>) {
        while let Some(&(at, nozzle, patch)) = self.due.first().filter(|due| due.0 <= t_us) {
            self.due.pop_first();
            if at >= self.ends[patch] {
                continue;
            }
            let (thousandths, length_us) = ask(nozzle, at).unwrap_or((1000, self.cycle_us));
            self.duties.push(CycleDuty {
                t_us: at,
                nozzle,
                thousandths,
            });
            let length_us = length_us.clamp(1, self.cycle_us);
            self.due.insert((at + length_us, nozzle, patch));
        }
    }
}

/// What the wires of the valves do: the commands, with every cycle's current turned off after its
/// share. Sorted by time.
#[must_use]
pub fn wires(commands: &[ValveCommand], duties: &[CycleDuty], cycle_s: f64) -> Vec<ValveCommand> {
    let nozzles = commands.iter().map(|c| usize::from(c.nozzle) + 1).max();
    let mut of_nozzle: Vec<Vec<CycleDuty>> = vec![Vec::new(); nozzles.unwrap_or(0)];
    for duty in duties {
        if let Some(list) = of_nozzle.get_mut(usize::from(duty.nozzle)) {
            list.push(*duty);
        }
    }
    let cycle_us = cycle_s * 1e6;
    let mut wires = Vec::new();
    for (nozzle, list) in of_nozzle.iter_mut().enumerate() {
        list.sort_by_key(|d| d.t_us);
        let mut own: Vec<&ValveCommand> =
            (commands.iter().filter(|c| usize::from(c.nozzle) == nozzle)).collect();
        own.sort_by_key(|c| c.t_us);
        let mut own = own.into_iter().peekable();
        while let Some(opened) = own.next() {
            if !opened.open {
                wires.push(*opened);
                continue;
            }
            let close = own.next_if(|c| !c.open);
            let end = close.map_or(u64::MAX, |c| c.t_us);
            let first = list.partition_point(|d| d.t_us < opened.t_us);
            let mut on = false;
            let mut switch = |open: bool, t_us: u64, short_by_m: f64| {
                if on != open {
                    on = open;
                    wires.push(ValveCommand {
                        t_us,
                        nozzle: opened.nozzle,
                        open,
                        short_by_m,
                    });
                }
            };
            let cycles = list[first..].iter().take_while(|d| d.t_us < end);
            let mut switched = false;
            for duty in cycles {
                let short = if switched { 0.0 } else { opened.short_by_m };
                switched = true;
                let share = f64::from(duty.thousandths.min(1000)) / 1000.0;
                let off = duty.t_us + (cycle_us * share).round() as u64;
                if duty.thousandths > 0 {
                    switch(true, duty.t_us, short);
                }
                // A whole cycle joins the next, and the patch's end closes in any case.
                if duty.thousandths < 1000 && off < end {
                    switch(false, off, 0.0);
                }
            }
            if !switched {
                // Nobody asked: the valve flows fully.
                switch(true, opened.t_us, opened.short_by_m);
            }
            if let Some(close) = close {
                switch(false, close.t_us, close.short_by_m);
            }
        }
    }
    wires.sort_by_key(|c| c.t_us);
    wires
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(t_us: u64, nozzle: u16, open: bool) -> ValveCommand {
        ValveCommand {
            t_us,
            nozzle,
            open,
            short_by_m: 0.0,
        }
    }

    #[test]
    fn cycles_begin_with_the_patch_and_end_with_it() {
        let mut cycles = Cycles::new(100_000, 2);
        cycles.command(&told(5_000, 0, true));
        assert_eq!(cycles.next(), Some(5_000));
        cycles.begin(4_999, |_, _| unreachable!("nothing is due"));
        let whole = |thousandths| Some((thousandths, 100_000));
        cycles.begin(205_000, |nozzle, _| {
            assert_eq!(nozzle, 0);
            whole(400)
        });
        cycles.command(&told(290_000, 0, false));
        cycles.command(&told(300_000, 0, true));
        cycles.begin(305_000, |_, _| whole(700));
        let at: Vec<_> = cycles
            .duties
            .iter()
            .map(|d| (d.t_us, d.thousandths))
            .collect();
        assert_eq!(
            at,
            [(5_000, 400), (105_000, 400), (205_000, 400), (300_000, 700)]
        );
    }

    #[test]
    fn a_shorter_cycle_shifts_those_after_it() {
        let mut cycles = Cycles::new(100_000, 1);
        cycles.command(&told(5_000, 0, true));
        cycles.begin(150_000, |_, begins_us| match begins_us {
            5_000 => Some((1000, 45_000)),
            _ => Some((400, 100_000)),
        });
        cycles.command(&told(200_000, 0, false));
        let at: Vec<_> = cycles.duties.iter().map(|d| d.t_us).collect();
        assert_eq!(at, [5_000, 50_000, 150_000]);
        // The short one flows on into the next.
        let commands = [told(5_000, 0, true), told(200_000, 0, false)];
        let wires = wires(&commands, &cycles.duties, 0.1);
        let edges: Vec<_> = wires.iter().map(|c| (c.t_us, c.open)).collect();
        assert_eq!(
            edges,
            [
                (5_000, true),
                (90_000, false),
                (150_000, true),
                (190_000, false),
            ]
        );
    }

    #[test]
    fn wires_follow_the_shares() {
        let commands = [
            told(5_000, 0, true),
            told(7_000, 1, true),
            told(290_000, 0, false),
            told(300_000, 1, false),
        ];
        let duty = |t_us, thousandths| CycleDuty {
            t_us,
            nozzle: 0,
            thousandths,
        };
        let duties = [duty(5_000, 400), duty(105_000, 1000), duty(205_000, 900)];
        let wires = wires(&commands, &duties, 0.1);
        let own: Vec<_> = (wires.iter().filter(|c| c.nozzle == 0))
            .map(|c| (c.t_us, c.open))
            .collect();
        // 40 % of the first cycle; the second is whole and goes on into the third, whose share
        // would end at 295 ms, after the patch.
        assert_eq!(
            own,
            [
                (5_000, true),
                (45_000, false),
                (105_000, true),
                (290_000, false)
            ]
        );
        // Nobody was asked for nozzle 1: it flows fully.
        let other = wires.iter().filter(|c| c.nozzle == 1);
        assert!(other.eq([&commands[1], &commands[3]]));
    }
}
