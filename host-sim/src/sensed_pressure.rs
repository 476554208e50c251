//! What a pressure sensor at the nozzles tells the controller during a drive.
//!
//! The pressure falls with the nozzles that are open, and with a rate the controller opens them
//! by the pressure that it was told. So the drive is replayed, the supply follows what the valves
//! did, the readings of that go into the recording, and all of it again until they stand still.
//! A reading changes nothing before itself: each round makes more of the drive final, and the
//! pull of one reading on the next is weak, so some rounds do. Readings that do not come to rest are
//! no drive that could have been, and refused. The truth tells of the supply alone.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use crate::cycles::wires;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::recording::{Event, HIGHEST_KPA, Input, Recording};
use crate::replay::replay;
use crate::scenario_world::PressureSensor;
use crate::scene::Scene;
use crate::truth::Truth;

/// Most rounds.
const ROUNDS: usize = 24;
/// Readings that change by no more from one round to the next are at rest, kPa: half a hundredth of
/// the usual 300 is a quarter of a hundredth of the flow.
const REST_KPA: u16 = 1;

/// Writes the sensor's readings into `recording`, which has none yet; `file` is the scenario's
/// name in messages. Readings follow other events of their instant.
///
/// # Errors
/// When the readings do not come to rest, with when and by how much they still change.
pub fn tell(
    file: &str,
    recording: &mut Recording,
    truth: &Truth,
    machine: &Machine,
    sensor: &PressureSensor,
    seed: u64,
) -> Result<()> {
    tell_in(ROUNDS, (file, recording), truth, machine, (sensor, seed))
}

fn tell_in(
    rounds: usize,
    (file, recording): (&str, &mut Recording),
    truth: &Truth,
    machine: &Machine,
    (sensor, seed): (&PressureSensor, u64),
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
    let mut restless = None;
    for _ in 0..rounds {
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
            return Ok(());
        }
        restless = Some(changes(&before, &read, &stamps));
        *recording = with(&mute, &stamps, &read);
        before = read;
    }
    match restless.flatten() {
        None => Ok(()),
        Some((t_us, most)) => Err(Error::file(
            file,
            format!(
                "after {rounds} rounds the pressure sensor's readings still change by up to {most} kPa, from {:.2} s on: \
                 the controller opens the valves by them and they fall with what is open",
                scene.seconds(t_us)
            ),
            "make the drive shorter, `rate_hz` of [pressure_sensor] lower, or what [supply] loses by \
             flow (`pump_drop_kpa`, `line_drop_kpa`) less",
        )),
    }
}

/// Where readings first change from one round to the next by more than rest allows, and by how much
/// any does; none where they are at rest. All change that were not there before.
fn changes(before: &[u16], read: &[u16], stamps: &[u64]) -> Option<(u64, u16)> {
    let mut all = (stamps.iter().zip(read).enumerate())
        .map(|(k, (&t_us, &kpa))| {
            let by = before.get(k).map_or(kpa, |was| was.abs_diff(kpa));
            (t_us, by)
        })
        .filter(|&(_, by)| by > REST_KPA);
    let first = all.next()?;
    let most = all.fold(first.1, |most, (_, by)| most.max(by));
    Some((first.0, most))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_still_changes_is_told_with_its_first_instant_and_its_size() {
        let stamps = [100, 200, 300, 400];
        assert_eq!(changes(&[300; 4], &[301, 299, 300, 300], &stamps), None);
        assert_eq!(
            changes(&[300; 4], &[301, 290, 317, 300], &stamps),
            Some((200, 17))
        );
        // In the first round all is new.
        assert_eq!(changes(&[], &[301, 290], &stamps), Some((100, 301)));
    }

    /// A broadcast pass on a pump that gives a third less with all nozzles open.
    #[test]
    fn readings_that_do_not_come_to_rest_are_refused() {
        let text = crate::run::DEMO_MACHINE.to_owned()
            + "\n[rate]\nrate_l_ha = 40.0\ncycle_hz = 25.0\nlowest_duty_percent = 20.0\n\
               pressure_kpa = 300.0\nflow_l_min = 1.2\n";
        let text = text.replace("shortest_off_ms = 20.0", "shortest_off_ms = 4.0");
        let machine = Machine::parse("m.toml", &text).expect("a machine");
        let scenario = "scenario_format = 1\nname = \"weak pump\"\nseed = 1\nmachine = \"m.toml\"\n\
            [motion]\nstart_speed_m_s = 3.0\n\
            [[motion.piece]]\nduration_s = 6.0\nacceleration_m_s2 = 0.3\n\
            [field]\ndensity_per_m2 = 0.1\nsize_mean_m = 0.06\nsize_sd_m = 0.02\nsize_min_m = 0.03\nsize_max_m = 0.1\n\
            [wheel]\nslots = 100\nunevenness_percent = 0.0\nstamp_jitter_us = 0.0\n\
            [detector]\nframe_rate_hz = 20.0\ndelay_mean_ms = 80.0\ndelay_sd_ms = 5.0\nonce = true\n\
            [supply]\nnominal_kpa = 300.0\nnozzle_l_min = 1.2\npump_kpa = 300.0\npump_drop_kpa = 6.0\n\
            [[order]]\nevent = \"mode\"\nat_s = 0.0\nmode = \"broadcast\"\n";
        let scenario = crate::scenario::Scenario::parse("s.toml", scenario).expect("a scenario");
        let drive = crate::generate::drive("s.toml", &scenario, &machine).expect("drives");
        let sensor = PressureSensor {
            rate_hz: 10.0,
            noise_kpa: 0.0,
            offset_kpa: 0.0,
        };
        let told = |rounds: usize| {
            let mut recording = drive.recording.clone();
            let into = ("s.toml", &mut recording);
            let told = tell_in(rounds, into, &drive.truth, &machine, (&sensor, 1));
            told.map(|()| recording)
        };
        let refused = told(1).expect_err("one round tells nothing of rest");
        let words = refused.to_string();
        for word in [
            "s.toml",
            "after 1 rounds",
            "kPa",
            "help: make the drive shorter",
        ] {
            assert!(words.contains(word), "{word}: {words}");
        }
        // Where readings are at rest more rounds change nothing.
        let at_rest = told(ROUNDS).expect("comes to rest");
        assert!(at_rest == told(ROUNDS + 1).expect("comes to rest"));
        let mut readings = at_rest.events.iter();
        assert!(readings.any(|e| matches!(e.input, Input::Pressure(kpa) if kpa < 290)));
    }
}
