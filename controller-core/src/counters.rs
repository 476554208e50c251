//! What happened, counted. Nothing is dropped, refused or stretched without one
//! of these going up. All saturate.

/// Counters since the controller was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Counters {
    /// Wheel pulses taken into the odometer.
    pub pulses: u64,
    /// Wheel pulses refused: faster than the machine can go, or stamped backwards.
    pub pulses_refused: u64,
    /// Image messages accepted.
    pub images: u64,
    /// Image messages refused as a whole (the caller got the reason).
    pub images_refused: u64,
    /// Plants accepted by at least one nozzle.
    pub plants: u64,
    /// Plants refused: beside the boom, or already behind it.
    pub plants_refused: u64,
    /// Patches that joined one already planned for the same nozzle.
    pub patches_merged: u64,
    /// Patches joined because the valve can't close for so short a gap.
    pub gaps_bridged: u64,
    /// Openings later than the patch wanted by more than 1 mm.
    pub late: u64,
    /// Ground that those openings left short, mm.
    pub late_mm: u64,
    /// Patches of which nothing could be reached any more.
    pub missed_late: u64,
    /// Closings more than 1 mm too late; the ground behind is over-sprayed.
    pub late_closes: u64,
    /// Times a full interval list joined its two nearest patches.
    pub forced_merges: u64,
    /// Ground over-sprayed by that, mm.
    pub forced_merge_mm: u64,
    /// Ground that no image of a detector covered, mm².
    pub unseen_mm2: u64,
    /// Decision instants taken a whole period late or skipped.
    pub overruns: u64,
    /// Worst delay of a decision instant, µs.
    pub worst_lateness_us: u64,
    /// Inputs handed over while an earlier decision instant was still open.
    pub inputs_before_poll: u64,
    /// Calls whose `now` was before an earlier call's.
    pub time_backwards: u64,
    /// Closings that the guard forced (stop or silence).
    pub guard_closes: u64,
    /// Silences of a detector noticed.
    pub detector_silences: u64,
    /// Commands given.
    pub commands: u64,
}

pub(crate) fn bump(counter: &mut u64) {
    *counter = counter.saturating_add(1);
}

pub(crate) fn add(counter: &mut u64, amount: u64) {
    *counter = counter.saturating_add(amount);
}
