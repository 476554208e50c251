//! What a person orders: modes, keep-off ground, stops, acknowledgements, the bench state.
//!
//! Orders are inputs like pulses and images: stamped, refused with a reason and a count,
//! and seen by the decision instants after their stamp. An emergency stop, a low supply and
//! the pulse that ends the bench state do not wait for an instant: the closes lie ready at
//! the stamp, and polling until [`Poll::Idle`](super::Poll::Idle) hands them out, one a call.

use super::pending::Order;
use super::{Controller, group_size};
use crate::bench::{BenchError, BenchRequest, Ended};
use crate::counters::bump;
use crate::guard::{self, GuardState};
use crate::keep_off::{Along, FARTHEST, Over};
use crate::sections::{Mode, OrderError};
use crate::slice::{Slice, Task};
use crate::units::{Length, Micros, wrap_i32};

impl<const N: usize, const K: usize, const H: usize, const D: usize> Controller<'_, N, K, H, D> {
    /// The mode of a section. `None`: no such section.
    #[must_use]
    pub fn mode(&self, section: u8) -> Option<Mode> {
        let section = usize::from(section);
        let ordered = self.pending.mode(section);
        (self.layers.sections.exists(section))
            .then(|| ordered.unwrap_or_else(|| self.layers.sections.mode(section)))
    }

    /// Sets the mode of a section from now on. What is planned ahead is kept whatever the
    /// mode. Constant work; the polls that follow look at each open nozzle.
    ///
    /// # Errors
    /// [`OrderError`]; counted, and nothing changes.
    pub fn handle_mode(&mut self, now: Micros, section: u8, mode: Mode) -> Result<(), OrderError> {
        self.ordered(now, |core| {
            if !core.layers.sections.exists(usize::from(section)) {
                return Err(OrderError::UnknownSection { section });
            }
            core.settle_then(now, Order::Mode(section, mode));
            Ok(())
        })
    }

    /// Reads the two wires of every section's switch, a bit a section: neither is off, both
    /// a fault of the wiring that counts as off. A change takes effect at the first decision
    /// instant after the wires have been quiet for
    /// [`switch_quiet`](crate::boom::ModesConfig::switch_quiet). Bounded by the sections.
    ///
    /// # Errors
    /// [`OrderError::TimeBackwards`]; counted.
    pub fn handle_switches(
        &mut self,
        now: Micros,
        spot: u64,
        broadcast: u64,
    ) -> Result<(), OrderError> {
        self.ordered(now, |core| {
            let wires = [spot, broadcast];
            core.layers.sections.read(now, wires, &mut core.counters);
            core.stale = true;
            Ok(())
        })
    }

    /// Keeps ground dry from now on. Lines are kept by the whole spray, to as well as the
    /// machine's motion can be foretold over the valve's delay, with
    /// [`keep_off_margin`](crate::boom::ModesConfig::keep_off_margin) to spare. Constant work;
    /// the polls that follow look at each open nozzle.
    ///
    /// # Errors
    /// [`OrderError`]; counted, and nothing is kept off.
    pub fn handle_keep_off(
        &mut self,
        now: Micros,
        over: Over,
        along: Along,
    ) -> Result<(), OrderError> {
        self.ordered(now, |core| {
            let motion = core.odometer.motion_at(now);
            let here = motion.place();
            let far = i64::from(FARTHEST.bits());
            let counts = core.odometer.distance().0;
            let ends = match along {
                Along::Ahead { from, to } => {
                    let near = |l: Length| l <= FARTHEST && l >= Length::default().minus(FARTHEST);
                    if !near(from) || !near(to) {
                        return Err(OrderError::TooFar);
                    }
                    let place = |l: Length| here.wrapping_add(l.bits());
                    (place(from), place(to))
                }
                Along::Ground { from, to } => {
                    let near = |place: i64| place.saturating_sub(counts).saturating_abs() <= far;
                    if !near(from.0) || !near(to.0) {
                        return Err(OrderError::TooFar);
                    }
                    (wrap_i32(from.0), wrap_i32(to.0))
                }
            };
            let heading = core.turning.swing_at(now).heading();
            let boom = (here, heading);
            let stretch = core.layers.stretch(core.sections, over, ends, boom)?;
            core.settle_then(now, Order::KeepOff(stretch));
            Ok(())
        })
    }

    /// Closes everything at `now` and keeps it closed until [`acknowledge`](Self::acknowledge).
    /// The closes are handed out by the polls that follow. A close is stamped `now`; where an
    /// open was handed out that lies ahead of `now`, by one decision period plus slack at
    /// most, its close is stamped with it. Opens not handed out yet are void.
    ///
    /// Takes effect even when `now` runs backwards: at the latest instant seen.
    ///
    /// # Errors
    /// [`OrderError::TimeBackwards`], counted; everything closes all the same.
    pub fn handle_emergency_stop(&mut self, now: Micros) -> Result<(), OrderError> {
        self.latches.emergency = true;
        bump(&mut self.counters.emergency_stops);
        let result = self.overtaking(now);
        self.trip(self.latest);
        result
    }

    /// Tells whether the supply is sound. A low supply closes everything at `now` like an
    /// emergency stop, until it is sound again and acknowledged.
    ///
    /// # Errors
    /// [`OrderError::TimeBackwards`], counted; a low supply closes all the same.
    pub fn handle_supply(&mut self, now: Micros, ok: bool) -> Result<(), OrderError> {
        let result = if ok {
            self.ordered(now, |_| Ok(()))
        } else {
            self.overtaking(now)
        };
        if ok {
            if result.is_ok() {
                self.latches.supply_is_low = false;
            }
            return result;
        }
        self.latches.supply_is_low = true;
        if !self.latches.supply {
            self.latches.supply = true;
            bump(&mut self.counters.supply_lows);
        }
        self.trip(self.latest);
        result
    }

    /// Releases what is latched: an emergency stop, a low supply, the start. Nothing opens
    /// before the machine moves again.
    ///
    /// # Errors
    /// [`OrderError::Moving`] unless the machine stands, [`OrderError::SupplyLow`]; counted,
    /// and nothing is released.
    pub fn acknowledge(&mut self, now: Micros) -> Result<(), OrderError> {
        self.ordered(now, |core| {
            if !core.odometer.at_rest(now) {
                return Err(OrderError::Moving);
            }
            if core.latches.supply_is_low {
                return Err(OrderError::SupplyLow);
            }
            if core.latches.state().is_some() {
                core.latches.release();
                bump(&mut core.counters.acknowledged);
                core.guard = core.judge(now, false);
                log!(info, "acknowledged at {} us: {}", now.0, core.guard);
                core.stale = true;
            }
            Ok(())
        })
    }

    /// Asks something of the bench state, holds it, or lets go. See
    /// [`bench`](crate::bench). Constant work.
    ///
    /// # Errors
    /// [`BenchError`]; counted, and what runs goes on.
    pub fn handle_bench(&mut self, now: Micros, request: BenchRequest) -> Result<(), BenchError> {
        let result = self.ask_bench(now, request);
        match result {
            Ok(()) if !matches!(request, BenchRequest::Hold | BenchRequest::Release) => {
                bump(&mut self.counters.bench_runs);
            }
            Ok(()) => {}
            Err(_) => bump(&mut self.counters.bench_refused),
        }
        result
    }

    fn ask_bench(&mut self, now: Micros, request: BenchRequest) -> Result<(), BenchError> {
        self.advance(now)
            .map_err(|latest| BenchError::TimeBackwards { latest })?;
        if let Some(by) = self.latches.state() {
            return Err(BenchError::Latched { by });
        }
        if !self.odometer.at_rest(now) {
            return Err(BenchError::Moving);
        }
        self.bench.ask(now, request, &self.bench_limits)?;
        self.stale = true;
        if request == BenchRequest::Release {
            self.close_at_once(now);
        }
        Ok(())
    }

    pub(super) fn ordered(
        &mut self,
        now: Micros,
        order: impl FnOnce(&mut Self) -> Result<(), OrderError>,
    ) -> Result<(), OrderError> {
        let result = match self.advance(now) {
            Ok(()) => order(self),
            Err(latest) => Err(OrderError::TimeBackwards { latest }),
        };
        self.count_refusal(now, result)
    }

    /// An order that closes everything, whatever is still pending.
    fn overtaking(&mut self, now: Micros) -> Result<(), OrderError> {
        let result = self.overtake(now);
        self.count_refusal(
            now,
            result.map_err(|latest| OrderError::TimeBackwards { latest }),
        )
    }

    #[cfg_attr(target_os = "none", inline(never))]
    fn count_refusal(
        &mut self,
        _now: Micros,
        result: Result<(), OrderError>,
    ) -> Result<(), OrderError> {
        if let Err(_error) = result {
            log!(warn, "order at {} us refused: {}", _now.0, _error);
            bump(&mut self.counters.orders_refused);
        }
        result
    }

    /// A latch was set: ends the bench state and closes everything.
    fn trip(&mut self, now: Micros) {
        if self.bench.end() {
            bump(&mut self.counters.bench_cut);
        }
        self.guard = self.latches.state().unwrap_or(self.guard);
        log!(warn, "all closed at {} us: {}", now.0, self.guard);
        self.drop_slice();
        self.close_at_once(now);
    }

    /// Makes ready the closes of everything open.
    pub(super) fn close_at_once(&mut self, now: Micros) {
        self.urgent = Some((now, 0));
        self.stale = true;
    }

    /// Begins to close what is open at `at`, in group `index` or the first beyond that has any.
    pub(super) fn close_from(&mut self, index: usize, at: Micros) {
        self.urgent = None;
        if self.begin(Task::Close, index, at) {
            let begun = self.slice.as_ref().map_or(index, Slice::group);
            self.urgent = Some((at, begun.wrapping_add(1)));
        } else {
            self.slice = None;
        }
    }

    pub(super) fn judge(&self, at: Micros, unpolled: bool) -> GuardState {
        let bench = self.bench.runs();
        guard::judge(&self.odometer, self.latches, bench, at, unpolled)
    }

    /// Every nozzle is looked at anew at its next instant.
    pub(super) fn refresh(&mut self) {
        let count = self.nozzles.len();
        for (index, group) in self.groups.iter_mut().enumerate() {
            group.everyone(group_size(count, index));
        }
        self.stale = true;
    }

    pub(super) fn settle_switches(&mut self, at: Micros) {
        if self.layers.sections.settled() {
            return;
        }
        let quiet = self.switch_quiet;
        let changed = self.layers.sections.settle(at, quiet, &mut self.counters);
        if changed {
            self.refresh();
        }
    }

    pub(super) fn run_bench(&mut self, at: Micros, unpolled: bool) {
        if !self.bench.runs() {
            return;
        }
        if self.judge(at, unpolled) != GuardState::Bench {
            self.bench.end();
            bump(&mut self.counters.bench_cut);
            self.close_at_once(at);
            return;
        }
        // Every group closes with this instant, before any pulse can come between.
        match self.bench.advance(at, &self.bench_limits) {
            Ended::No => {}
            Ended::Through => self.close_at_once(at),
            Ended::Lapsed => {
                bump(&mut self.counters.bench_lapses);
                self.close_at_once(at);
            }
        }
    }
}
