//! What the judge is told: the true machine, the plants, and the commands.

use super::fan::TrueFan;
use super::orders::Orders;
use crate::{Ground, Plant, Valve};

/// A nozzle as it truly is, which may differ from what the controller believes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueNozzle {
    /// Mount ahead of the boom reference point, in metres.
    pub x: f64,
    /// Mount to the right of the boom reference point, in metres.
    pub y: f64,
    /// Width of the lane that it serves, centred at `y`, in metres, above 0.
    pub lane_width_m: f64,
    /// Forward flight of the spray, in seconds of travel, 0 or more.
    pub throw_s: f64,
    /// Thickness of the fan along travel on the ground, in metres, 0 or more.
    pub thickness_m: f64,
    /// How its valve answers.
    pub valve: Valve,
}

/// The buffers that the user asked for around every plant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Patch {
    /// Ground before the plant, in metres.
    pub lead_m: f64,
    /// Ground before the plant, in seconds of travel.
    pub lead_s: f64,
    /// Ground behind the plant, in metres.
    pub trail_m: f64,
    /// Ground behind the plant, in seconds of travel.
    pub trail_s: f64,
    /// Ground at the left and right of the plant, in metres.
    pub lateral_margin_m: f64,
    /// Ground before and behind the plant for what a twisted fan shifts along travel, in
    /// metres: see [`TrueFan::twist_m`].
    pub twist_m: f64,
}

impl Patch {
    /// The whole lead in metres at speed `v` (m/s): what was asked for, and
    /// what the fan's thickness and the valve's rise take from the dose.
    #[must_use]
    pub fn whole_lead(&self, nozzle: &TrueNozzle, v: f64) -> f64 {
        self.lead_m + self.twist_m + self.lead_s * v + nozzle.short_at_start(v)
    }

    /// The whole trail in metres at speed `v` (m/s).
    #[must_use]
    pub fn whole_trail(&self, nozzle: &TrueNozzle, v: f64) -> f64 {
        self.trail_m + self.twist_m + self.trail_s * v + nozzle.short_at_stop(v)
    }
}

impl TrueNozzle {
    /// Ground between half flow and full dose at an opening, in metres.
    pub(crate) fn short_at_start(&self, v: f64) -> f64 {
        0.5 * (self.thickness_m + self.valve.open_rise_s * v)
    }

    /// Ground between full dose and half flow at a closing, in metres.
    pub(crate) fn short_at_stop(&self, v: f64) -> f64 {
        0.5 * (self.thickness_m + self.valve.close_fall_s * v)
    }

    /// Where the spray that leaves at time `t` lands, in metres along travel.
    pub(crate) fn lands(&self, ground: &dyn Ground, t: f64) -> f64 {
        ground.lands(t, self.x, self.throw_s)
    }
}

/// One valve command of the controller.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Command {
    /// Which nozzle, as an index into the judged nozzles.
    pub nozzle: usize,
    /// True to open, false to close.
    pub open: bool,
    /// When the valve is told, in seconds.
    pub at_s: f64,
    /// Ground of the patch that the controller itself gave up as out of reach,
    /// in metres; 0 when on time.
    pub short_by_m: f64,
}

/// How much may go wrong before the verdict is broken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// How many plants may be missed.
    pub missed: usize,
    /// How many plants may get less than the full dose.
    pub partial: usize,
    /// Share of all edges, 0..=1, that must lie within `edge_m`.
    pub edge_share: f64,
    /// Largest error of an edge that counts as within, in metres.
    pub edge_m: f64,
}

impl Default for Tolerance {
    /// No plant missed or partly sprayed; 99.9 % of the edges within 25 mm.
    fn default() -> Self {
        Self {
            missed: 0,
            partial: 0,
            edge_share: 0.999,
            edge_m: 0.025,
        }
    }
}

/// All that the judge needs.
#[derive(Clone, Copy)]
pub struct JudgeInput<'a> {
    /// The true travel.
    pub ground: &'a dyn Ground,
    /// The true nozzles, in any order.
    pub nozzles: &'a [TrueNozzle],
    /// The buffers that were asked for.
    pub patch: Patch,
    /// The true plants, in any order.
    pub plants: &'a [Plant],
    /// For each plant, whether any detector reported it.
    pub seen: &'a [bool],
    /// For each plant, whether the controller refused it with a reason.
    pub refused: &'a [bool],
    /// The commands in the order in which they were given out.
    pub commands: &'a [Command],
    /// Where judging begins, in metres along travel.
    pub from_x: f64,
    /// Where judging ends, in metres along travel.
    pub to_x: f64,
    /// How much may go wrong.
    pub tolerance: Tolerance,
    /// The nozzles' fans where doses are summed; none where each nozzle serves its lane.
    pub fan: Option<TrueFan>,
    /// Nozzles that are known to be faulty and must stay closed.
    pub faulty: &'a [usize],
    /// What the operator ordered; none where every nozzle was to spray plants all along.
    pub orders: Option<&'a Orders>,
}

/// Why an input can't be judged.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum InputError {
    /// A number is not finite or out of its range.
    #[error("{what} of {list} {index} is {value}; give {wanted}")]
    Number {
        /// Which list, such as `nozzle`.
        list: &'static str,
        /// Which entry, from 0.
        index: usize,
        /// Which field.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// A setting is not finite or out of its range.
    #[error("{what} is {value}; give {wanted}")]
    Setting {
        /// Which setting.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// The judged stretch is empty or no stretch.
    #[error("judging from {from_x} m to {to_x} m leaves nothing; give from_x below to_x")]
    Range {
        /// Its begin in metres.
        from_x: f64,
        /// Its end in metres.
        to_x: f64,
    },
    /// A valve would move before its command.
    #[error(
        "nozzle {nozzle}: half of {ramp} {ramp_s} s exceeds {delay} {delay_s} s; \
         delays run to half flow, so give a delay of at least half the ramp"
    )]
    Ramp {
        /// Which nozzle, from 0.
        nozzle: usize,
        /// Which ramp.
        ramp: &'static str,
        /// Its length in seconds.
        ramp_s: f64,
        /// Which delay.
        delay: &'static str,
        /// Its length in seconds.
        delay_s: f64,
    },
    /// A list that goes with the plants has another length.
    #[error("`{list}` holds {len} entries for {plants} plants; give one for each plant")]
    Length {
        /// Which list.
        list: &'static str,
        /// Its length.
        len: usize,
        /// How many plants there are.
        plants: usize,
    },
}

const ANY: &str = "a finite number";
const POSITIVE: &str = "a finite number above 0";
const NOT_NEGATIVE: &str = "a finite number of 0 or more";

/// Whether `value` is what `wanted` describes.
fn fits(value: f64, wanted: &'static str) -> bool {
    value.is_finite()
        && match wanted {
            POSITIVE => value > 0.0,
            NOT_NEGATIVE => value >= 0.0,
            _ => true,
        }
}

impl JudgeInput<'_> {
    /// The way of a nozzle: its own where the machine turns, else everyone's.
    pub(crate) fn way(&self, nozzle: usize) -> &dyn Ground {
        let own = self.ground.turning().and_then(|t| t.track(nozzle));
        own.map_or(self.ground, |track| track)
    }

    /// A plant as a nozzle meets it on its way; none where it never does.
    pub(crate) fn met(&self, plant: usize, nozzle: usize) -> Option<Plant> {
        match self.ground.turning() {
            Some(turning) => turning.met(plant, nozzle),
            None => self.plants.get(plant).copied(),
        }
    }

    /// A plant as the whole boom meets it, of which only y and width count across; none
    /// where it never does.
    pub(crate) fn abreast(&self, plant: usize) -> Option<Plant> {
        let p = self.plants.get(plant).copied()?;
        match self.ground.turning() {
            Some(turning) => turning.pass(plant).map(|pass| Plant {
                y: pass.y,
                length: pass.length,
                width: pass.width,
                ..p
            }),
            None => Some(p),
        }
    }

    /// Whether a plant that these nozzles serve lies wholly in the judged stretch. Where
    /// the machine turns, it must come later than `from_x` on every such nozzle's way, and
    /// before the reference point gets to `to_x`.
    pub(crate) fn inside(&self, plant: usize, nozzles: &[usize]) -> bool {
        match self.ground.turning() {
            None => self
                .plants
                .get(plant)
                .is_some_and(|p| self.from_x <= p.near() && p.far() <= self.to_x),
            Some(turning) => {
                let late = |n: &usize| {
                    let met = turning.met(plant, *n);
                    met.is_some_and(|m| self.from_x <= m.near())
                };
                turning
                    .pass(plant)
                    .is_some_and(|p| turning.position(p.at_s) <= self.to_x)
                    && nozzles.iter().all(late)
            }
        }
    }

    /// The judged stretch on a nozzle's own way.
    pub(crate) fn stretch(&self, nozzle: usize) -> (f64, f64) {
        if self.ground.turning().is_none() {
            return (self.from_x, self.to_x);
        }
        let end = self.ground.end();
        let own = |x: f64| {
            self.way(nozzle)
                .position(self.ground.time_at(x).unwrap_or(end))
        };
        (own(self.from_x), own(self.to_x))
    }

    /// Checks that everything can be judged. Faults in the commands are no
    /// error here: they are part of what is judged.
    ///
    /// # Errors
    /// Names the first number or list that is unusable.
    pub fn check(&self) -> Result<(), InputError> {
        for (index, n) in self.nozzles.iter().enumerate() {
            let v = &n.valve;
            let numbers = [
                ("x", n.x, ANY),
                ("y", n.y, ANY),
                ("lane_width_m", n.lane_width_m, POSITIVE),
                ("throw_s", n.throw_s, NOT_NEGATIVE),
                ("thickness_m", n.thickness_m, NOT_NEGATIVE),
                ("open_delay_s", v.open_delay_s, NOT_NEGATIVE),
                ("close_delay_s", v.close_delay_s, NOT_NEGATIVE),
                ("open_rise_s", v.open_rise_s, NOT_NEGATIVE),
                ("close_fall_s", v.close_fall_s, NOT_NEGATIVE),
            ];
            check_entry("nozzle", index, &numbers)?;
            let ramps = [
                ("open_rise_s", v.open_rise_s, "open_delay_s", v.open_delay_s),
                (
                    "close_fall_s",
                    v.close_fall_s,
                    "close_delay_s",
                    v.close_delay_s,
                ),
            ];
            for (ramp, ramp_s, delay, delay_s) in ramps {
                // A hair of room for halves that don't come out even.
                if 0.5 * ramp_s > delay_s + 1e-12 {
                    return Err(InputError::Ramp {
                        nozzle: index,
                        ramp,
                        ramp_s,
                        delay,
                        delay_s,
                    });
                }
            }
        }
        for (index, p) in self.plants.iter().enumerate() {
            let numbers = [
                ("x", p.x, ANY),
                ("y", p.y, ANY),
                ("length", p.length, NOT_NEGATIVE),
                ("width", p.width, NOT_NEGATIVE),
            ];
            check_entry("plant", index, &numbers)?;
        }
        for (list, len) in [("seen", self.seen.len()), ("refused", self.refused.len())] {
            let plants = self.plants.len();
            if len != plants {
                return Err(InputError::Length { list, len, plants });
            }
        }
        if let Some(fan) = &self.fan {
            fan.check()?;
        }
        let settings = [
            ("patch.lead_m", self.patch.lead_m, NOT_NEGATIVE),
            ("patch.lead_s", self.patch.lead_s, NOT_NEGATIVE),
            ("patch.trail_m", self.patch.trail_m, NOT_NEGATIVE),
            ("patch.trail_s", self.patch.trail_s, NOT_NEGATIVE),
            (
                "patch.lateral_margin_m",
                self.patch.lateral_margin_m,
                NOT_NEGATIVE,
            ),
            (
                "tolerance.edge_share",
                self.tolerance.edge_share,
                NOT_NEGATIVE,
            ),
            ("tolerance.edge_m", self.tolerance.edge_m, NOT_NEGATIVE),
            ("patch.twist_m", self.patch.twist_m, NOT_NEGATIVE),
        ];
        for (what, value, wanted) in settings {
            if !fits(value, wanted) {
                return Err(InputError::Setting {
                    what,
                    value,
                    wanted,
                });
            }
        }
        let (from_x, to_x) = (self.from_x, self.to_x);
        if !(from_x.is_finite() && to_x.is_finite() && from_x < to_x) {
            return Err(InputError::Range { from_x, to_x });
        }
        Ok(())
    }
}

impl TrueFan {
    fn check(&self) -> Result<(), InputError> {
        let flat = "0 to the half width";
        let share = "a share above 0, at most 1";
        for (what, value, wanted, right) in [
            ("fan.half_width_m", self.half_width_m, POSITIVE, true),
            (
                "fan.flat_half_m",
                self.flat_half_m,
                flat,
                (0.0..=self.half_width_m).contains(&self.flat_half_m),
            ),
            ("fan.spacing_m", self.spacing_m, POSITIVE, true),
            (
                "fan.wanted_share",
                self.wanted_share,
                share,
                self.wanted_share > 0.0 && self.wanted_share <= 1.0,
            ),
            ("fan.twist", self.twist, ANY, true),
            ("fan.bow_height_m", self.bow_height_m, NOT_NEGATIVE, true),
        ] {
            if !(right && fits(value, wanted)) {
                return Err(InputError::Setting {
                    what,
                    value,
                    wanted,
                });
            }
        }
        Ok(())
    }
}

/// Checks the numbers of one entry of a list.
fn check_entry(
    list: &'static str,
    index: usize,
    numbers: &[(&'static str, f64, &'static str)],
) -> Result<(), InputError> {
    for &(what, value, wanted) in numbers {
        if !fits(value, wanted) {
            return Err(InputError::Number {
                list,
                index,
                what,
                value,
                wanted,
            });
        }
    }
    Ok(())
}
