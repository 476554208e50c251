//! What happened, counted. Nothing is dropped, refused or stretched without one
//! of these going up. All saturate: events at 4.29·10⁹, of which the most frequent,
//! pulses of 20 mm, need 86,000 km; sums of ground, which would get there in a season, at
//! 2⁶⁴.

/// Counters since the controller was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Counters {
    /// Wheel pulses taken into the odometer.
    pub pulses: u32,
    /// Wheel pulses refused: sooner than the machine can go or speed up, or stamped
    /// backwards.
    pub pulses_refused: u32,
    /// Lost wheel pulses put back, where the acceleration limit leaves no doubt.
    pub pulses_bridged: u32,
    /// How often learned slot offsets stopped to fit and went out of use.
    pub slot_drop_outs: u32,
    /// Changes of the direction of travel.
    pub turns: u32,
    /// Directions refused: no such input, or stamped backwards.
    pub directions_refused: u32,
    /// Image messages accepted.
    pub images: u32,
    /// Image messages refused as a whole (the caller got the reason).
    pub images_refused: u32,
    /// Plants accepted by at least one nozzle.
    pub plants: u32,
    /// Plants refused: beside the boom, already behind it, or under faulty nozzles only.
    pub plants_refused: u32,
    /// Plants with a point that gets less than the wanted dose, because not even all
    /// healthy nozzles would give it; in the lane form, because a lane's nozzle is faulty.
    pub plants_underdosed: u32,
    /// Plants that reach beyond the outermost lanes, sprayed as far as the boom goes.
    pub plants_clipped: u32,
    /// Plants that may have got more nozzles than need be: so many reach them that not
    /// every choice was tried.
    pub sets_not_smallest: u32,
    /// Patches that were planned on a nozzle when it was called faulty, and given up.
    pub planned_on_faulty: u32,
    /// Repeated sights cut to the growth that a patch with an id may have.
    pub repeats_cut: u32,
    /// Ids given to another plant by the detector while still remembered.
    pub ids_reused: u32,
    /// Ids forgotten for want of room with their plant still ahead: when it is seen again
    /// its patch counts as a first one.
    pub ids_forgotten: u32,
    /// Plants placed by prediction that the next pulse showed to lie elsewhere; their
    /// patches grew to cover both places.
    pub reaimed: u32,
    /// Of those, patches of which a part was commanded or past already.
    pub reaimed_too_late: u32,
    /// Plants placed by prediction of which there were too many to look up again, or whose
    /// instant was remembered no more.
    pub not_reaimed: u32,
    /// Patches that joined one already planned for the same nozzle.
    pub patches_merged: u32,
    /// Ground that joining patches added to those already planned, mm, summed over
    /// nozzles: growth by repeated sights and by plants that stand close.
    pub grown_mm: u64,
    /// Patches joined because the valve can't close for so short a gap.
    pub gaps_bridged: u32,
    /// Openings later than the patch wanted by more than 1 mm.
    pub late: u32,
    /// Ground that those openings left short, mm.
    pub late_mm: u64,
    /// Patches of which nothing could be reached any more.
    pub missed_late: u32,
    /// Closings more than 1 mm too late; the ground behind is over-sprayed.
    pub late_closes: u32,
    /// Times a full interval list joined its two nearest patches.
    pub forced_merges: u32,
    /// Ground over-sprayed by that, mm.
    pub forced_merge_mm: u64,
    /// Ground that passed the boom without an image of it, mm²: unseen length times the
    /// width of the view, detector by detector. Brought up by each pulse for one detector
    /// after the other.
    pub unseen_mm2: u64,
    /// Seen stretches that a full list forgot: their ground counts as unseen.
    pub seen_forgotten: u32,
    /// Decision instants taken a whole period late or skipped.
    pub overruns: u32,
    /// Worst delay of a decision instant, µs.
    pub worst_lateness_us: u32,
    /// Inputs handed over while an earlier decision instant was still open, or before the polls
    /// had done what an input of an earlier stamp left.
    pub inputs_before_poll: u32,
    /// Calls whose `now` was before an earlier call's.
    pub time_backwards: u32,
    /// Closings that the guard forced (stop, silence, a faulty nozzle).
    pub guard_closes: u32,
    /// Modes of sections that changed.
    pub mode_changes: u32,
    /// Switches that moved again before they had been quiet for long enough.
    pub switch_chatter: u32,
    /// Switches with both wires closed.
    pub switch_faults: u32,
    /// Orders refused (the caller got the reason).
    pub orders_refused: u32,
    /// Closings because a mode, a sight or a keep-off line took the ground away.
    pub order_closes: u32,
    /// Patches that were not sprayed because their section was off or the ground is
    /// kept off.
    pub withheld: u32,
    /// Their ground, mm.
    pub withheld_mm: u64,
    /// Keep-off stretches accepted.
    pub keep_offs: u32,
    /// Times a full list of keep-off stretches joined two.
    pub keep_off_joined: u32,
    /// Closings that came too late for a keep-off line.
    pub keep_off_crossed: u32,
    /// Emergency stops.
    pub emergency_stops: u32,
    /// Times the supply was reported low.
    pub supply_lows: u32,
    /// Acknowledgements that released a latch.
    pub acknowledged: u32,
    /// Bench requests that were begun.
    pub bench_runs: u32,
    /// Bench requests refused (the caller got the reason).
    pub bench_refused: u32,
    /// Bench requests that ended because they were not held.
    pub bench_lapses: u32,
    /// Bench requests that a pulse, a latch or silence cut off.
    pub bench_cut: u32,
    /// Openings in the bench state.
    pub bench_opens: u32,
    /// Silences of a detector noticed.
    pub detector_silences: u32,
    /// Duties told to open valves, one a cycle.
    pub duties: u32,
    /// Of those, more than the rate wants because the valve can't follow less.
    pub duties_of_valve: u32,
    /// Of those, whole cycles because the patch is too short to be switched, or the cycle: in
    /// broadcast the first of an opening may be cut to bring the nozzle into its beat.
    pub duties_of_short: u32,
    /// Of those, whole cycles that give less than the rate wants, or may: too fast, too little
    /// pressure, or a pressure that is not known.
    pub duties_too_small: u32,
    /// Times that the pressure was 0, or that none came for too long.
    pub pressure_faults: u32,
    /// Commands given.
    pub commands: u32,
}

// Counted in a hundred places: one copy of each of these, and a short call.

#[cfg_attr(target_os = "none", inline(never))]
pub(crate) fn bump(counter: &mut u32) {
    *counter = counter.saturating_add(1);
}

#[cfg_attr(target_os = "none", inline(never))]
pub(crate) fn add(counter: &mut u32, amount: u32) {
    *counter = counter.saturating_add(amount);
}

/// Adds ground to a sum of it.
#[cfg_attr(target_os = "none", inline(never))]
pub(crate) fn add_ground(sum: &mut u64, amount: u32) {
    *sum = sum.saturating_add(u64::from(amount));
}
