//! The machine description as bytes: for the link and for flash.
//!
//! One byte of version, then the postcard form of [`Config`]'s fields in their order: wheel,
//! patch, timing, nozzles, detectors. Its digest is the CRC-32 of all of it: that finds an
//! old or damaged description, it is no protection against a forged one.

use super::frame::crc32;
use crate::boom::{
    Config, ConfigError, DetectorConfig, NozzleConfig, PatchConfig, TimingConfig, WheelConfig,
};
use heapless::Vec;
use serde::Serialize;

/// Version of the encoding. Goes up whenever a field of the description is added, moved or
/// changed; the test at this file's foot notices such a change.
pub const MACHINE_VERSION: u8 = 1;

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
    nozzles: Vec<NozzleConfig, N>,
    detectors: Vec<DetectorConfig, D>,
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
        }
    }

    /// Reads what [`write`] wrote. Work goes with its length.
    ///
    /// # Errors
    /// [`MachineError`].
    pub fn read(bytes: &[u8]) -> Result<Self, MachineError> {
        let (&version, rest) = bytes.split_first().ok_or(MachineError::Empty)?;
        if version != MACHINE_VERSION {
            return Err(MachineError::Version(version));
        }
        match postcard::take_from_bytes(rest) {
            Ok(((wheel, patch, timing, nozzles, detectors), [])) => Ok(Self {
                wheel,
                patch,
                timing,
                nozzles,
                detectors,
            }),
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
    let (version, rest) = out.split_first_mut()?;
    *version = MACHINE_VERSION;
    let Config {
        wheel,
        nozzles,
        detectors,
        patch,
        timing,
    } = config;
    let len = put(&(wheel, patch, timing, nozzles, detectors), rest)?;
    out.get(..len.saturating_add(1))
}

fn put(value: &impl Serialize, out: &mut [u8]) -> Option<usize> {
    Some(postcard::to_slice(value, out).ok()?.len())
}

/// The digest by which host and board agree on a description.
#[must_use]
pub fn digest(bytes: &[u8]) -> u32 {
    crc32(bytes)
}
