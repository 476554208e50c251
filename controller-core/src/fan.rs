//! Which nozzles give a plant its dose: fans summed over neighbours.
//!
//! One nozzle rarely gives a full dose alone, because fans overlap. The pattern of a
//! nozzle across travel is a trapezoid: even in its flat middle, falling in a straight
//! line to nothing at its half width. The **broadcast dose** is the mean of an even
//! boom of such fans: `(half_width + flat_half) · peak / spacing`.
//!
//! [`Fan::aim`] opens the fewest nozzles whose summed pattern gives every point of a
//! stretch across at least the wanted share of the broadcast dose. A point that not even
//! all healthy nozzles bring there gets all that reach it, and is reported.
//!
//! Between the places where a pattern begins or ends a sum of trapezoids only bends
//! downward, so its lowest value lies at such a place or at an end of the stretch: only
//! those are looked at, in whole numbers. All roundings go outward, see [`Fan::new`].
//!
//! Two ways lead to the same set. On an even, healthy boom the fewest nozzles are
//! always a run of neighbours where no point can do without the nozzle nearest to it;
//! a table of twelve numbers then tells how far a run of each length reaches. Everything
//! else (a faulty nozzle near by, an end of the boom, uneven mounts, fans that overlap
//! so much that one may be left out) is searched.
//!
//! **Bound:** a stretch reached by more than [`MOST_SEARCHED`] nozzles takes them all, and
//! one with more than [`MOST_OPTIONAL`] that could be left out drops them one by one: the
//! dose holds, the set may be larger than need be, and [`Aim::smallest`] says so.

use crate::boom::{ConfigError, NozzleConfig};
use crate::units::{Length, saturate_i32};

mod choice;
mod set;

pub(crate) use choice::Choice;
pub use set::NozzleSet;

/// A share of 1 in the unit of [`FanConfig::wanted_share`].
pub const WHOLE_SHARE: u16 = 10_000;
/// Most nozzles among which a set is searched.
pub const MOST_SEARCHED: usize = 32;
/// Most nozzles of which every choice is tried.
pub const MOST_OPTIONAL: u32 = 8;
/// Lengths of runs that the table holds.
const RUNS: usize = 12;
/// In the table: a run of this length gives nowhere the wanted dose.
const NOWHERE: i32 = i32::MAX;
/// Widest half pattern.
const WIDEST: Length = Length::from_mm(10_000);
/// A slope narrower than this is taken as upright, counts.
const STEEP: i32 = 16;

/// The fan of every nozzle on the boom, as it falls on the ground, across travel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FanConfig {
    /// From below the nozzle to where the spray ends; 1 mm to 10 m.
    pub half_width: Length,
    /// From below the nozzle to where the dose begins to fall: 0 for a tapered fan,
    /// as much as `half_width` for an even one.
    pub flat_half: Length,
    /// Ground across for which one nozzle's flow is meant, from which the broadcast
    /// dose follows: the nozzles' spacing. 1 mm to 20 m.
    pub spacing: Length,
    /// Share of the broadcast dose that a plant must get everywhere, in 1/10,000:
    /// 9,000 is usual. 1 to 10,000.
    pub wanted_share: u16,
}

impl FanConfig {
    /// A fan that a plant gets nine tenths of the broadcast dose from.
    #[must_use]
    pub const fn new(half_width: Length, flat_half: Length, spacing: Length) -> Self {
        Self {
            half_width,
            flat_half,
            spacing,
            wanted_share: 9_000,
        }
    }

    pub(crate) fn validate(&self) -> Result<(), ConfigError> {
        let one_mm = Length::from_mm(1);
        let sound = self.half_width >= one_mm
            && self.half_width <= WIDEST
            && self.flat_half.bits() >= 0
            && self.flat_half <= self.half_width
            && self.spacing >= one_mm
            && self.spacing <= WIDEST.plus(WIDEST)
            && (1..=WHOLE_SHARE).contains(&self.wanted_share);
        if sound { Ok(()) } else { Err(ConfigError::Fan) }
    }
}

/// The nozzles chosen for a stretch across travel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Aim {
    /// Those to open.
    pub set: NozzleSet,
    /// Some point gets less than the wanted share, because not even all healthy nozzles
    /// would give it.
    pub short: bool,
    /// No smaller set would do. False only beyond the bounds of the search.
    pub smallest: bool,
}

/// A fan ready to aim with.
#[derive(Clone, Copy, Debug)]
pub struct Fan {
    /// Dose at `u` counts from below the nozzle: `half − |u|`, from 0 to `peak`.
    half: i32,
    peak: i32,
    /// The wanted dose, in the same unit.
    need: i32,
    /// For a run of 1, 2, … neighbours: how far right of its first nozzle the ground
    /// begins that it serves. The last holds for longer runs, too.
    reaches: [i32; RUNS],
    /// The table may be used.
    runs: bool,
}

impl Fan {
    /// Makes the table for a boom. Takes some thousand steps, once.
    ///
    /// Roundings: mounts and widths are each up to half a count (1/32 mm) off, so the
    /// pattern is taken a count narrower all round, which makes it no larger than the
    /// true one anywhere; the wanted dose is rounded up. A fan with upright sides has no
    /// slope to be wrong on; there a gap of one count between two patterns counts as
    /// closed, and the stretch asked for must be wider than the true one.
    ///
    /// # Errors
    /// [`ConfigError::Fan`] when a number is out of its range.
    pub fn new(config: &FanConfig, nozzles: &[NozzleConfig]) -> Result<Self, ConfigError> {
        config.validate()?;
        Ok(Self::of(config, nozzles))
    }

    /// The same for numbers that are checked.
    pub(crate) fn of(config: &FanConfig, nozzles: &[NozzleConfig]) -> Self {
        let (half, flat) = (config.half_width.bits(), config.flat_half.bits());
        let slope = half.saturating_sub(flat);
        let share = i64::from(config.wanted_share);
        let whole = i64::from(WHOLE_SHARE);
        let spacing = i64::from(config.spacing.bits());
        let (half, peak, need) = if slope < STEEP {
            // A dose of 1 a nozzle.
            let middle = half.saturating_add(flat) >> 1;
            let wanted = share.wrapping_mul(i64::from(half.saturating_add(flat)));
            let unit = spacing.wrapping_mul(whole);
            (middle.saturating_add(1), 1, up(wanted, unit))
        } else {
            let ends = i64::from(half.saturating_add(flat)).wrapping_add(1);
            // Checked numbers of 14, 20 and 20 bits.
            let wanted = share.wrapping_mul(ends).wrapping_mul(i64::from(slope) << 1);
            let unit = (spacing << 1).wrapping_sub(1).wrapping_mul(whole);
            (half.saturating_sub(1), slope, up(wanted, unit))
        };
        let mut fan = Self {
            half,
            peak,
            need: need.max(1),
            reaches: [NOWHERE; RUNS],
            runs: false,
        };
        fan.runs = fan.fill_table(nozzles).is_some();
        fan
    }

    /// Dose at `u` counts from below a nozzle.
    fn dose(&self, u: i32) -> i32 {
        let slope = self.half.saturating_sub(u.saturating_abs());
        slope.min(self.peak).max(0)
    }

    /// Where the pattern of a nozzle at `y` begins and ends.
    fn ends(&self, y: i32) -> [i32; 2] {
        [y.saturating_sub(self.half), y.saturating_add(self.half)]
    }

    /// All corners of the pattern of a nozzle at `y`.
    fn corners(&self, y: i32) -> [i32; 4] {
        let flat = self.half.saturating_sub(self.peak);
        [
            y.saturating_sub(self.half),
            y.saturating_sub(flat),
            y.saturating_add(flat),
            y.saturating_add(self.half),
        ]
    }

    /// The fewest healthy nozzles that give `[left, right]` (counts to the right of the
    /// boom reference point) its dose. `faulty` tells of each nozzle whether it must stay
    /// closed; missing entries are healthy.
    ///
    /// Work: with the table, as many steps as the set has nozzles; else bounded by the
    /// nozzles that reach the stretch, see the top of this page.
    #[must_use]
    pub fn aim(&self, nozzles: &[NozzleConfig], faulty: &[bool], left: i32, right: i32) -> Aim {
        self.finish(self.begin(nozzles, faulty, left, right), nozzles, faulty)
    }

    /// Makes a choice to its end, however long that takes.
    pub(crate) fn finish(
        &self,
        mut choice: Choice,
        nozzles: &[NozzleConfig],
        faulty: &[bool],
    ) -> Aim {
        loop {
            if let Some(aim) = self.go_on(&mut choice, nozzles, faulty) {
                return aim;
            }
        }
    }

    /// Begins the same as bounded calls.
    pub(crate) fn begin(
        &self,
        nozzles: &[NozzleConfig],
        faulty: &[bool],
        left: i32,
        right: i32,
    ) -> Choice {
        Choice::new(self, nozzles, faulty, left, right)
    }

    /// Goes on with a choice; `Some` when it is made. Nozzles and faults must be those that it
    /// began with.
    #[cfg_attr(target_os = "none", inline(never))]
    pub(crate) fn go_on(
        &self,
        choice: &mut Choice,
        nozzles: &[NozzleConfig],
        faulty: &[bool],
    ) -> Option<Aim> {
        choice.step(self, nozzles, faulty)
    }

    /// Fills the table, if the boom is even and the fans let runs be the smallest sets. `None`:
    /// it may not be used.
    fn fill_table(&mut self, nozzles: &[NozzleConfig]) -> Option<()> {
        let (pitch, off) = Pitch::of(nozzles)?;
        // The table is made for the ideal mounts: narrower by what the real ones are off.
        let ideal = Self {
            half: self.half.saturating_sub(off),
            ..*self
        };
        // A run of RUNS or more must give its middle all that a longer one would.
        let span = pitch.place(i32::try_from(RUNS).unwrap_or_default());
        if ideal.half <= 0 || self.half.saturating_mul(2) > span || !ideal.needs_the_nearest(&pitch)
        {
            return None;
        }
        for (length, slot) in (1..).zip(&mut self.reaches) {
            *slot = ideal.reach_of(&pitch, length)?;
        }
        Some(())
    }

    /// On an endless even boom: whether every point gets its dose, and none without the
    /// nozzle nearest to it. Then a set must hold every nozzle that is nearest to some
    /// point of the stretch, which are neighbours; and of those to either side, which all
    /// lie on one side of the whole stretch, the nearer gives more to every point: so the
    /// smallest set is a run.
    fn needs_the_nearest(&self, pitch: &Pitch) -> bool {
        let around = i32::try_from(RUNS).unwrap_or_default();
        let middle = pitch.place(1) >> 1;
        let row = Row {
            fan: self,
            pitch,
            from: around.wrapping_neg(),
            to: around.wrapping_add(1),
        };
        let holds = |y: i32| {
            let sum = row.sum(y);
            sum >= self.need && sum.saturating_sub(self.dose(y)) < self.need
        };
        let corners = row.corners().filter(|&y| y > 0 && y <= middle);
        let places = [0, middle, middle.saturating_add(1)];
        corners.chain(places).all(holds)
    }

    /// How far right of its first nozzle the ground begins that a run of `length`
    /// serves; [`NOWHERE`] when it serves none. `None` when that ground is in pieces.
    fn reach_of(&self, pitch: &Pitch, length: i32) -> Option<i32> {
        let row = Row {
            fan: self,
            pitch,
            from: 0,
            to: length,
        };
        let middle = pitch.place(length.saturating_sub(1)) >> 1;
        // Of the corners up to the middle: the first that gets enough, and the last that
        // gets too little; nothing is sprayed at the very first.
        let (mut served, mut low) = (None, None);
        for y in row.corners() {
            if y > middle {
                continue;
            }
            if row.sum(y) >= self.need {
                served = Some(served.map_or(y, |first: i32| first.min(y)));
            } else {
                low = Some(low.map_or(y, |last: i32| last.max(y)));
            }
        }
        if row.sum(middle) < self.need {
            return if served.is_some() {
                None
            } else {
                Some(NOWHERE)
            };
        }
        let mut low = low?;
        if served.is_some_and(|first| first < low) {
            return None;
        }
        // From there to the next corner the dose is a straight line.
        let mut high = middle;
        for y in row.corners() {
            if y > low {
                high = high.min(y);
            }
        }
        while high.saturating_sub(low) > 1 {
            let between = low.saturating_add(high.saturating_sub(low) >> 1);
            if row.sum(between) >= self.need {
                high = between;
            } else {
                low = between;
            }
        }
        Some(high)
    }
}

/// The mounts `from..to` of an endless even boom.
struct Row<'a> {
    fan: &'a Fan,
    pitch: &'a Pitch,
    from: i32,
    to: i32,
}

impl Row<'_> {
    #[cfg_attr(target_os = "none", inline(never))]
    fn sum(&self, y: i32) -> i32 {
        let mut sum = 0_i32;
        for j in self.from..self.to {
            let from_mount = y.saturating_sub(self.pitch.place(j));
            sum = sum.saturating_add(self.fan.dose(from_mount));
        }
        sum
    }

    /// All corners of all patterns.
    fn corners(&self) -> impl Iterator<Item = i32> {
        (self.from << 2..self.to << 2).map(|k| self.corner(k))
    }

    #[cfg_attr(target_os = "none", inline(never))]
    fn corner(&self, k: i32) -> i32 {
        let [a, b, c, d] = self.fan.corners(self.pitch.place(k >> 2));
        match k & 3 {
            0 => a,
            1 => b,
            2 => c,
            _ => d,
        }
    }
}

/// An even row of mounts.
struct Pitch {
    /// From the first to the last mount, counts, over so many gaps.
    width: i64,
    gaps: i64,
}

impl Pitch {
    /// The pitch of a boom, if it is even to a count, and how far one mount can be off
    /// from another by it, counts.
    fn of(nozzles: &[NozzleConfig]) -> Option<(Self, i32)> {
        let (first, last) = (nozzles.first()?.y.bits(), nozzles.last()?.y.bits());
        let gaps = i64::try_from(nozzles.len()).ok()?.checked_sub(1)?;
        let pitch = Self {
            width: i64::from(last).saturating_sub(i64::from(first)),
            gaps,
        };
        if gaps < 1 {
            return None;
        }
        let mut exact = pitch.width.checked_rem(gaps)? == 0;
        for (index, n) in (0_i32..).zip(nozzles) {
            let off =
                n.y.bits()
                    .saturating_sub(first)
                    .saturating_sub(pitch.place(index));
            match off {
                0 => {}
                -1 | 1 => exact = false,
                _ => return None,
            }
        }
        // Two mounts, each up to a count off, and the rounding of their ideal distance.
        Some((pitch, if exact { 0 } else { 3 }))
    }

    /// Place of mount `index` right of mount 0, to the nearest count.
    #[cfg_attr(target_os = "none", inline(never))]
    fn place(&self, index: i32) -> i32 {
        // An index of 9 bits times a boom of 20.
        let twice = i64::from(index).wrapping_mul(self.width) << 1;
        floor(twice.wrapping_add(self.gaps), self.gaps << 1)
    }
}

/// The 32 single bits, lowest first.
fn bits() -> impl Iterator<Item = u32> {
    (0..32).map(|place: u32| 1_u32.wrapping_shl(place))
}

/// Quotient of a number and a positive one, rounded down.
#[cfg_attr(target_os = "none", inline(never))]
fn floor(number: i64, by: i64) -> i32 {
    saturate_i32(number.checked_div_euclid(by).unwrap_or_default())
}

/// The same, rounded up.
fn up(number: i64, by: i64) -> i32 {
    floor(number.wrapping_add(by.wrapping_sub(1)), by)
}

#[cfg(test)]
mod tests;
