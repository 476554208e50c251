//! Waveforms: the recorded pulses and the valve commands as a VCD file (IEEE 1364).
//!
//! One wire `pulse` that is high for one microsecond at each wheel pulse, one wire `image` alike,
//! and one wire `nozzle_N` a nozzle that is high between open and close. Time is in µs from the
//! first recorded event.

use std::io::{self, Write};

use vcd::{TimescaleUnit, Value};

use crate::commands::ValveCommand;
use crate::error::{Error, Result};
use crate::recording::{Input, Recording};

/// Writes the waveforms; `path` is the name shown in messages.
pub fn write(
    path: &str,
    to: impl Write,
    recording: &Recording,
    commands: &[ValveCommand],
    nozzles: usize,
) -> Result<()> {
    waves(to, recording, commands, nozzles).map_err(|e| Error::write(path, e))
}

fn waves(
    to: impl Write,
    recording: &Recording,
    commands: &[ValveCommand],
    nozzles: usize,
) -> io::Result<()> {
    let mut writer = vcd::Writer::new(to);
    writer.comment("wheel pulses, images and valve commands; time in us from the first event")?;
    writer.timescale(1, TimescaleUnit::US)?;
    writer.add_module("boom")?;
    let pulse = writer.add_wire(1, "pulse")?;
    let image = writer.add_wire(1, "image")?;
    let order = writer.add_wire(1, "order")?;
    let wires = (0..nozzles)
        .map(|n| writer.add_wire(1, &format!("nozzle_{n}")))
        .collect::<io::Result<Vec<_>>>()?;
    writer.upscope()?;
    writer.enddefinitions()?;

    let mut changes: Vec<(u64, vcd::IdCode, Value)> = Vec::new();
    let start = recording.events.first().map_or(0, |e| e.t_us);
    for event in &recording.events {
        let wire = match event.input {
            Input::Pulse => pulse,
            Input::Image(_) => image,
            Input::Direction(_) | Input::WheelPulse(_) | Input::Yaw(_) | Input::Pressure(_) => {
                continue;
            }
            Input::Order(_) => order,
        };
        changes.push((event.t_us, wire, Value::V1));
        changes.push((event.t_us + 1, wire, Value::V0));
    }
    for c in commands {
        if let Some(&wire) = wires.get(usize::from(c.nozzle)) {
            changes.push((c.t_us, wire, if c.open { Value::V1 } else { Value::V0 }));
        }
    }
    // Stable, so that commands of one instant keep their order.
    changes.sort_by_key(|c| c.0);

    writer.begin(vcd::SimulationCommand::Dumpvars)?;
    for wire in [pulse, image, order].iter().chain(&wires) {
        writer.change_scalar(*wire, Value::V0)?;
    }
    writer.end()?;
    let mut now = None;
    for (t, wire, value) in changes {
        let t = t.saturating_sub(start);
        if now != Some(t) {
            writer.timestamp(t)?;
            now = Some(t);
        }
        writer.change_scalar(wire, value)?;
    }
    writer.flush()
}
