//! The verb `calibrate detector`: a grid of markers on the ground, and a strobe.

use calibration::markers::{self, Marker, View};
use calibration::strobe;
use clap::Args;

use super::detector_plot::{self, Grid, Strobe};
use super::report::Report;
use super::settings::{MachineText, Place, Setting, To};
use super::{open, refused};
use crate::error::{Error, Result};

/// A detector that shifts a marker by less is not turned or scaled so that it would matter, mm.
const MATTERS_MM: f64 = 5.0;
/// A stamp that lies off by less does not matter, ms.
const STAMP_MS: f64 = 0.5;
/// Stamps farther off are those of another clock, ms.
const OWN_CLOCK_MS: f64 = 1000.0;

/// What to measure from.
#[derive(Debug, Default, Args)]
pub struct Wish {
    /// Markers: marker,ground_x_mm,ground_y_mm,seen_x_mm,seen_y_mm and perhaps detector
    #[arg(long, value_name = "MARKERS.csv", required_unless_present = "strobe")]
    pub markers: Option<String>,
    /// Flashes: flash_us,captured_us and perhaps arrived_us
    #[arg(long, value_name = "STROBE.csv")]
    pub strobe: Option<String>,
}

/// Measures; the figures, findings and lines for the machine file.
///
/// # Errors
/// What is wrong with a file.
pub fn measure(wish: &Wish, machine: Option<&MachineText>) -> Result<Report> {
    let mut report = Report::of("detector");
    let grids = match &wish.markers {
        Some(file) => grid(&mut report, file, machine)?,
        None => Vec::new(),
    };
    let strobe = match &wish.strobe {
        Some(file) => Some(flashes(&mut report, file, machine)?),
        None => None,
    };
    report.svg = Some(detector_plot::draw(&grids, strobe.as_ref()));
    Ok(report)
}

fn grid(report: &mut Report, file: &str, machine: Option<&MachineText>) -> Result<Vec<Grid>> {
    let all = markers::read(open(file)?).map_err(|r| refused(file, r))?;
    let mut numbers: Vec<usize> = all.iter().map(|m| m.detector).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let mut details = Vec::new();
    let mut grids = Vec::new();
    for number in numbers {
        let own: Vec<Marker> = all
            .iter()
            .filter(|m| m.detector == number)
            .cloned()
            .collect();
        if let (Some(text), Some(first)) = (machine, own.first())
            && number >= text.machine.detectors.len()
        {
            return Err(Error::line(
                file,
                first.line,
                None,
                format!("detector {number} does not exist"),
                format!(
                    "the machine has {}, counted from 0",
                    text.machine.detectors.len()
                ),
            ));
        }
        let view = markers::view(&own).map_err(|r| refused(file, r))?;
        tell(report, number, &view);
        details.push(serde_json::json!({
            "detector": number,
            "left_mm": view.left_mm,
            "homography": view.homography.0,
            "markers": view.used,
        }));
        grids.push(Grid {
            number,
            markers: own,
            view,
        });
    }
    report.detail = serde_json::json!({ "detectors": details });
    Ok(grids)
}

fn tell(report: &mut Report, number: usize, view: &View) {
    let name = |what: &str| format!("detector {number}, {what}");
    report.figure(name("x"), view.mount.0);
    report.figure(name("y"), view.mount.1);
    report.figure(name("turned to the right"), view.yaw);
    report.figure(name("ground over told length"), view.scale);
    let [mount, similar, plane] = view.left_mm;
    report.note(
        "left",
        format!(
            "detector {number}: a coordinate is {mount:.1} mm off with x_m and y_m right, {similar:.1} mm with yaw and scale mended too, {plane:.1} mm as any plane (homography)"
        ),
    );
    for (marker, line, off) in &view.left_out {
        report.note(
            "outlier",
            format!(
                "marker {marker} on line {line} is {off:.0} mm off and left out: measure it again"
            ),
        );
    }
    let matters = view.shift_mm >= MATTERS_MM;
    if matters && !view.yaw.holds(0.0) {
        report.fault(
            "yaw",
            format!(
                "detector {number} is turned {} to the {} (with its scale: up to {:.0} mm in its view): turn it back or mend it in the detector, then measure again",
                calibration::Estimate { value: view.yaw.value.abs(), ..view.yaw },
                if view.yaw.value > 0.0 { "right" } else { "left" },
                view.shift_mm
            ),
        );
    }
    if matters && !view.scale.holds(0.0) {
        report.fault(
            "scale",
            format!(
                "what detector {number} tells is {} too {}: check its height and lens",
                calibration::Estimate {
                    value: view.scale.value.abs(),
                    ..view.scale
                },
                if view.scale.value > 0.0 {
                    "short"
                } else {
                    "long"
                }
            ),
        );
    }
    if similar > 1.5 * plane && similar >= MATTERS_MM {
        report.fault(
            "plane",
            format!(
                "detector {number} does not see the ground from where it thinks: check its tilt and height, or let it map what it tells (x, y, 1 in m) by {:.6?}",
                view.homography.0
            ),
        );
    }
    let place = Place::Entry("detector", number);
    report
        .settings
        .push(Setting::figure(place, "x_m", &view.mount.0));
    report
        .settings
        .push(Setting::figure(place, "y_m", &view.mount.1));
}

fn flashes(report: &mut Report, file: &str, machine: Option<&MachineText>) -> Result<Strobe> {
    let flashes = strobe::read(open(file)?).map_err(|r| refused(file, r))?;
    let clock = strobe::clock(&flashes).map_err(|r| refused(file, r))?;
    report.figure("stamp less flash, mid-test", clock.offset);
    if let Some(drift) = clock.drift {
        report.figure("detector's clock runs fast by", drift);
    }
    report.note(
        "scatter",
        format!(
            "stamps lie {:.3} ms about the line, one standard deviation; half an exposure of it can't be told from the flash's place in it",
            clock.scatter_ms
        ),
    );
    let off = clock.offset.value;
    if off.abs() > OWN_CLOCK_MS {
        report.note(
            "clock",
            "stamps are of the detector's own clock: exchange clocks over the link, or take the offset off",
        );
    } else if off.abs() - clock.offset.half_width > STAMP_MS {
        report.fault(
            "stamp",
            format!(
                "images are stamped {} too {}: at 1 m/s plants are told {:.1} mm too far {}; mend it in the detector",
                calibration::Estimate { value: off.abs(), ..clock.offset },
                if off > 0.0 { "late" } else { "early" },
                off.abs(),
                if off > 0.0 { "ahead" } else { "back" }
            ),
        );
    }
    if let Some(drift) = clock.drift.filter(|d| !d.holds(0.0)) {
        report.note(
            "drift",
            format!(
                "after {:.0} s without an exchange the clocks are {STAMP_MS} ms apart",
                STAMP_MS * 1e-3 / (drift.value.abs() * 1e-6)
            ),
        );
    }
    let Some((mean, sd, longest)) = clock.delay else {
        report.note(
            "delay",
            "without arrived_us nothing is told of the messages' age",
        );
        return Ok(Strobe { flashes, clock });
    };
    report.figure("from flash to message", mean);
    report.note(
        "delay",
        format!("one message's age: standard deviation {sd:.2} ms, oldest {longest:.1} ms"),
    );
    let Some(text) = machine else {
        return Ok(Strobe { flashes, clock });
    };
    let most = text.machine.timing.max_detection_age_s * 1e3;
    if longest > most {
        // Room for one in some ten thousand, and a round number.
        let room = ((longest.max(mean.value + 4.0 * sd)) / 10.0).ceil() * 10.0;
        report.fault(
            "age",
            format!("the oldest message is {longest:.0} ms old, but images older than {most:.0} ms are refused"),
        );
        report.settings.push(Setting {
            place: Place::Table("timing"),
            key: "max_detection_age_ms",
            to: To::Number(room, 0),
        });
    }
    Ok(Strobe { flashes, clock })
}
