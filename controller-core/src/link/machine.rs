//! The machine description as bytes: for the link and for flash.
//!
//! One byte of version, then the postcard form of [`Config`]'s fields in their order: wheel,
//! patch, timing, modes, fan, rate, nozzles, detectors, sections, faulty nozzles, flows, turning.
//! Its digest is the CRC-32 of all of it: that finds an old or damaged description, it is no
//! protection against a forged one.
//!
//! A build without the feature `turning` reads a description that turns and then refuses it in
//! [`MachineTable::validate`]: it never drives it as one that goes straight.

use super::codec::wire_numbers;
use super::codec::{Reader, Wire, Writer, put_list, wire_fields};
use super::frame::crc32;
use crate::boom::{
    Config, ConfigError, DetectorConfig, ModesConfig, NozzleConfig, PatchConfig, TimingConfig,
    UnseenPolicy, WheelConfig,
};
use crate::fan::FanConfig;
use crate::rate::RateConfig;
use crate::sections::{MAX_SECTIONS, SectionConfig};
use crate::turning::{TurningConfig, YawSource};
use crate::units::{Length, PulseLength, Span, Speed};
use heapless::Vec;

/// Version of the encoding. Goes up whenever a field of the description is added, moved or
/// changed; the test at this file's foot notices such a change.
pub const MACHINE_VERSION: u8 = 2;

/// Why bytes are no machine description.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum MachineError {
    /// Nothing at all.
    Empty,
    /// Of a version that is not known here.
    Version(u8),
    /// Cut short, too long, or more nozzles or detectors than there is room for.
    Unreadable,
}

/// A machine description that owns its lists: at most `N` nozzles and `D` detectors.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineTable<const N: usize, const D: usize> {
    wheel: WheelConfig,
    patch: PatchConfig,
    timing: TimingConfig,
    modes: ModesConfig,
    fan: Option<FanConfig>,
    rate: Option<RateConfig>,
    nozzles: Vec<NozzleConfig, N>,
    detectors: Vec<DetectorConfig, D>,
    sections: Vec<SectionConfig, MAX_SECTIONS>,
    faulty: Vec<u16, N>,
    flows_ml_min: Vec<u16, N>,
    turning: Option<TurningConfig>,
}

impl<const N: usize, const D: usize> MachineTable<N, D> {
    /// The description as the controller takes it; not yet checked by [`Config::validate`].
    #[must_use]
    pub fn config(&self) -> Config<'_> {
        Config {
            wheel: self.wheel,
            nozzles: &self.nozzles,
            detectors: &self.detectors,
            patch: self.patch,
            timing: self.timing,
            modes: self.modes,
            fan: self.fan,
            sections: &self.sections,
            faulty: &self.faulty,
            rate: self.rate,
            flows_ml_min: &self.flows_ml_min,
            turning: self.turning,
        }
    }

    /// Reads what [`write()`] wrote. Work goes with its length.
    ///
    /// # Errors
    /// [`MachineError`].
    pub fn read(bytes: &[u8]) -> Result<Self, MachineError> {
        let (&version, rest) = bytes.split_first().ok_or(MachineError::Empty)?;
        if version != MACHINE_VERSION {
            return Err(MachineError::Version(version));
        }
        let mut from = Reader::new(rest);
        let table = Self {
            wheel: Wire::take(&mut from),
            patch: Wire::take(&mut from),
            timing: Wire::take(&mut from),
            modes: Wire::take(&mut from),
            fan: Wire::take(&mut from),
            rate: Wire::take(&mut from),
            nozzles: Wire::take(&mut from),
            detectors: Wire::take(&mut from),
            sections: Wire::take(&mut from),
            faulty: Wire::take(&mut from),
            flows_ml_min: Wire::take(&mut from),
            turning: Wire::take(&mut from),
        };
        match from.rest() {
            Some([]) => Ok(table),
            _ => Err(MachineError::Unreadable),
        }
    }

    /// Whether a controller of this size takes it.
    ///
    /// # Errors
    /// The first thing found wrong.
    pub fn validate(&self) -> Result<(), ConfigError> {
        self.config().validate(N, D)
    }
}

/// Writes a description; `None` when it does not fit into `out`.
#[must_use]
pub fn write<'o>(config: &Config<'_>, out: &'o mut [u8]) -> Option<&'o [u8]> {
    let mut to = Writer::new(out);
    to.byte(MACHINE_VERSION);
    config.wheel.put(&mut to);
    config.patch.put(&mut to);
    config.timing.put(&mut to);
    config.modes.put(&mut to);
    config.fan.put(&mut to);
    config.rate.put(&mut to);
    put_list(config.nozzles, &mut to);
    put_list(config.detectors, &mut to);
    put_list(config.sections, &mut to);
    put_list(config.faulty, &mut to);
    put_list(config.flows_ml_min, &mut to);
    config.turning.put(&mut to);
    to.finish()
}

/// The digest by which host and board agree on a description.
#[must_use]
pub fn digest(bytes: &[u8]) -> u32 {
    crc32(bytes)
}

/// A newtype as the number in it; one that can't be is refused.
macro_rules! newtypes {
    ($($type:ident: $number:ty, $of:expr, $from:expr;)*) => {$(
        impl Wire for $type {
            fn put(&self, to: &mut Writer<'_>) {
                let number: $number = $of(self);
                number.put(to);
            }
            fn take(from: &mut Reader<'_>) -> Self {
                let number = <$number>::take(from);
                let value: Option<Self> = $from(number);
                value.unwrap_or_else(|| {
                    from.refuse();
                    Self::default()
                })
            }
        }
    )*};
}

newtypes! {
    Length: i32, |l: &Length| l.bits(), |bits| Some(Length::from_bits(bits));
    Span: u32, |s: &Span| s.0, |us| Some(Span(us));
    Speed: u32, |s: &Speed| s.to_mm_s(), |mm_s| Some(Speed::from_mm_s(mm_s));
    PulseLength: u64, |p: &PulseLength| p.bits(), PulseLength::from_bits;
}

// The order below is the encoding: a change of it raises `MACHINE_VERSION`.
wire_fields! {
    WheelConfig { pulse_length, max_speed, creep_speed, max_acceleration_mm_s2, slots_per_turn, direction_input }
    PatchConfig { lead, lead_time, trail, trail_time, edge_extra, open_extra_time, close_extra_time, lateral_margin, repeat_growth }
    TimingConfig { decision_period, slack, shortest_on, shortest_off, poll_silence, detector_silence, max_detection_age }
    NozzleConfig { x, y, lane_width, open_delay, close_delay, throw }
    DetectorConfig { x, y, view_left, view_right }
    ModesConfig { unseen, keep_off_margin, switch_quiet, acknowledge_at_start, bench_on_cap }
    FanConfig { half_width, flat_half, spacing, wanted_share }
    RateConfig { rate_ml_ha, width, flow_ml_min, pressure_kpa, cycle, lowest, refuse_short }
    SectionConfig { first, count }
    TurningConfig { behind_axle, wheel_y, source, most_rate_mrad_s, silence }
}

wire_numbers! {
    UnseenPolicy { Spray = 0, Skip = 1 }
}

impl Wire for YawSource {
    fn put(&self, to: &mut Writer<'_>) {
        match self {
            Self::Rate => to.byte(0),
            Self::SecondWheel { pulse_length, y } => {
                to.byte(1);
                pulse_length.put(to);
                y.put(to);
            }
        }
    }
    fn take(from: &mut Reader<'_>) -> Self {
        match from.varint(32) {
            1 => Self::SecondWheel {
                pulse_length: Wire::take(from),
                y: Wire::take(from),
            },
            other => {
                if other != 0 {
                    from.refuse();
                }
                Self::Rate
            }
        }
    }
}
