//! Images and orders of the link in the controller's own terms.

use crate::site::Site;
use controller_core::link::{self, Captured, ImageHead, Refusal};
use controller_core::{
    Along, Controller, Image, Length, MAX_PLANTS_PER_IMAGE, Micros, Over, Plant, Speed,
};
use heapless::Vec;

/// Largest bound of a capture stamp's error that is taken, µs: 2.5 mm at 5 m/s.
const STAMP_TOLERANCE: u16 = 500;
/// Oldest keep-off order that is taken, µs.
const OLDEST: u64 = 1_000_000;

type Core<'a, const N: usize, const K: usize, const H: usize, const D: usize> =
    Controller<'a, N, K, H, D>;

/// An image that came at `now`; `rest` holds its plants.
#[inline(never)]
pub fn image<const N: usize, const K: usize, const H: usize, const D: usize>(
    core: &mut Core<'_, N, K, H, D>,
    site: &mut impl Site,
    now: Micros,
    head: &ImageHead,
    rest: &[u8],
) -> Result<(), Refusal> {
    let captured_at = match (head.stamp(STAMP_TOLERANCE)?, head.captured) {
        (Some(at), _) => at,
        (None, Captured::Frame(frame)) => site.captured(head.detector, frame)?,
        (None, _) => return Err(Refusal::UnknownFrame),
    };
    let speed = core.speed();
    let mut plants = Vec::new();
    read_plants(head, rest, speed, &mut plants)?;
    let image = Image {
        detector: head.detector,
        captured_at,
        seen: head.seen(),
        plants: &plants,
    };
    core.handle_image(now, &image)?;
    Ok(())
}

/// Kept apart, so that the list as it came is off the stack when the image is aimed.
#[inline(never)]
fn read_plants(
    head: &ImageHead,
    rest: &[u8],
    speed: Speed,
    plants: &mut Vec<Plant, MAX_PLANTS_PER_IMAGE>,
) -> Result<(), Refusal> {
    for seen in &head.plants(rest)? {
        plants
            .push(seen.plant(speed))
            .map_err(|_| Refusal::TooManyPlants)?;
    }
    Ok(())
}

/// Ground to keep dry, `from_mm` to `to_mm` ahead at `at`. What the machine has driven since
/// is taken off at the present speed.
pub fn keep_off<const N: usize, const K: usize, const H: usize, const D: usize>(
    core: &mut Core<'_, N, K, H, D>,
    now: Micros,
    (first, count): (u16, u16),
    at: Micros,
    (from_mm, to_mm): (i32, i32),
) -> Result<(), Refusal> {
    if at > now {
        return Err(Refusal::CapturedInFuture);
    }
    let age = now.0.saturating_sub(at.0);
    if age > OLDEST {
        return Err(Refusal::TooOld);
    }
    let um = u64::from(core.speed().to_mm_s()).saturating_mul(age) / 1000;
    let drove = Length::from_um(i32::try_from(um).unwrap_or(i32::MAX));
    let along = Along::Ahead {
        from: Length::from_mm(from_mm).minus(drove),
        to: Length::from_mm(to_mm).minus(drove),
    };
    core.handle_keep_off(now, Over::Nozzles { first, count }, along)
        .map_err(Refusal::from)
}

/// A request of the bench state. `run` is the token of the run that may be renewed.
pub fn bench<const N: usize, const K: usize, const H: usize, const D: usize>(
    core: &mut Core<'_, N, K, H, D>,
    now: Micros,
    token: u16,
    request: link::Bench,
    run: &mut Option<u16>,
) -> Result<(), Refusal> {
    let renews = matches!(request, link::Bench::Hold | link::Bench::Release);
    if renews && run.is_some_and(|known| known != token) {
        return Err(Refusal::NoSuchRun);
    }
    core.handle_bench(now, request.into())?;
    *run = Some(token);
    Ok(())
}
