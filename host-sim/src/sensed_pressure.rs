//! What a pressure sensor at the nozzles tells the controller during a drive.
//!
//! The pressure falls with the nozzles that are open, and with a rate the controller opens them
//! by the pressure that it was told. So the drive is replayed, the supply follows what the valves
//! did, the readings of that go into the recording, and all of it again until they stand still.
//! A reading changes nothing before itself: each round makes more of the drive final, and the
//! pull of one reading on the next is weak. The truth tells of the supply alone.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use crate::cycles::wires;
use crate::error::Result;
use crate::machine::Machine;
use crate::recording::{Event, HIGHEST_KPA, Input, Recording};
use crate::replay::replay;
use crate::scenario_world::PressureSensor;
use crate::scene::Scene;
use crate::truth::Truth;

/// Most rounds; readings that still change then stay as they are.
const ROUNDS: usize = 8;

/// Writes the sensor's readings into `recording`, which has none yet; `file` is the scenario's
/// name in messages. Readings follow other events of their instant.
pub fn tell(
    file: &str,
    recording: &mut Recording,
    truth: &Truth,
    machine: &Machine,
    sensor: &PressureSensor,
    seed: u64,
) -> Result<()> {
    let scene = Scene::from_truth(file, truth, machine, recording)?;
    let Some(end_us) = recording.events.last().map(|e| e.t_us) else {
        return Ok(());
    };
    let stamps: Vec<u64> = (0..)
        .map(|n| truth.clock_start_us + (f64::from(n) / sensor.rate_hz * 1e6).round() as u64)
        .take_while(|&t| t <= end_us)
        .collect();
    // One draw a reading, whatever the round.
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let noise = Normal::new(sensor.offset_kpa, sensor.noise_kpa).ok();
    let off: Vec<f64> = (stamps.iter())
        .map(|_| noise.map_or(0.0, |n| n.sample(&mut rng)))
        .collect();
    let mute = recording.clone();
    let mut before: Vec<u16> = Vec::new();
    for _ in 0..ROUNDS {
        let run = replay(file, machine, recording)?;
        let commands = match &machine.rate {
            Some(rate) => wires(&run.commands, &run.duties, rate.cycle_s),
            None => run.commands,
        };
        let Some(supplied) = scene.supplied(&scene.acted(&commands)) else {
            return Ok(());
        };
        let read: Vec<u16> = (stamps.iter().zip(&off))
            .map(|(&t_us, off)| {
                let kpa = (supplied.kpa(scene.seconds(t_us)) + off).round();
                kpa.clamp(0.0, HIGHEST_KPA as f64) as u16
            })
            .collect();
        if read == before {
            break;
        }
        *recording = with(&mute, &stamps, &read);
        before = read;
    }
    Ok(())
}

/// The recording with these readings.
fn with(mute: &Recording, stamps: &[u64], read: &[u16]) -> Recording {
    let mut recording = mute.clone();
    let readings = stamps.iter().zip(read).map(|(&t_us, &kpa)| Event {
        t_us,
        input: Input::Pressure(kpa),
    });
    recording.events.extend(readings);
    // Stable: at equal stamps what the recording had comes first.
    recording.events.sort_by_key(|event| event.t_us);
    recording
}
